"""The board dry and still: whatever a passage or an event sets, no echo and no swaying is left."""

import numpy as np
import pytest

from simchain.blocks import Moment, kinds
from simchain.board import Board
from simchain.chain.timeline import timeline_of_passage, timeline_of_song
from simchain.decide.still import dry_and_still, still
from tests.decide.conftest import RATE, MakeBoard

BOARD = """
[blocks]
room = { kind = "reverb", mix = 0.3 }
echo = { kind = "delay", voice = "tape", flutter = 0.2 }
wobble = { kind = "modulation", shape = "tremolo" }
push = { kind = "boost" }
[orders.o]
front = ["room", "echo", "wobble", "push"]
[passages.plain]
on = ["room", "echo", "wobble", "push"]
[passages.set]
on = ["room", "echo", "wobble", "push"]
set = { room = { mix = 0.8, level_db = -3 }, wobble = { rate_hz = 2, depth = 0.9 } }
events = [
  { at = 0.1, block = "room", set = { mix = 1.0 } },
  { at = 0.2, block = "wobble", set = { rate_hz = 9, depth = 0.2 } },
  { at = 0.3, block = "push", set = { gain_db = 9 } },
  { at = 0.4, block = "room", do = "off" },
]
[songs.s]
passages = ["plain", "set"]
"""
ALL = ("room", "echo", "wobble", "push")


@pytest.fixture
def board(make_board: MakeBoard, noise: np.ndarray) -> Board:
    return make_board(BOARD, noise)


@pytest.mark.parametrize("passage", ["plain", "set"])
def test_nothing_sways_and_nothing_echoes(board: Board, passage: str) -> None:
    held = dry_and_still(board, ALL)
    assert board.block_in(passage, "wobble").modulates()
    assert not any(held.block_in(passage, name).modulates() for name in ALL)
    impulse = np.zeros((1, RATE))
    impulse[0, 0] = 0.01
    for name in ("room", "echo"):
        made = held.block_in(passage, name).process(impulse, Moment(RATE))
        assert np.array_equal(made[:1], impulse)
    assert held.block_in("set", "room").level_db == -3.0
    assert held.block_in("set", "wobble").depth == 0.9


def test_no_event_undoes_it_and_other_events_stay(board: Board) -> None:
    """Over the whole timeline: mix at 0, rate at 0; depth, gain and switches move as before."""
    held = dry_and_still(board, ALL)
    timelines = (timeline_of_passage(held, "set"), timeline_of_song(held, "s", [RATE, RATE]))
    for timeline in timelines:
        for name, control in (("room", "mix"), ("wobble", "rate_hz")):
            curve = dict(timeline.curves(name)).get(control)
            values = {value for _, value in curve.points} if curve else {0.0}
            assert values == {0.0}
    events = held.passage("set").events
    assert [event.at for event in events] == [0.2, 0.3, 0.4]
    assert [event.set for event in events] == [{"depth": 0.2}, {"gain_db": 9}, {}]


def test_still_alone_keeps_the_echoes(board: Board) -> None:
    held = still(board, ALL)
    assert held.block_in("plain", "room") == board.block_in("plain", "room")
    assert held.block_in("set", "room").mix == 0.8
    assert not held.block_in("set", "wobble").modulates()
    assert held.block_in("plain", "echo").flutter == 0.0


def test_blocks_that_are_not_named_and_the_board_itself_stay(board: Board) -> None:
    before = board.model_copy(deep=True)
    held = dry_and_still(board, ["room"])
    assert held.blocks["wobble"] == board.blocks["wobble"]
    assert held.passage("set").set["wobble"] == board.passage("set").set["wobble"]
    assert held.passage("set").events[0].block == "wobble"
    assert board == before


def test_of_every_kind() -> None:
    for kind, block in kinds().items():
        held = block().dry().frozen()
        assert held.kind == kind
        assert not held.modulates()
