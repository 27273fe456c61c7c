"""Long work that is told to stop: it ends soon, and leaves no thread behind."""

import pickle
import threading
import time
from collections.abc import Callable
from pathlib import Path
from threading import Event
from typing import Any

import numpy as np
import pytest
import soundfile

from simchain import load_board
from simchain.board import Board
from simchain.chain.walk import StoppedError
from simchain.decide.compare import compare
from simchain.decide.parallel import Stop
from simchain.decide.search import search
from simchain.decide.set_levels import set_levels
from simchain.report.search_page import auditions

RATE = 48_000
WITHIN_S = 2.0
BOARD = """
source = { kind = "guitar", clip = "clip.wav" }
[amps]
clean = {}
[blocks]
press = { kind = "compressor" }
grit = { kind = "drive" }
push = { kind = "boost" }
[orders]
one = { front = ["press", "grit", "push"] }
other = { front = ["grit", "press", "push"] }
[passages.low]
on = ["press"]
[passages.high]
on = ["press", "grit", "push"]
above = { passage = "low", lu = 3 }
"""


@pytest.fixture
def board(tmp_path: Path) -> Board:
    seconds = np.arange(RATE) / RATE
    soundfile.write(tmp_path / "clip.wav", 0.3 * np.sin(2 * np.pi * 196.0 * seconds), RATE)
    (tmp_path / "board.toml").write_text(BOARD)
    return load_board(tmp_path / "board.toml")


def searched(board: Board, stop: Event, told: Callable[..., None]) -> Any:
    return search(board, progress=told, stop=stop)


def levelled(board: Board, stop: Event, told: Callable[..., None]) -> Any:
    return set_levels(board, "one", progress=told, stop=stop)


def compared(board: Board, stop: Event, told: Callable[..., None]) -> Any:
    return compare(board, ["one", "other"], progress=told, stop=stop)


WORKS = [searched, levelled, compared]


@pytest.mark.parametrize("work", WORKS)
def test_it_ends_soon_after_it_is_told_to_stop(work: Any, board: Board) -> None:
    stop, stopped_at, before = Event(), [], set(threading.enumerate())

    def told(*_: Any) -> None:
        stopped_at.append(time.monotonic())
        stop.set()

    with pytest.raises(StoppedError):
        work(board, stop, told)
    assert time.monotonic() - stopped_at[0] < WITHIN_S
    assert set(threading.enumerate()) <= before


@pytest.mark.parametrize("work", WORKS)
def test_nothing_is_done_when_it_is_told_before(work: Any, board: Board) -> None:
    stop = Event()
    stop.set()
    with pytest.raises(StoppedError):
        work(board, stop, lambda *_: None)


def test_what_a_search_lets_hear_can_be_stopped(board: Board) -> None:
    stop = Event()
    found = search(board, full=False, stop=stop)
    assert not stop.is_set()  # of him who may stop it: it is left alone
    stop.set()
    with pytest.raises(StoppedError):
        auditions(found, stop=stop)


def test_groups_are_not_gone_on_with(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between passes there is no progress to tell: what is stopped there ends there."""
    from simchain.decide.alike import Alike

    stop, seen = Event(), []

    def louder_in(*_: Any) -> Any:
        seen.append(stop.set())
        return np.zeros(1)

    monkeypatch.setattr(Alike, "_louder_in", louder_in)
    with pytest.raises(StoppedError):
        search(board, full=False, stop=stop)
    assert len(seen) == 1


def test_a_stop_is_that_of_the_outer_one_too_but_not_the_other_way_round() -> None:
    outer = Event()
    inner, beside = Stop(outer), Stop(outer)
    inner.set()
    assert (inner.is_set(), beside.is_set(), outer.is_set()) == (True, False, False)
    outer.set()
    assert beside.is_set()
    assert not pickle.loads(pickle.dumps(beside)).is_set()
