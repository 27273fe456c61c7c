"""The character of an order: what is rendered for it, and its figures through real small boards."""

import math

import numpy as np
import pytest

from simchain.board import Board, Order
from simchain.decide.causes import CAUSES, Character, causes, hiss_db, movement_of
from simchain.decide.character import characters
from simchain.decide.compare import compare
from simchain.decide.judge import TAKES, Cost, Judge
from simchain.decide.still import still
from simchain.signal import Volts
from tests.decide.conftest import RATE, MakeBoard
from tests.decide.test_causes import white_hiss_db

WIRE = 'kind = "boost", gain_db = 0, low_cut_hz = 0, high_cut_hz = 0, supply_volts = 60'
PUSH = WIRE.replace("gain_db = 0", "gain_db = 9")
ROOM = 'kind = "reverb", mix = 0.5'
WOBBLE = 'kind = "modulation", shape = "tremolo", depth = 0.8, rate_hz = 4'
# No knee, far below the tones here: what is 4 dB apart comes out 1 dB apart.
PRESS = 'kind = "compressor", threshold_dbu = -50, ratio = 4, knee_db = 0, makeup_db = 0'
CHORUS = 'kind = "modulation", shape = "chorus", outputs = 2'


def tone(seconds: float, peak: float = 0.1, hz: float = 1000.0) -> np.ndarray:
    return peak * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE)[None]


def two_levels() -> np.ndarray:
    """Four seconds, and four that are 9 dB softer."""
    return np.concatenate((tone(4.0, 0.3), tone(4.0, 0.3 * 10 ** (-9 / 20))), axis=1)


def short_note(whole_s: float = 3.0) -> np.ndarray:
    """A note of 150 ms, noise, and silence."""
    volts = np.zeros((1, round(whole_s * RATE)))
    length = round(0.15 * RATE)
    volts[:, :length] = 0.1 * np.random.default_rng(1).standard_normal(length)
    return volts


def plucks() -> np.ndarray:
    """Four notes that fall off, the last with a rest behind it; 2.5 s."""
    t = np.arange(round(2.5 * RATE)) / RATE
    wave = np.sin(2 * np.pi * 196 * t) + 0.3 * np.sin(2 * np.pi * 588 * t)
    return (0.2 * wave * np.exp(-8.0 * (t % 0.5)) * (t < 2.0))[None]


def a_board(
    make: MakeBoard, blocks: dict[str, str], volts: np.ndarray, tail_s: float = 0.0, more: str = ""
) -> Board:
    """All blocks are on in passage ``p``; `more` belongs to it."""
    lines = [f"{name} = {{ {settings} }}" for name, settings in blocks.items()]
    text = ["[blocks]", *lines, "[orders.o]", f"front = {list(blocks)!r}"]
    text += ["[passages.p]", f"on = {list(blocks)!r}", more]
    return make("\n".join(text).replace("'", '"'), volts, tail_s=tail_s)


def only_on(board: Board, *names: str) -> Board:
    """The board with these blocks alone on in passage ``p``."""
    passage = board.passage("p").model_copy(update={"on": names})
    return board.model_copy(update={"passages": {**board.passages, "p": passage}})


def told(
    board: Board,
    *orders: str,
    quiet: Volts | None = None,
    judged: bool = False,
    song: bool = False,
) -> tuple[list[Character], Cost]:
    """Return the orders' characters, and what was rendered; `judged`: all against the first."""
    judge = Judge(board, "s" if song else "p", None, is_song=song)
    sounds = judge.sounds([Order(front=tuple(order.split())) for order in orders])
    if judged:
        judge.judged([(sounds[0], other) for other in sounds[1:]])
    return characters(judge, sounds, [quiet] * len(sounds)), judge.cost


