"""Setting levels: what an outside meter reads afterwards, how many renders, what is refused."""

from pathlib import Path

import numpy as np
import pyebur128
import pytest

import simchain
from simchain.board import (
    Board,
    check_board,
    load_board,
    read_board,
    starter,
    with_settings,
)
from simchain.board.write import updated
from simchain.chain.render import render
from simchain.decide.set_levels import LevelSettings, set_levels
from simchain.decide.targets import LevelControl, controls_of, targets_of
from simchain.errors import BoardError, RequestError
from simchain.signal import Signal, write_float_wav

BOARD = """
tail_s = 0.2
source = { kind = "guitar", clip = "clip.wav" }
[blocks]
press = { kind = "compressor", makeup_db = 3 }
push = { kind = "boost", gain_db = 6 }
grit = { kind = "drive", gain_db = 30, clip = "shunt", level_db = -6 }
room = { kind = "reverb", decay_s = 0.4, mix = 0.2 }
foot = { kind = "volume", position = 0.7 }
tune = { kind = "tuner" }
[amps.clean]
gain_db = 8
[output]
amps = []
[orders.after]
front = ["press", "grit", "push", "room"]
[orders.before]
front = ["press", "push", "grit", "room"]
[orders.pedal]
front = ["foot", "push", "grit", "tune"]
[passages.verse]
on = ["press", "room"]
[passages.riff]
on = ["grit"]
[passages.solo]
on = ["press", "grit", "push"]
"""
STACK = {
    '[passages.riff]\non = ["grit"]': 'above = { passage = "verse", lu = 4.0 }',
    'on = ["press", "grit", "push"]': 'above = { passage = "riff", lu = 4.0 }',
}


