"""What the coarse pass and the beam lose of the best, on boards small enough to hear all of.

The larger ones are `python -m tests.benchmarks.search_beam`.
"""

import numpy as np
import pytest

from simchain.board import Board
from simchain.decide.runs import COARSE, FULL
from tests.benchmarks.search_beam import Against, Ranking, against, asked_of, climbed_to
from tests.benchmarks.search_boards import board_of

FIVE = ("mids", "press", "grit", "sway", "fuzz")


@pytest.fixture(scope="module")
def board() -> Board:
    return board_of(FIVE, clip_s=1.5, goals="levels = 1\nheadroom = 1", target="target_lufs = -24")


@pytest.fixture(scope="module")
def coarse(board: Board) -> Ranking:
    with asked_of(board) as asked:
        return Ranking.of(asked, COARSE)


@pytest.fixture(scope="module")
def full(board: Board) -> Ranking:
    with asked_of(board) as asked:
        return Ranking.of(asked, FULL)


def test_true_best_lie_far_ahead_in_the_coarse_ranking(coarse: Ranking, full: Ranking):
    found = against(coarse, full)
    print(found)
    assert found.orders > 100  # of 120: one linear block commutes with next to nothing
    assert found.worst <= 30
    assert found.best_at <= 3
    assert found.winner_at <= 3


def test_orders_are_told_apart(full: Ranking):
    assert np.unique(full.score.round(3)).size > 50


def test_beam_finds_the_winner_of_all(board: Board, coarse: Ranking):
    told = climbed_to(board, 5, coarse)
    print(told)
    assert told.visited < len(coarse.score)
    assert told.place <= 3
    assert told.loss == pytest.approx(0.0, abs=0.1)


def test_ranking_turned_round_is_seen():
    score = np.arange(100.0)
    same = np.arange(100, dtype=np.int32)
    found = against(Ranking(-score, same), Ranking(score, same))
    assert found == Against(100, 100, 100, 100, 100, 99.0)


def test_ties_do_not_count_as_places_lost_but_are_told():
    score = np.arange(100.0)
    same = np.arange(100, dtype=np.int32)
    found = against(Ranking(np.zeros(100), same), Ranking(score, same))
    assert (found.worst, found.latest_if_unlucky) == (1, 100)