@pytest.mark.parametrize(
    ("blocks", "orders", "stills"),
    [
        ({"push": PUSH, "press": PRESS}, ["push press", "press push"], 0),
        ({"push": PUSH, "room": ROOM}, ["push room"], 1),
        ({"push": PUSH, "room": ROOM}, ["push room", "room push", "push"], 2),
        ({"push": PUSH, "wobble": WOBBLE}, ["push wobble"], 1),
        ({"room": ROOM, "wobble": WOBBLE}, ["room wobble"], 2),
        ({"room": ROOM, "wobble": WOBBLE}, ["room wobble", "wobble room", "room"], 5),
    ],
)
def test_what_is_rendered(
    make_board: MakeBoard, blocks: dict[str, str], orders: list[str], stills: int
) -> None:
    """One dry for each path with echoes, one held still where something sways; none twice."""
    _, cost = told(a_board(make_board, blocks, tone(0.5)), *orders)
    assert cost == Cost(renders=len(orders), still=stills)


def test_orders_of_one_path_are_rendered_once(make_board: MakeBoard) -> None:
    """Where a block that is off throughout, on buffered bypass or none, stands changes nothing."""
    board = a_board(make_board, {"push": PUSH, "room": ROOM, "off": PUSH}, tone(0.5))
    board = only_on(board, "push", "room")
    found, cost = told(board, "push room off", "push off room")
    assert cost.still == 1
    assert found[0].tone is found[1].tone


def test_an_amplifier_is_part_of_the_path(make_board: MakeBoard) -> None:
    """Nothing to hold still or to dry is nothing to render."""
    board = a_board(make_board, {"wire": WIRE}, tone(0.5), more="[amps.a]\ngain_db = 8")
    judge = Judge(board, "p", "a")
    sounds = judge.sounds([Order(front=("wire",))])
    characters(judge, sounds, [None])
    assert judge.cost == Cost(renders=1)


def test_touch_is_the_distance_of_loud_and_soft(make_board: MakeBoard) -> None:
    """9 dB; a quarter of it behind a compressor of 4 to 1. Within its detector's 0.03 dB."""
    board = a_board(make_board, {"wire": WIRE, "press": PRESS}, two_levels())
    wire, pressed = told(board, "wire", "press")[0]
    print(f"touch: {wire.touch_lu:.3f} LU of 9, compressed {pressed.touch_lu:.3f} of 2.25")
    assert wire.touch_lu == pytest.approx(9.0, abs=0.001)
    assert pressed.touch_lu == pytest.approx(9.0 / 4.0, abs=0.03)


@pytest.mark.parametrize("block", [ROOM, WOBBLE, 'kind = "delay", feedback = 0.9, mix = 0.7'])
def test_touch_and_tone_are_of_the_dry_sound(make_board: MakeBoard, block: str) -> None:
    """Held still too, at the tremolo's place at rest: no echo and no sway is uneven playing."""
    board = a_board(make_board, {"wire": WIRE, "it": block}, two_levels(), tail_s=1.0)
    wire, other = told(board, "wire", "wire it")[0]
    found = causes(wire, other, trim_lu=0.0, more_dirt_db=0.0)
    assert other.touch_lu == pytest.approx(9.0, abs=0.001)
    assert found["tone"].difference == pytest.approx(0.0, abs=1e-9)


def test_a_steady_tone_is_even_whatever_silence_is_about_it(make_board: MakeBoard) -> None:
    """Neither the 0.3 s before it nor the tail counts: a window half in silence is no soft note."""
    (found,) = told(a_board(make_board, {"wire": WIRE}, tone(0.8), tail_s=1.0), "wire")[0]
    assert found.touch_lu == pytest.approx(0.0, abs=0.001)


def test_nothing_moves_without_modulators(make_board: MakeBoard) -> None:
    blocks = {"press": PRESS, "grit": 'kind = "drive"', "room": ROOM}
    (found,) = told(a_board(make_board, blocks, plucks()), "press grit room")[0]
    assert found.movement_db == 0.0


