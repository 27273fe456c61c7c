"""What the coarse pass and the beam lose of the best: python -m tests.benchmarks.search_beam

    python -m tests.benchmarks.search_beam [NUMBER ...]

`NUMBER` are those of `CASES`, from 0; left out, all. Coarse: orders ranked by the coarse pass
against the same ranked at full quality; asked for: the true best 20 inside the coarse best 60.
Beam: the winner of a search by beam in the ranking of all orders, both coarse.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import argparse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simchain.board import Board
from simchain.decide.climb import climbed
from simchain.decide.engine import engine
from simchain.decide.goals import weights_of
from simchain.decide.library import Library
from simchain.decide.runs import COARSE, FULL, Pass
from simchain.decide.search import allowed_orders
from simchain.decide.targets import with_held_against
from simchain.decide.trial import Asked, Trial
from tests.benchmarks.search_boards import SEVEN, SIX, SPACE, board_of, demo_board
from tests.benchmarks.table import Row, main

TRUE_BEST, KEPT, TOP = 20, 60, 10
BEAMS = (5, 10, 20)
LEVELS, TARGET = "levels = 1\nheadroom = 1", "target_lufs = -24"
# Scores nearer than this tie: rounding, not what an order does.
TIE = 1e-6

Floats = NDArray[np.float64]

CASES: dict[str, Callable[[], Board]] = {
    "6 blocks, levels and headroom": lambda: board_of(SIX, goals=LEVELS, target=TARGET),
    "6 in space, clarity, width, headroom": lambda: board_of(
        SPACE[:6], clip="lead", goals="clarity = 1\nwidth = 1\nheadroom = 0.5"
    ),
    "5 and a split, headroom and floor": lambda: board_of(
        ("press", "grit", "sway", "room", "mids"), amplifier=True, goals="headroom = 1\nfloor = 1"
    ),
    "5 and a split, 12 s, levels, headroom and dirt": lambda: board_of(
        ("press", "grit", "sway", "room", "mids"),
        clip_s=12.0,
        amplifier=True,
        goals="levels = 1\nheadroom = 1\ndirt = 0.5",
        target=TARGET,
    ),
    "demo board, its goals": demo_board,
    "7 blocks, levels and headroom": lambda: board_of(SEVEN, goals=LEVELS, target=TARGET),
    "7 in space, levels and clarity": lambda: board_of(
        SPACE, clip="funk", goals="levels = 1\nclarity = 1", target=TARGET
    ),
}


@contextmanager
def asked_of(board: Board, *, library: bool = False) -> Any:
    """Give what is searched: all orders of a board, on its amplifier, in all passages."""
    amp = board.output.amps[0] if board.output.amps else None
    played = with_held_against(board, tuple(board.passages))
    allowed = allowed_orders(board, None, has_amplifier=amp is not None)
    weights, _ = weights_of(board, played, has_amplifier=amp is not None)
    known = Library() if library else None
    with engine() as threads:
        yield Asked(board, amp, played, weights, allowed, threads, library=known)


@dataclass(frozen=True)
class Ranking:
    """All allowed orders: the score of each, and which are proved to be the same one."""

    score: Floats
    same: NDArray[np.int32]

    @classmethod
    def of(cls, asked: Asked, how: Pass) -> "Ranking":
        """Listen to all orders in one pass, and rank them."""
        trial = Trial(asked, how, asked.allowed.words())
        return cls(trial.table().score[trial.class_of], trial.class_of)

    def place(self, number: int) -> int:
        """Return a place from 1, of orders that differ; what ties with an order is not before."""
        better = self.score < self.score[number] - TIE
        return 1 + len(np.unique(self.same[better]))

    def ranked(self) -> NDArray[np.int32]:
        """Return one order of each sound, best first."""
        _, first = np.unique(self.same, return_index=True)
        return first[np.argsort(self.score[first], kind="stable")].astype(np.int32)


@dataclass(frozen=True)
class Against:
    """A coarse ranking against the full one.

    `worst` is the latest coarse place of the true best 20, `latest_if_unlucky` the same with all
    ties before them; `best_at` the coarse place of the true best. `winner_at` is the true place of
    the coarse winner, `loss` how much worse its score is.
    """

    orders: int
    worst: int
    latest_if_unlucky: int
    best_at: int
    winner_at: int
    loss: float


def against(coarse: Ranking, full: Ranking) -> Against:
    """Compare two rankings of the same orders."""
    best = full.ranked()[:TRUE_BEST]
    winner = coarse.ranked()[0]
    return Against(
        len(full.ranked()),
        max(coarse.place(each) for each in best),
        max(len(np.unique(coarse.same[coarse.score <= coarse.score[n] + TIE])) for n in best),
        coarse.place(best[0]),
        full.place(winner),
        float(full.score[winner] - full.score.min()),
    )


@dataclass(frozen=True)
class Climbed:
    """What a search by beam found: its winner's place among all, and how much worse its score is.

    `share` is that of the true best ten that it listened to, `visited` of how many orders.
    """

    place: int
    loss: float
    share: float
    visited: int


def climbed_to(board: Board, beam: int, every: Ranking) -> Climbed:
    """Search by beam, without the board's own order among what it begins with where it can."""
    with asked_of(board, library=True) as asked:
        words = asked.allowed.words()
        number_of = {word.tobytes(): number for number, word in enumerate(words)}
        visited = climbed(asked, beam).words
        numbers = np.array([number_of[word.tobytes()] for word in visited])
    winner = numbers[np.argmin(every.score[numbers])]
    top = every.same[every.ranked()[:TOP]]
    return Climbed(
        every.place(winner),
        float(every.score[winner] - every.score.min()),
        float(np.isin(top, every.same[numbers]).mean()),
        len(numbers),
    )


def options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("numbers", nargs="*", type=int, metavar="NUMBER")


def rows(given: argparse.Namespace) -> Iterator[Row]:
    """Tell what was found on each board."""
    for number in given.numbers or range(len(CASES)):
        name, board = list(CASES.items())[number][0], list(CASES.values())[number]()
        with asked_of(board) as asked:
            coarse, full = (Ranking.of(asked, how) for how in (COARSE, FULL))
        found = against(coarse, full)
        unit = f"place among {found.orders}"
        yield Row.of(
            f"{name}: the last of the true best {TRUE_BEST}, coarse", found.worst, unit, KEPT
        )
        yield Row.of(f"{name}: the same, all ties before it", found.latest_if_unlucky, unit)
        yield Row.of(f"{name}: the true best, coarse", found.best_at, unit)
        yield Row.of(f"{name}: the coarse best, truly", found.winner_at, unit)
        yield Row.of(f"{name}: score of the coarse best", found.loss, "worse")
        for beam in BEAMS:
            told = climbed_to(board, beam, coarse)
            what = f"{name}, beam {beam}"
            yield Row.of(f"{what}: its best", told.place, unit)
            yield Row.of(f"{what}: score of its best", told.loss, "worse")
            share = f"of them among {told.visited}"
            yield Row.of(f"{what}: best {TOP} that it heard", told.share, share)


if __name__ == "__main__":
    main(__doc__, rows, options)
