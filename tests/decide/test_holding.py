"""Where free moves stop holding: on boards of which theory says where that is.

That linear units commute, that a unit below its threshold or its rail is one, and what a
compressor's slope and a potentiometer's divider give, is textbook.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from simchain import clips
from simchain.board import Board, Order, load_board
from simchain.chain.path import path_from
from simchain.chain.render import render
from simchain.chain.source import source_of
from simchain.decide import holding as holding_module
from simchain.decide.conditions import CONDITIONS, changed
from simchain.decide.holding import FreeMove, Held, Tried, holding, moved_blocks, tried, turn_for
from simchain.decide.judge import Cost, Judge
from simchain.signal import Signal, read_clip, write_float_wav
from simchain.units import db_to_ratio, ratio_to_db, volts_to_dbu
from tests.decide.conftest import RATE, MakeBoard

WITHOUT_POTS = ("picking_softer", "picking_harder", "levels_up", "levels_down")


def order(text: str) -> Order:
    return Order(front=tuple(text.split()))


def swapped(first: str, second: str) -> FreeMove:
    return FreeMove(order(f"{first} {second}"), order(f"{second} {first}"))


def shown(result: Tried) -> dict[str, Held]:
    """Print what was found of one move, by condition."""
    (held,) = result.held
    for one in held:
        print(
            f"{one.condition}: {one.judged.score.verdict}, S {one.judged.score.score:.2f}, "
            f"{one.left_lu:+.3f} LU left, null {one.judged.difference.null_db:.0f} dB, "
            f"{'holds' if one.holds else 'stops'}"
        )
    print(result.cost)
    return {one.condition: one for one in held}


def riff(peak_volts: float, seconds: float = 2.0) -> np.ndarray:
    volts = read_clip(clips.path("riff")).volts[:, : round(seconds * RATE)]
    return volts * (peak_volts / np.abs(volts).max())


def tone(hz: float, peak_volts: float, seconds: float = 2.0) -> np.ndarray:
    return peak_volts * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE)[None]


LINEAR = """
[blocks]
push = { kind = "boost", gain_db = 6, rail_volts = 100 }
tilt = { kind = "equalizer", rail_volts = 100, bands = [{ hz = 700, db = 3, q = 1 }] }
[orders.o]
front = ["push", "tilt"]
[passages.p]
on = ["push", "tilt"]
"""


def test_linear_blocks_far_below_their_rails_hold_everywhere(make_board: MakeBoard) -> None:
    found = holding(make_board(LINEAR, riff(0.3)), "p", None, [swapped("push", "tilt")])
    held = shown(found)
    assert tuple(held) == WITHOUT_POTS
    for one in held.values():
        assert one.holds
        assert one.judged.score.verdict == "same"
        assert one.judged.difference.null_db < -200
    assert found.cost == Cost(renders=2 * 4)


def test_a_rail_within_6_db_stops_it_when_picked_harder_and_only_then(
    make_board: MakeBoard,
) -> None:
    """A rail at three times the clip's peak p; 6 dB before it make 2 p, and 4 p of twice the volts.

    With levels 2 dB up they make 2.5 p. The other order asks for 2 p at most.
    """
    p = 0.3
    text = """
        [blocks]
        push = { kind = "boost", gain_db = 0, low_cut_hz = 0, high_cut_hz = 0, rail_volts = 0.9 }
        more = { kind = "boost", gain_db = 6.0206, low_cut_hz = 0, high_cut_hz = 0, rail_volts = 9 }
        [orders.o]
        front = ["push", "more"]
        [passages.p]
        on = ["push", "more"]
    """
    board = make_board(text, riff(p))
    held = shown(holding(board, "p", None, [swapped("push", "more")]))
    assert {name: one.holds for name, one in held.items()} == {
        name: name != "picking_harder" for name in WITHOUT_POTS
    }
    assert held["picking_harder"].judged.score.decided_by == "dirt"
    for blocks, here, harder in (("push more", 9.542, 3.522), ("more push", 3.522, -2.499)):
        for state, headroom_db in ((board, here), (changed(board, "picking_harder"), harder)):
            (sound,) = Judge(state, "p", None).sounds([order(blocks)])
            headroom = sound.rendering.points["push.in"].headroom
            assert headroom.db == pytest.approx(headroom_db, abs=0.002)


PRESSED = """
[blocks]
press = {{ kind = "compressor", threshold_dbu = {threshold_dbu}, ratio = 2, knee_db = 0, \
rail_volts = 100 }}
tilt = {{ kind = "equalizer", rail_volts = 100, bands = [{{ hz = 997, db = 3, q = 1 }}] }}
[orders.o]
front = ["press", "tilt"]
[passages.p]
on = ["press", "tilt"]
"""


def test_a_threshold_just_above_stops_it_by_the_level_alone(make_board: MakeBoard) -> None:
    """3 dB more before a compressor of 2:1 come out as 1.5 dB, as soon as all is above threshold.

    The threshold lies 5.5 dB above the tone, so neither order meets it, nor with 2 dB more; 6 dB
    harder both do. The published curve is met within 0.03 dB (see the compressor).
    """
    sine = tone(997, 0.1)
    threshold = volts_to_dbu(0.1 / np.sqrt(2)) + 5.5
    board = make_board(PRESSED.format(threshold_dbu=threshold), sine)
    held = shown(holding(board, "p", None, [swapped("press", "tilt")]))
    for name in ("picking_softer", "levels_up", "levels_down"):
        assert held[name].holds
        assert held[name].judged.score.verdict == "same"
    harder = held["picking_harder"]
    assert not harder.holds
    assert harder.judged.score.verdict == "free"
    assert harder.left_lu == pytest.approx(-1.5, abs=0.05)


def test_the_level_left_is_that_after_the_turn(make_board: MakeBoard) -> None:
    """Above the threshold throughout, the same turn serves: 1.5 dB up; without it nothing holds."""
    sine = tone(997, 0.1)
    threshold = volts_to_dbu(0.1 / np.sqrt(2)) - 10.0
    board = make_board(PRESSED.format(threshold_dbu=threshold), sine)
    move = swapped("press", "tilt")
    turn_db = turn_for([-1.5], board.judging.free_move_lu)
    assert turn_db == 1.5
    turned = shown(holding(board, "p", None, [FreeMove(move.a, move.b, turn_db)]))
    plain = shown(holding(board, "p", None, [move]))
    assert [turned[name].holds for name in WITHOUT_POTS[:2]] == [True, True]
    assert [plain[name].holds for name in WITHOUT_POTS[:2]] == [False, False]
    for name, one in turned.items():
        # Levels 2 dB up put 2 dB more into the compressor in one of the orders: 1 dB comes out.
        more = {"levels_up": -1.0, "levels_down": 1.0}.get(name, 0.0)
        assert one.left_lu == pytest.approx(more, abs=0.05)
        assert one.left_lu == plain[name].left_lu + turn_db


GUITAR = """
tail_s = 0
[source]
kind = "guitar"
clip = "clip.wav"
{calibration}
[blocks]
push = {{ kind = "boost", level_db = -3 }}
grit = {{ kind = "drive", level_db = 79 }}
[orders.o]
front = ["push"]
[passages.p]
on = ["push"]
[passages.q]
on = ["push"]
set = {{ push = {{ level_db = -59 }}, source = {{ volume = 0.5 }} }}
events = [
    {{ at = 0.2, block = "source", set = {{ volume = 1.0, tone = 0.2 }}, over_ms = 50 }},
    {{ at = 0.2, block = "push", set = {{ level_db = 0 }} }},
]
[songs.s]
passages = ["p", "q"]
"""


@dataclass
class Measured:
    """Complex amplitude of a tone at a test point."""

    board: Board
    hz: float

    def at(self, point: str) -> complex:
        volts = render(self.board, "o", "p").points[point].volts[0]
        n = np.arange(volts.size // 2, volts.size)
        return complex(2 * np.mean(volts[n] * np.exp(-2j * np.pi * self.hz * n / RATE)))


def guitar(folder: Path, hz: float = 200.0, calibration: str = "") -> Board:
    write_float_wav(folder / "clip.wav", Signal(tone(hz, 0.1, 0.5), RATE))
    (folder / "board.toml").write_text(GUITAR.format(calibration=calibration))
    return load_board(folder / "board.toml")


@pytest.mark.parametrize("calibration", ["full_scale_dbu = 9", "loudest_peak_volts = 0.4"])
def test_picking_6_db_harder_is_twice_the_volts(tmp_path: Path, calibration: str) -> None:
    board = guitar(tmp_path, calibration=calibration)
    plain = render(board, "o", "p").points["source"].volts
    for condition, factor in (("picking_harder", 2.0), ("picking_softer", 0.5)):
        volts = render(changed(board, condition), "o", "p").points["source"].volts
        assert volts == pytest.approx(factor * plain, rel=1e-12)


def jack(hz: float, volume: float) -> complex:
    """Volts at the boost's input for 1 V in the coil, of the pickup that a board has by default.

    Coil 6.2 kohm and 2.6 H, 115 pF across it; tone pot at full, 250 kohm in series with 22 nF;
    volume pot 250 kohm; 6 m of cable at 100 pF/m; 1 Mohm. By hand: two dividers.
    """
    s = 2j * np.pi * hz
    load = 1 / (1 / (volume * 250e3 + 1) + s * 600e-12 + 1 / 1e6)
    upper = (1 - volume) * 250e3 + 1
    across = 1 / (s * 115e-12 + 1 / (250e3 + 1 + 1 / (s * 22e-9)) + 1 / (upper + load))
    return load / (load + upper) * across / (across + 6200 + s * 2.6)


@pytest.mark.parametrize("hz", [200.0, 2000.0, 5000.0])
def test_half_volume_is_what_the_pots_circuit_gives(tmp_path: Path, hz: float) -> None:
    board = guitar(tmp_path, hz)
    full, half = (
        Measured(changed(board, condition), hz) for condition in ("volume_full", "volume_half")
    )
    measured = ratio_to_db(abs(half.at("push.in") / full.at("push.in")))
    circuit = ratio_to_db(abs(jack(hz, 0.5) / jack(hz, 1.0)))
    print(f"{hz:g} Hz: {measured:.3f} dB, by the circuit {circuit:.3f} dB")
    assert measured == pytest.approx(circuit, abs=0.03)
    assert half.at("source") == full.at("source")


def test_a_level_2_db_up_is_2_db_at_the_blocks_output(tmp_path: Path) -> None:
    board = guitar(tmp_path)
    plain = Measured(board, 200.0).at("push.out")
    for condition, db in (("levels_up", 2.0), ("levels_down", -2.0)):
        turned = Measured(changed(board, condition, ["push"]), 200.0)
        assert turned.at("push.out") == pytest.approx(db_to_ratio(db) * plain, rel=1e-12)
        assert turned.at("push.in") == Measured(board, 200.0).at("push.in")


def test_what_passages_and_their_events_set_is_changed_too(tmp_path: Path) -> None:
    board = guitar(tmp_path)
    before = board.model_dump(mode="json")
    up, down = (changed(board, each, ["push", "grit"]) for each in ("levels_up", "levels_down"))
    assert (up.blocks["push"].level_db, up.blocks["grit"].level_db) == (-1.0, 80.0)
    assert up.block_in("q", "push").level_db == -57.0
    assert down.block_in("q", "push").level_db == -60.0
    assert [event.set for event in up.passage("q").events] == [
        {"volume": 1.0, "tone": 0.2},
        {"level_db": 2.0},
    ]
    half = changed(board, "volume_half")
    assert half.pickup_in("p").volume == half.pickup_in("q").volume == 0.5
    assert [event.set for event in half.passage("q").events] == [
        {"volume": 0.5, "tone": 0.2},
        {"level_db": 0},
    ]
    for condition in CONDITIONS:
        changed(board, condition, ["push"])
    assert board.model_dump(mode="json") == before


def test_volume_is_tried_where_it_is_another_and_a_song_is_tried_whole(tmp_path: Path) -> None:
    board = guitar(tmp_path)
    move = FreeMove(order("push grit"), order("grit push"))
    in_p = shown(holding(board, "p", None, [move]))
    assert list(in_p) == ["picking_softer", "picking_harder", "volume_half"], "grit is off there"
    in_song = shown(holding(board, "s", None, [move], is_song=True))
    assert list(in_song) == ["picking_softer", "picking_harder", "volume_half", "volume_full"]
    assert {one.music for one in in_song.values()} == {"s"}


def test_the_board_stays_as_it_is(make_board: MakeBoard) -> None:
    board = make_board(LINEAR, riff(0.3, 0.5))
    before, text = board.model_dump(mode="json"), Path(board.folder, "board.toml").read_text()
    holding(board, "p", None, [swapped("push", "tilt")])
    assert board.model_dump(mode="json") == before
    assert Path(board.folder, "board.toml").read_text() == text


def test_nothing_is_tried_where_nothing_can_change(make_board: MakeBoard) -> None:
    """Silence picked harder is silence; levels of blocks that are off turn nothing."""
    board = make_board(LINEAR.replace('on = ["push", "tilt"]', "on = []"), np.zeros((1, RATE)))
    found = holding(board, "p", None, [swapped("push", "tilt")])
    assert found.held == ((),)
    assert found.cost == Cost()
    assert holding(board, "p", None, []).held == ()


THREE = LINEAR.replace("[orders.o]", 'echo = { kind = "delay", rail_volts = 100 }\n[orders.o]')
THREE = THREE.replace('["push", "tilt"]', '["push", "tilt", "echo"]')


def test_orders_of_several_moves_are_rendered_once_and_apart_where_memory_is_short(
    make_board: MakeBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    board = make_board(THREE, riff(0.3, 1.0))
    given = order("push tilt echo")
    moves = [FreeMove(given, order("tilt push echo")), FreeMove(given, order("push echo tilt"))]
    harder = tried(board, "picking_harder", "p", None, moves)
    assert harder.cost.renders == 3
    up = tried(board, "levels_up", "p", None, moves)
    assert up.cost.renders == 4, "other levels are up for each"
    walks = []

    def counted(*given: object, **more: object) -> object:
        walks.append(len(given[1]))
        return walk(*given, **more)

    walk = holding_module.walk
    monkeypatch.setattr(holding_module, "walk", counted)
    tried(board, "levels_up", "p", None, moves)
    monkeypatch.setattr(holding_module, "FRAMES_AT_ONCE", 1)
    apart = tried(board, "levels_up", "p", None, moves)
    assert walks == [4, 2, 2]
    for (one,), (other,) in zip(up.held, apart.held, strict=True):
        assert one.judged.score == other.judged.score
        assert one.left_lu == other.left_lu


def test_blocks_that_change_place(make_board: MakeBoard) -> None:
    text = THREE.replace('on = ["push", "tilt", "echo"]', 'on = ["push", "echo"]')
    text = f'amps = {{ clean = {{}} }}\n{text}[output]\namps = ["clean"]\n'
    board = make_board(text, riff(0.3, 0.1))
    source = source_of(board, "p")

    def moved(a: Order, b: Order) -> set[str]:
        return set(moved_blocks(*(path_from(source, board, each, "clean") for each in (a, b))))

    assert moved(order("push tilt echo"), order("tilt push echo")) == {"push"}, "a buffer stays in"
    assert moved(order("push tilt echo"), order("echo tilt push")) == {"push", "echo"}
    split = Order(front=("push", "tilt"), loop=("echo",))
    assert moved(order("push tilt echo"), split) == {"echo"}
    assert moved(order("push tilt"), order("push tilt echo")) == {"echo"}
    assert moved(order("push tilt echo"), order("push tilt echo")) == set()


def test_turns() -> None:
    assert turn_for([0.4, -0.4], 0.5) == 0.0
    assert turn_for([3.0, 3.4], 0.5) == pytest.approx(-3.2)
    assert turn_for([0.0, 3.0], 0.5) is None
