"""What is kept of walks: sounds as `render` makes them, and nothing run twice."""

import itertools
import random

import numpy as np
import pytest

from simchain import clips
from simchain.board import Board, Order, load_board
from simchain.chain.kept import Kept
from simchain.chain.path import path_from
from simchain.chain.render import render
from simchain.chain.source import source_of
from simchain.chain.walk import Rendering
from simchain.errors import RequestError
from simchain.signal import Signal, read_clip, write_float_wav

BOARD = """
tail_s = 0.3
source = { kind = "guitar", clip = "clip.wav" }
[blocks]
press = { kind = "compressor", bypass = "buffered" }
grit = { kind = "drive", gain_db = 20, bypass = "true" }
sway = { kind = "modulation", shape = "chorus" }
echo = { kind = "delay", outputs = 2, spread = 0.5 }
[amps.mine]
loop_mix = 0.6
[output]
amps = ["mine"]
[orders.now]
front = ["press", "grit"]
loop = ["sway", "echo"]
[passages.p]
on = ["press", "sway", "echo"]
events = [{ at = 0.4, do = "on", block = "grit" }]
"""
NAMES = ("press", "grit", "sway", "echo")


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    folder = tmp_path_factory.mktemp("kept")
    played = read_clip(clips.path("riff"))
    short = np.ascontiguousarray(played.volts[:, : played.rate])
    write_float_wav(folder / "clip.wav", Signal(short, played.rate))
    (folder / "board.toml").write_text(BOARD)
    return load_board(folder / "board.toml")


def rendered(kept: Kept, board: Board, order: Order) -> Rendering:
    source = source_of(board, "p")
    assert source.signal is not None
    return kept.render(board, path_from(source, board, order, "mine"), source, source.signal.volts)


def orders() -> list[Order]:
    """All ways to split all sequences, in a sequence of their own."""
    found = [
        Order(front=names[:at], loop=names[at:])
        for names in itertools.permutations(NAMES)
        for at in range(len(NAMES) + 1)
    ]
    random.Random(5).shuffle(found)
    return found


@pytest.mark.parametrize("most_bytes", [400_000_000, 3_000_000, 0])
def test_it_sounds_and_reads_as_render_does(board: Board, most_bytes: int) -> None:
    """Orders after one another, so that each starts where others have stood."""
    kept = Kept(most_bytes)
    for order in orders()[: 24 if most_bytes else 6]:
        here, there = rendered(kept, board, order), render(board, order, "p", points=False)
        assert np.array_equal(here.output.samples, there.output.samples), order
        assert {name: point.level for name, point in here.points.items()} == {
            name: point.level for name, point in there.points.items()
        }
        assert {name: point.headroom for name, point in here.points.items()} == {
            name: point.headroom for name, point in there.points.items()
        }


def test_only_what_follows_a_change_is_run(board: Board) -> None:
    kept = Kept()
    rendered(kept, board, Order(front=("press", "grit"), loop=("sway", "echo")))
    all_of_it = kept.steps_run
    assert all_of_it == 4 + 3, "blocks; preamp, power stage, cabinet"
    rendered(kept, board, Order(front=("press", "grit"), loop=("echo", "sway")))
    assert kept.steps_run - all_of_it == 2 + 2, "what the loop holds, and what comes behind"
    before = kept.steps_run
    rendered(kept, board, Order(front=("press", "grit"), loop=("sway", "echo")))
    assert kept.steps_run == before, "nothing"


def test_the_oldest_go_when_room_is_short(board: Board) -> None:
    """Room for about one order: what is gone is run again."""
    order, *others = orders()[:3]
    frames = round(1.3 * board.rate)
    kept = Kept(9 * 8 * frames)
    rendered(kept, board, order)
    ran = kept.steps_run
    rendered(kept, board, order)
    assert kept.steps_run == ran
    for other in others:
        rendered(kept, board, other)
    ran = kept.steps_run
    rendered(kept, board, order)
    assert kept.steps_run > ran


@pytest.mark.parametrize("amp", ["mine", "mine+mine"])
def test_any_test_point_sounds_as_render_has_it(board: Board, amp: str) -> None:
    """Switched blocks, wires that go past them, both amplifiers of a pair: nothing is run again."""
    kept = Kept()
    for order in orders()[:6]:
        source = source_of(board, "p")
        volts = source.taken()
        path = path_from(source, board, order, amp)
        kept.render(board, path, source, volts)
        ran = kept.steps_run
        there = render(board, order, "p", amp=amp).points
        for name, point in there.items():
            found = kept.at_point(path, volts, name)
            assert point.volts is not None
            assert np.array_equal(np.broadcast_to(found, point.volts.shape), point.volts), name
        assert kept.steps_run == ran
    with pytest.raises(RequestError, match="no_such"):
        kept.at_point(path, volts, "no_such")