def with_lines(text: str, lines: dict[str, str]) -> str:
    for place, line in lines.items():
        assert place in text
        text = text.replace(place, f"{place}\n{line}")
    return text


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    found: Path = tmp_path_factory.mktemp("board")
    rate = 48_000
    n = np.arange(2 * rate)
    plucks = np.exp(-3.0 * (n % (rate // 2)) / rate) * np.sin(2 * np.pi * 196 * n / rate)
    write_float_wav(found / "clip.wav", Signal(0.1 * plucks, rate))
    write_float_wav(found / "silent.wav", Signal(np.zeros(rate), rate))
    return found


def board_of(folder: Path, lines: dict[str, str], controls: list[str] | None = None) -> Board:
    text = with_lines(BOARD, lines)
    if controls is not None:
        text += f"[set_levels]\ncontrols = {controls!r}\n"
    return read_board(text, folder=folder)


def outside_lufs(board: Board, order: str, passage: str, amp: str | None = None) -> float:
    """Integrated loudness by libebur128 of a render with the settings of `board`."""
    output = render(board, order, passage, amp=amp).output
    state = pyebur128.R128State(2, output.rate, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(output.samples.T).ravel(), output.samples.shape[1])
    return float(pyebur128.get_loudness_global(state))


def check_by_outside_meter(result: LevelSettings) -> None:
    """Every target within 0.1 LU by libebur128, in under 15 renders of a passage a control."""
    lufs = {
        name: outside_lufs(result.board, result.order, name, result.amp) for name in result.passages
    }
    controls = sum(len(block) for block in result.settings.values())
    for name, level in result.passages.items():
        if level.target_lu is not None:
            read = lufs[name] - (lufs[level.above] if level.above else 0.0)
            print(f"{result.order}, {name}: {level.target_lu:+.1f} wanted, {read:+.3f} by meter, "
                  f"{result.renders[name]} renders for {controls} controls")  # fmt: skip
            assert read == pytest.approx(level.target_lu, abs=0.1)
            assert level.reached_lu == pytest.approx(read, abs=0.02)
        assert result.renders[name] < 15 * controls
    assert result.limits == {}


@pytest.mark.parametrize("order", ["after", "before"])
def test_a_stack_of_passages_sits_as_asked(folder: Path, order: str) -> None:
    lines = STACK | {'on = ["press", "grit", "push"]': 'above = { passage = "riff", lu = 1.5 }'}
    result = set_levels(board_of(folder, lines), order)
    check_by_outside_meter(result)
    assert set(result.settings) == {"press", "grit", "push"}
    assert list(result.passages) == ["verse", "riff", "solo"]


def test_a_board_made_in_python_is_checked_too(folder: Path) -> None:
    board = board_of(folder, STACK)
    for control, words in (
        ("push.gian_db", "cannot be turned: a boost has no control .gian_db."),
        ("psuh.gain_db", "no block 'psuh'.*did you mean 'push'"),
    ):
        wishes = board.set_levels.model_copy(update={"controls": (control,)})
        with pytest.raises(RequestError, match=words):
            set_levels(board.model_copy(update={"set_levels": wishes}), "after")


@pytest.mark.parametrize("lu", [2.0, 7.3])
def test_a_clean_boost_at_the_end_is_set_by_subtraction(folder: Path, lu: float) -> None:
    """Behind everything, into a mixer, a boost is a gain: a dB more is a LU more (closed form)."""
    lines = {'on = ["press", "grit", "push"]': f'above = {{ passage = "riff", lu = {lu} }}'}
    text = with_lines(BOARD, lines).replace(
        '["press", "grit", "push"]\nabove', '["grit", "push"]\nabove'
    )
    result = set_levels(read_board(text, folder=folder), "after")
    before = result.passages["solo"].before_lu
    assert before is not None
    assert result.settings["push"]["gain_db"] == pytest.approx(6 + lu - before, abs=0.1)
    assert set(result.settings) == {"push"}


def test_the_demo_board_sits_as_its_passages_ask() -> None:
    result = set_levels(read_board(starter("demo")), "split")
    check_by_outside_meter(result)


def test_what_others_are_held_against_keeps_its_loudness(folder: Path) -> None:
    level = set_levels(board_of(folder, STACK), "after").passages["verse"]
    assert level.target_lu is None
    assert level.reached_lufs == level.before_lufs


def test_one_control_alone_stays_under_fifteen_renders(folder: Path) -> None:
    lines = {'on = ["press", "grit", "push"]': "target_lufs = -25"}
    board = board_of(folder, lines, ["grit.level_db"])
    result = set_levels(board, "after", passages=["solo"])
    check_by_outside_meter(result)
    assert result.passages["solo"].target_lufs == -25
    assert result.passages["solo"].reached_lu == result.passages["solo"].reached_lufs
    assert set(result.passages) == {"solo"}


def test_a_pedals_position_can_be_set_too(folder: Path) -> None:
    lines = {'on = ["press", "grit", "push"]': 'above = { passage = "riff", lu = -3.0 }'}
    text = with_lines(BOARD, lines).replace('"press", "grit", "push"', '"foot", "grit"')
    text += '[set_levels]\ncontrols = ["foot.position"]\n'
    result = set_levels(read_board(text, folder=folder), "pedal")
    check_by_outside_meter(result)
    assert 0 < result.settings["foot"]["position"] < 1


def test_figures_are_of_a_render_with_the_settings_in_the_file(folder: Path) -> None:
    path = folder / "board.toml"
    path.write_text(with_lines(BOARD, STACK))
    result = simchain.set_levels(load_board(path), order="after")
    reread = read_board(updated(path.read_text(), result.changes), folder=folder)
    for name, level in result.passages.items():
        lufs = render(reread, "after", name, points=False).output.integrated_lufs
        assert level.reached_lufs == lufs
    values = [value for block in result.settings.values() for value in block.values()]
    assert all(round(20 * value) == pytest.approx(20 * value) for value in values)


def test_no_more_is_turned_than_needed(folder: Path) -> None:
    """Two controls could lift the solo; the one that does it with fewer dB is turned."""
    lines = {'on = ["press", "grit", "push"]': 'above = { passage = "riff", lu = 8.0 }'}
    result = set_levels(board_of(folder, lines, ["press.makeup_db", "push.gain_db"]), "after")
    check_by_outside_meter(result)
    assert result.settings["press"]["makeup_db"] == 3.0
    assert set(result.changes) == {("blocks", "push", "gain_db")}


def test_what_sits_right_is_left_alone(folder: Path) -> None:
    first = set_levels(board_of(folder, STACK), "after")
    again = set_levels(first.board, "after")
    assert again.changes == {}
    assert max(again.renders.values()) == 2


def test_a_boost_into_a_clipper_is_reported_with_its_curve(folder: Path) -> None:
    """Common practice, no source: a boost before a clipper gives dirt, not level."""
    lines = {'on = ["press", "grit", "push"]': 'above = { passage = "riff", lu = 6.0 }'}
    text = with_lines(BOARD, lines).replace(
        '"press", "grit", "push"]\nabove', '"grit", "push"]\nabove'
    )
    text += '[set_levels]\ncontrols = ["push.gain_db"]\n'
    board = read_board(text, folder=folder)
    result = set_levels(board, "before")
    level, limit = result.passages["solo"], result.limits["solo"]
    print(limit.text, limit.curve)
    assert not level.is_met
    assert limit.control == "push.gain_db"
    assert "push.gain_db cannot lift solo to 6.0 LU above riff" in limit.text
    assert "because grit gives no more" in limit.text
    assert "put push after grit" in limit.text
    assert 5 <= len(limit.curve) <= 7
    values, lu = zip(*limit.curve, strict=True)
    assert list(values) == sorted(values)
    assert (values[0], values[-1]) == (0, 25)
    assert lu[-1] - lu[0] < 0.25 * 25
    assert result.curve_renders["solo"] > 0
    most = with_settings(board.blocks["push"], {"gain_db": 25})
    at_end = board.model_copy(update={"blocks": board.blocks | {"push": most}})
    loud = {p: outside_lufs(at_end, "before", p) for p in ("riff", "solo")}
    assert lu[-1] == pytest.approx(loud["solo"] - loud["riff"], abs=0.02)
    behind = set_levels(board, "after")
    check_by_outside_meter(behind)


def test_a_target_met_dearly_says_what_it_costs(folder: Path) -> None:
    """A boost into a clipper that just manages: most of what it is turned by is dirt."""
    lines = {'on = ["press", "grit", "push"]': 'above = { passage = "riff", lu = LU }'}
    text = with_lines(BOARD, lines).replace(
        '"press", "grit", "push"]\nabove', '"grit", "push"]\nabove'
    )
    text += '[set_levels]\ncontrols = ["push.gain_db"]\n'
    here = set_levels(read_board(text.replace("LU", "0.0"), folder=folder), "before")
    stands = here.passages["solo"].before_lu or 0.0
    wanted = text.replace("LU", f"{stands + 0.6:.2f}")
    board = read_board(wanted, folder=folder)
    before = set_levels(board, "before")
    assert before.passages["solo"].is_met
    (told,) = [text for text in before.warnings if "is turned by" in text]
    print(told)
    assert "push.gain_db is turned by +" in told
    assert "what follows push takes the rest" in told
    assert not [text for text in set_levels(board, "after").warnings if "is turned by" in text]


def test_settings_that_clip_a_rail_say_so(folder: Path) -> None:
    lines = {'on = ["press", "grit", "push"]': 'above = { passage = "riff", lu = LU }'}
    text = with_lines(BOARD, lines) + '[set_levels]\ncontrols = ["push.gain_db"]\n'
    board = read_board(text.replace("LU", "0.0"), folder=folder)
    stands = set_levels(board, "after").passages["solo"].before_lu or 0.0
    peak = render(board, "after", "solo").points["push.out"].level.peak_volts
    low = text.replace("gain_db = 6 }", f"gain_db = 6, rail_volts = {1.05 * peak:.4f} }}")
    result = set_levels(read_board(low.replace("LU", f"{stands + 3:.2f}"), folder=folder), "after")
    assert result.passages["solo"].is_met
    assert any("push.out clips in solo" in text for text in result.warnings), result.warnings


def test_a_target_in_vain_does_not_spoil_the_others(folder: Path) -> None:
    lines = STACK | {'on = ["press", "grit", "push"]': 'above = { passage = "riff", lu = 20.0 }'}
    result = set_levels(board_of(folder, lines, ["grit.level_db", "push.gain_db"]), "before")
    assert set(result.limits) == {"solo"}
    assert result.passages["riff"].reached_lu == pytest.approx(4.0, abs=0.1)


def test_the_end_of_a_range_is_told_from_what_holds_back(folder: Path) -> None:
    lines = {'on = ["press", "grit", "push"]': 'above = { passage = "riff", lu = 40.0 }'}
    text = with_lines(BOARD, lines).replace("gain_db = 6 }", "gain_db = 6, rail_volts = 100 }")
    text += '[set_levels]\ncontrols = ["push.gain_db"]\n'
    limit = set_levels(read_board(text, folder=folder), "after").limits["solo"]
    assert "25 dB is as far as it is usually turned" in limit.text
    assert "LU are missing there" in limit.text


def test_one_control_for_two_targets_is_told(folder: Path) -> None:
    lines = {
        'on = ["press", "grit", "push"]': 'above = { passage = "riff", lu = 9.0 }\n'
        '[passages.coda]\non = ["grit", "push"]\nabove = { passage = "riff", lu = 3.0 }',
    }
    result = set_levels(board_of(folder, lines, ["push.gain_db"]), "after")
    (limit,) = result.limits.values()
    print(limit.text)
    assert "alone could bring" in limit.text
    assert "would miss" in limit.text


def test_a_target_that_nothing_can_move_is_told(folder: Path) -> None:
    lines = {'on = ["press", "grit", "push"]': 'above = { passage = "verse", lu = 9.0 }'}
    text = with_lines(BOARD, lines).replace(
        '"press", "grit", "push"]\nabove', '"press", "room"]\nabove'
    )
    result = set_levels(read_board(text, folder=folder), "after")
    assert result.settings == {}
    assert "nothing that may be turned moves solo" in result.limits["solo"].text
    assert result.limits["solo"].curve == ()


def test_a_passages_own_setting_stays_in_force(folder: Path) -> None:
    lines = STACK | {
        'on = ["press", "grit", "push"]': 'above = { passage = "riff", lu = 4.0 }\n'
        "set = { grit = { level_db = -9 } }"
    }
    result = set_levels(board_of(folder, lines), "after")
    check_by_outside_meter(result)
    assert result.board.block_in("solo", "grit").level_db == -9
    assert result.settings["grit"]["level_db"] != -6


def test_a_block_switched_on_during_the_passage_acts_too(folder: Path) -> None:
    lines = {
        'on = ["press", "grit", "push"]': 'above = { passage = "riff", lu = 3.0 }\n'
        'events = [{ at = 0.2, block = "push", do = "on" }]'
    }
    text = with_lines(BOARD, lines).replace('["press", "grit", "push"]\nabove', '["grit"]\nabove')
    result = set_levels(read_board(text, folder=folder), "after")
    check_by_outside_meter(result)
    assert set(result.settings) == {"push"}


def test_an_amplifier_of_ones_choice(folder: Path) -> None:
    result = set_levels(board_of(folder, STACK), "after", amp="clean")
    assert result.amp == "clean"
    check_by_outside_meter(result)


def test_a_control_left_out_by_the_order_is_left_alone(folder: Path) -> None:
    result = set_levels(board_of(folder, STACK, ["grit.level_db", "push.gain_db", "foot.position"]),
                        "after")  # fmt: skip
    assert any("this order leaves foot out" in text for text in result.warnings)
    assert "foot" not in result.settings


@pytest.mark.parametrize(
    ("control", "words"),
    [
        ("room.decay_s", "room is off or has its own decay_s"),
        ("idle.attack_ms", "it changes the loudness of no passage"),
        ("wide.level_db", "it moves passages and what they are held against alike"),
    ],
)
def test_a_control_that_moves_no_target(folder: Path, control: str, words: str) -> None:
    """A block that is off there, one that does nothing, one that is on in both passages."""
    lines = {'on = ["press", "grit", "push"]': 'above = { passage = "riff", lu = 3.0 }'}
    text = with_lines(BOARD, lines)
    for old, new in (
        ('on = ["grit"]', 'on = ["wide", "idle"]'),
        ('on = ["press", "grit", "push"]', 'on = ["push", "wide"]'),
        ('"grit", "push", "room"]', '"grit", "push", "room", "wide", "idle"]'),
        ("[amps.clean]", 'wide = { kind = "equalizer" }\n[amps.clean]'),
        ("[amps.clean]", 'idle = { kind = "compressor", ratio = 1 }\n[amps.clean]'),
    ):
        text = text.replace(old, new, 1)
    text += f'[set_levels]\ncontrols = ["{control}", "push.gain_db"]\n'
    with pytest.raises(RequestError, match=f"'{control}' moves no target.*{words}") as told:
        set_levels(read_board(text, folder=folder), "after")
    assert "\n" not in str(told.value)
    assert set_levels(read_board(text, folder=folder), "after", passages=["solo"]).limits == {}


def test_controls_that_a_player_would_turn() -> None:
    """The passage's own level controls; a tremolo, which seldom has one, for want of any other."""
    board = read_board(starter("demo"))
    chosen = {
        target.passage: [
            str(control) for control in controls_of(board, board.orders["series"], [target])[0]
        ]
        for target in targets_of(board, None)[1]
    }
    assert chosen == {
        "riff": ["grit.level_db"],
        "solo": ["press.level_db", "push.gain_db"],
        "intro": ["wobble.level_db"],
    }


def test_where_a_passage_has_nothing_of_its_own_its_reference_is_turned(folder: Path) -> None:
    lines = {'on = ["press", "room"]': 'above = { passage = "solo", lu = 0.0 }'}
    text = with_lines(BOARD, lines).replace('["press", "room"]\nabove', "[]\nabove")
    board = read_board(text, folder=folder)
    targets = targets_of(board, ["verse"])[1]
    controls = controls_of(board, board.orders["after"], targets)[0]
    assert [str(control) for control in controls] == [
        "press.level_db",
        "grit.level_db",
        "push.gain_db",
    ]


def test_passages_take_along_what_they_are_held_against() -> None:
    board = read_board(starter("demo"))
    assert targets_of(board, ["solo"])[0] == ("verse", "riff", "solo")


@pytest.mark.parametrize(
    ("unit", "low", "high", "fineness", "rounded"),
    [
        ("dB", 0, 25, 1, 12.3),
        ("dB", 0, 25, 2, 12.35),
        ("dB", 0, 12.31, 1, 12.3),
        ("dBu", -60, 0, 1, 0),
        ("", 0, 25, 1, 12.3),
        ("Hz", 0, 20_000, 1, 0),
    ],
)
def test_settings_are_as_coarse_as_a_knob(
    unit: str, low: float, high: float, fineness: int, rounded: float
) -> None:
    control = LevelControl("push", "gain_db", unit, low, high, start=6.0)
    assert control.rounded(12.3456, fineness) == rounded


def test_names_and_targets_that_are_not_there(folder: Path) -> None:
    board = board_of(folder, STACK)
    for call, words in (
        (lambda: set_levels(board, "aftr"), "no order 'aftr'.*did you mean 'after'"),
        (lambda: set_levels(board, "after", amp="loud"), "no amplifier 'loud'"),
        (lambda: set_levels(board, "after", passages=["sollo"]), "did you mean 'solo'"),
        (lambda: set_levels(board, "after", passages=["verse"]), "no passage of verse has a targ"),
        (lambda: set_levels(board_of(folder, {}), "after"), "no passage of .* has a target"),
    ):
        with pytest.raises(RequestError, match=words):
            call()


def test_silence_has_no_level_to_set(folder: Path) -> None:
    lines = {'on = ["press", "grit", "push"]': 'above = { passage = "riff", lu = 3.0 }'}
    text = with_lines(BOARD, lines).replace(
        "[passages.solo]", '[passages.solo]\nclip = "silent.wav"'
    )
    with pytest.raises(RequestError, match="'solo' is silent in this order"):
        set_levels(read_board(text, folder=folder), "after")


@pytest.mark.parametrize(
    ("control", "words"),
    [
        ("push.gian_db", "a boost has no control .gian_db.; did you mean 'gain_db'"),
        ("push.supply_volts", "belongs to the unit and its wiring"),
        ("grit.clip", "not set by a number"),
        ("grit.diodes_up", "not set by a number that can be turned in fine steps"),
        ("wobble.mix", "left out in the file"),
        ("psuh.gain_db", "the board has no block"),
        ("push", "BLOCK.CONTROL"),
    ],
)
def test_controls_that_cannot_be_turned_are_told_on_reading(control: str, words: str) -> None:
    text = BOARD.replace("[amps.clean]", 'wobble = { kind = "modulation" }\n[amps.clean]')
    with pytest.raises(BoardError, match=words) as told:
        read_board(f'{text}[set_levels]\ncontrols = ["{control}"]\n')
    (problem,) = told.value.problems
    assert problem.table == "set_levels"
    assert "\n" not in str(problem)


def test_a_circle_of_passages_is_one_line() -> None:
    lines = STACK | {'on = ["press", "room"]': 'above = { passage = "solo", lu = 1.0 }'}
    with pytest.raises(BoardError, match="goes in a circle") as told:
        read_board(with_lines(BOARD, lines))
    assert len(told.value.problems) == 1
    assert "\n" not in str(told.value)


def test_check_does_not_call_them_without_effect(folder: Path) -> None:
    lines = {'on = ["press", "grit", "push"]': "target_lufs = -25"}
    warnings = check_board(board_of(folder, lines, ["grit.level_db"]))
    assert not any("set_levels" in w.text or "target_lufs" in w.text for w in warnings)