def test_more_depth_moves_more_and_echoes_move_nothing(make_board: MakeBoard) -> None:
    """What is held still keeps its echoes: beside a loud delay hardly any sway is hardly any."""
    blocks = {"a_hair": WOBBLE.replace("0.8", "0.005"), "echo": 'kind = "delay", mix = 0.5'}
    blocks |= {"less": WOBBLE.replace("0.8", "0.4"), "more": WOBBLE}
    board = a_board(make_board, blocks, plucks(), tail_s=0.5)
    hair, less, more = told(board, "a_hair echo", "less", "more", judged=True)[0]
    print(f"movement {hair.movement_db:.3f}, {less.movement_db:.2f}, {more.movement_db:.2f} dB")
    assert 0.0 < hair.movement_db < 0.1
    assert 0.5 < less.movement_db < more.movement_db - 0.5


def test_movement_is_of_all_takes(make_board: MakeBoard) -> None:
    """Those of the first order of the same path, where there are several."""
    blocks = {"wobble": WOBBLE, "room": ROOM, "off": WIRE}
    board = only_on(a_board(make_board, blocks, plucks()), "wobble", "room")
    judge = Judge(board, "p", None)
    orders = ["wobble room", "wobble room off", "room wobble"]
    sounds = judge.sounds([Order(front=tuple(order.split())) for order in orders])
    judge.judged([(sounds[0], sounds[2])])
    found = [one.movement_db for one in characters(judge, sounds, [None] * 3)]
    held = Judge(still(board, ["wobble", "room"]), "p", None)
    (calm,) = held.sounds([sounds[0].order])
    assert len(judge.ears(sounds[0])) == TAKES
    expected = movement_of(judge.ears(sounds[0]), held.ears(calm)[0])
    assert found[0] == found[1] == expected != found[2]


def repeats(wet_over_dry_db: float) -> str:
    """A delay that fills all gaps between its repeats of `short_note`."""
    mix = 2.0 / math.pi * math.atan(10.0 ** (wet_over_dry_db / 20.0))
    line = 'kind = "delay", time_ms = 150, feedback = 0.8, tone_hz = 0, supply_volts = 60'
    return f"{line}, mix = {mix!r}"


def test_repeats_3_db_softer_are_3_db_less_tail(make_board: MakeBoard) -> None:
    """Equal-power mix: repeats over the note are the tangent. Nothing is near the floor here."""
    blocks = {"wire": WIRE, "loud": repeats(-10.0), "soft": repeats(-13.0)}
    wire, loud, soft = told(a_board(make_board, blocks, short_note()), *blocks)[0]
    assert wire.tail_db is not None
    assert set(wire.tail_db[~np.isnan(wire.tail_db)]) == {0.0}
    change = causes(loud, soft, trim_lu=0.0, more_dirt_db=0.0)
    assert change["tail"].difference == pytest.approx(-3.0, abs=0.01)
    # A second of rest, by 1.94 dB a repeat (0.8), the first 10 dB under the note.
    assert loud.tail_db is not None
    steps = 10.0 - 20.0 * math.log10(0.8) * (np.arange(0.03, 1.0, 0.01) // 0.15)
    assert np.nanmean(loud.tail_db) == pytest.approx(55.0 - steps.mean(), abs=1.0)
    assert causes(wire, soft, trim_lu=0.0, more_dirt_db=0.0)["dirt"].difference == 0.0


@pytest.mark.parametrize(("volts", "tail_s"), [(tone(1.0), 0.0), (short_note(0.3), 0.0)])
def test_without_rests_there_is_no_tail(
    make_board: MakeBoard, volts: np.ndarray, tail_s: float
) -> None:
    board = a_board(make_board, {"wire": WIRE, "room": ROOM}, volts, tail_s)
    dry, wet = told(board, "wire", "room")[0]
    assert dry.tail_db is None
    assert wet.tail_db is None
    assert causes(dry, wet, trim_lu=0.0, more_dirt_db=0.0)["tail"].difference is None


def test_a_tail_behind_the_clip_counts(make_board: MakeBoard) -> None:
    """The same short note with nothing behind it in the clip, but a second of tail."""
    board = a_board(make_board, {"wire": WIRE, "room": ROOM}, short_note(0.15), tail_s=1.0)
    dry, wet = told(board, "wire", "room")[0]
    found = causes(dry, wet, trim_lu=0.0, more_dirt_db=0.0)["tail"].difference
    assert found is not None
    assert found > 20.0


def test_what_is_switched_on_later_is_dried_too(make_board: MakeBoard) -> None:
    """A room that goes on in a rest before a second note."""
    volts = np.concatenate((short_note(1.0), short_note(1.0)), axis=1)
    event = 'events = [{ at = 0.5, block = "room", do = "on" }]'
    board = only_on(a_board(make_board, {"wire": WIRE, "room": ROOM}, volts, more=event), "wire")
    dry, wet = told(board, "wire", "wire room")[0]
    found = causes(dry, wet, trim_lu=0.0, more_dirt_db=0.0)
    assert found["tail"].difference is not None
    assert found["tail"].difference > 10.0
    assert found["tone"].difference == pytest.approx(0.0, abs=1e-9)


def test_hum_behind_the_clip_is_no_note(make_board: MakeBoard) -> None:
    """With a gate there is hum, here as loud as the clip: it ends where the clip does."""
    blocks = {"hush": 'kind = "gate", threshold_dbu = -80', "room": ROOM}
    board = a_board(make_board, blocks, tone(1.0, 0.01, 50.0), tail_s=1.0)
    loud = board.source.model_copy(update={"hum_dbu": -40.0})
    (found,) = told(board.model_copy(update={"source": loud}), "hush room")[0]
    assert found.tail_db is not None


def test_hiss_at_the_gain_at_which_the_sound_plays(make_board: MakeBoard) -> None:
    """A tone of 1 kHz plays at 75 dB SPL. A delay that takes 3 dB of it: all plays 3 dB louder."""
    late = 'kind = "delay", time_ms = 1450, mix = 0.5, supply_volts = 60'
    board = a_board(make_board, {"wire": WIRE, "late": late}, tone(1.4))
    judge = Judge(board, "p", None)
    sounds = judge.sounds([Order(front=(name,)) for name in ("wire", "late")])
    rms = math.sqrt(np.mean(sounds[0].rendering.output.samples ** 2))
    quiet = 1e-3 * rms * np.random.default_rng(6).standard_normal((1, RATE))
    wire, softer, unknown = characters(judge, [*sounds, sounds[0]], [quiet, quiet, None])
    # Windows of 0.4 s: 11 lie in the tone, of three 1/4, 1/2 and 3/4.
    gain = 10.0 ** (75.0 / 20.0) / rms / math.sqrt((11.0 + 1.5) / 14.0)
    expected = [hiss_db(quiet, RATE, gain * by) for by in (1.0, math.sqrt(2.0))]
    print(f"hiss: {wire.noise_db:.2f}, {softer.noise_db:.2f}, expected {np.round(expected, 2)} dB")
    assert (wire.noise_db, softer.noise_db) == pytest.approx(expected, abs=0.1)
    assert unknown.noise_db is None
    assert causes(wire, unknown, trim_lu=0.0, more_dirt_db=0.0)["noise"].difference is None


def test_hiss_before_a_compressor_comes_up_by_its_make_up(make_board: MakeBoard) -> None:
    """12 dB, in the rests; the tone, turned down, is as loud after either order.

    The drive is a wire here that hisses (blend at 0), below the compressor's threshold. What is
    left of the 12 dB above the ear's own noise is worked out from densities: 20 mV over 20 kHz,
    beside a tone that is 8.75 dB over the threshold, so turned down by 6.56, and plays at 75 dB
    SPL, less what three windows half in silence take of its loudness.
    """
    blocks = {"grit": 'kind = "drive", blend = 0, level_db = 0, noise_out_uv = 2e4'}
    blocks["press"] = PRESS.replace("-50", "-20").replace("makeup_db = 0", "makeup_db = 12")
    board = a_board(make_board, blocks, tone(2.0, 0.3))
    orders = [Order(front=("press", "grit")), Order(front=("grit", "press"))]
    (pair,) = compare(board, orders).pairs
    assert pair.causes is not None
    assert pair.trim_lu == pytest.approx(0.0, abs=0.05)
    tone_volts = 0.3 / math.sqrt(2.0) * 10.0 ** ((12.0 - 0.75 * 8.75) / 20.0)
    density = (0.02 / tone_volts) ** 2 / 20e3 * 10.0**7.5 / ((17.0 + 1.5) / 20.0)
    soft, loud = (white_hiss_db(density * 10.0 ** (db / 10.0)) for db in (0.0, 12.0))
    assert loud - soft == pytest.approx(11.5, abs=0.5), "hardly hidden"
    assert pair.causes["noise"].difference == pytest.approx(loud - soft, abs=0.1)
    assert pair.causes["touch"].difference == pytest.approx(0.0, abs=0.1)


def test_width_through_a_board(make_board: MakeBoard) -> None:
    """A block with two inputs after one with two outputs, or one with one: folded."""
    two = 'kind = "delay", mix = 0, inputs = 2, outputs = 2'
    board = a_board(make_board, {"wide": CHORUS, "two": two, "one": WIRE}, plucks())
    kept, folded = told(board, "wide two", "wide one")[0]
    assert -20.0 < kept.width_db < 0.0
    assert folded.width_db == -40.0
    assert (len(kept.tone), len(folded.tone)) == (1, 1), "dry, both have one channel"


@pytest.mark.parametrize("block", [WIRE, ROOM, WOBBLE, CHORUS])
def test_silence_has_no_character(make_board: MakeBoard, block: str) -> None:
    board = a_board(make_board, {"wire": WIRE, "it": block}, np.zeros((1, RATE)))
    quiet = 1e-6 * np.ones((1, RATE))
    found = told(board, "wire", "it", quiet=quiet, judged=True)[0]
    for one in found:
        assert math.isnan(one.touch_lu)
        assert math.isnan(one.width_db)
        assert (one.movement_db, one.tail_db, one.noise_db) == (0.0, None, None)
    names = causes(*found, trim_lu=0.0, more_dirt_db=0.0)
    unknown = {name for name, cause in names.items() if cause.difference is None}
    assert unknown == {"touch", "tail", "noise", "width"}


def test_what_is_shorter_than_400_ms_has_no_touch(make_board: MakeBoard) -> None:
    board = a_board(make_board, {"wire": WIRE, "room": ROOM}, tone(0.35), tail_s=1.0)
    dry, wet = told(board, "wire", "room")[0]
    assert math.isnan(dry.touch_lu)
    assert causes(dry, wet, trim_lu=0.0, more_dirt_db=0.0)["touch"].difference is None


def test_a_song_is_one_sound(make_board: MakeBoard) -> None:
    """A passage with 9 dB of boost after one without, and a room that only the second has wet."""
    more = (
        'set = { room = { mix = 0 } }\n[passages.q]\non = ["push", "room"]\n'
        'events = [{ at = 0.0, block = "room", set = { mix = 0.9 } }]\n'
        '[songs.s]\npassages = ["p", "q"]\n'
    )
    board = a_board(make_board, {"room": ROOM, "push": PUSH}, tone(4.0), 1.0, more)
    (found,), cost = told(only_on(board, "room"), "room push", song=True)
    assert cost.still == 1
    assert found.touch_lu == pytest.approx(9.0, abs=0.001)
    assert found.tail_db is not None
    assert np.nanmax(found.tail_db) > 20.0


def test_the_other_way_round_every_cause_changes_sign_and_no_more(make_board: MakeBoard) -> None:
    blocks = {"press": PRESS, "grit": 'kind = "drive"', "room": ROOM, "wide": CHORUS}
    board = a_board(make_board, blocks, plucks(), tail_s=0.5)
    orders = [Order(front=tuple(each.split())) for each in
              ("press grit room wide", "room wide grit press")]  # fmt: skip
    there, back = (compare(board, each).pairs[0].causes for each in (orders, orders[::-1]))
    assert there is not None
    assert back is not None
    for name in CAUSES:
        one, other = there[name], back[name]
        print(f"{name}: {one.difference}")
        assert one.difference is not None
        assert one.difference != 0.0
        sign = 1.0 if name == "tone" else -1.0
        assert other == one._replace(difference=sign * one.difference, band_db=-one.band_db)
