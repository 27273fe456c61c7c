"""Which of many orders are expected to sound alike, by what the ear has of each sound."""

import os
from collections.abc import Callable, Mapping, Sequence
from functools import cached_property
from threading import Event
from typing import NamedTuple

import numpy as np

from simchain.board import Board, Order
from simchain.chain.walk import stop_if_told
from simchain.decide.difference import Difference
from simchain.decide.judge import FREE_WORDS, silence_before
from simchain.decide.kept_ear import KeptEar, lines_of
from simchain.decide.listen import Listened
from simchain.decide.match import UNLIKE
from simchain.decide.parts import (
    Floats,
    Stack,
    distributions_db,
    long_term_changes_db,
    movements_db,
    stacked,
)
from simchain.decide.plan import Ints
from simchain.decide.probe import Driven, Probe
from simchain.decide.runs import Figures
from simchain.decide.score import NARROWEST_FREE_DB, PARTS, UNITS, scored

# Orders whose tones are played at once: they share steps, and each takes a sound's memory.
PROBED_AT_ONCE = 32


class _Sounds(NamedTuple):
    """The sounds of a passage: which one an order makes, in `row_of`, and all in all channels.

    `shown` is an order that makes each.
    """

    row_of: Ints
    shown: Ints
    widths: Floats
    channels: tuple[Stack, ...]


class Alike:
    """Tells whether orders, by their number, are expected to sound alike in every passage.

    `orders` are those that were listened to on `board`, which may be at a lower rate; `first` is
    what was listened to of each passage, and `further` gives what was at further phases of the
    modulators, once it is asked for. Pairs of sounds are looked at once. What decides is the score;
    a null is not looked for, since the sounds are not kept: sounds that are proved the same are one
    sound here.
    """

    def __init__(
        self,
        board: Board,
        amp: str | None,
        orders: Sequence[Order],
        first: Mapping[str, Listened],
        further: Callable[[], Mapping[str, Sequence[Listened]]],
        stop: Event | None = None,
    ) -> None:
        self.board, self.orders, self.first = board, orders, first
        self._further, self._stop = further, stop
        self._probe = Probe(board, amp, stop, threads=os.cpu_count() or 1)
        self._sounds: dict[str, _Sounds] = {}
        self._near: dict[tuple[str, int], Ints] = {}
        self._known: dict[tuple[str, int, int], float] = {}
        self._orders: dict[int, Order] = {}

    @cached_property
    def _takes_of(self) -> dict[str, tuple[Listened, ...]]:
        further = self._further()
        return {name: (one, *further.get(name, ())) for name, one in self.first.items()}

    def louder_lu(self, one: int, others: Ints) -> Floats:
        """Return by how much an order and others differ in level at most; NaN where they differ.

        In LU, over all passages. Raises StoppedError once it is told to stop.
        """
        most = np.zeros(len(others))
        for passage in self.first:
            stop_if_told(self._stop)
            left = np.flatnonzero(~np.isnan(most))
            most[left] = np.maximum(most[left], self._louder_in(passage, one, others[left]))
        return most

    def score(self, passage: str, a: int, b: int) -> float:
        """Return the score of one order against another in a passage."""
        leaf_of = self.first[passage].leaf_of
        if leaf_of[a] == leaf_of[b]:
            return 0.0
        one, other = (self._takes(passage, number) for number in (a, b))
        dirt_db, judging = self._more_dirt_db(passage, a, b), self.board.judging
        return scored(one, other, _plain(one, other), dirt_db=dirt_db, judging=judging).score

    def dirt_shares(self, passage: str, numbers: Sequence[int]) -> list[float]:
        """Return the mean share of nine tones that is residual, for each of some orders."""
        driven = [self._driven(passage, number) for number in numbers]
        for begin in range(0, len(driven), PROBED_AT_ONCE):
            self._probe.play([passage], driven[begin : begin + PROBED_AT_ONCE])
        return [float(np.mean(self._probe.shares(passage, each))) for each in driven]

    def _louder_in(self, passage: str, one: int, others: Ints) -> Floats:
        sounds = self._all(passage)
        row, rows = int(sounds.row_of[one]), sounds.row_of[others]
        asked = np.intersect1d(self._near_rows(passage, row), rows)
        unknown = [each for each in asked.tolist() if self._pair(passage, row, each) is None]
        self.dirt_shares(passage, [one, *sounds.shown[unknown].tolist()] if unknown else [])
        for each in unknown:
            self._known[passage, *sorted((row, each))] = self._judged(passage, row, each)
        found = np.full(len(sounds.shown), np.nan)
        found[asked] = [self._pair(passage, row, each) for each in asked.tolist()]
        return found[rows]

    def _pair(self, passage: str, a: int, b: int) -> float | None:
        """Return what is known of two sounds, None where they were not looked at."""
        return 0.0 if a == b else self._known.get((passage, min(a, b), max(a, b)))

    def _judged(self, passage: str, row: int, other_row: int) -> float:
        """Return how far two sounds differ in level; NaN where they differ in more."""
        a, b = (int(self._all(passage).shown[each]) for each in (row, other_row))
        one, other = (self._takes(passage, number) for number in (a, b))
        dirt_db, plain = self._more_dirt_db(passage, a, b), _plain(one, other)
        judged = scored(one, other, plain, dirt_db=dirt_db, judging=self.board.judging)
        return abs(plain.trim_lu) if judged.verdict in FREE_WORDS else np.nan

    def _near_rows(self, passage: str, row: int) -> Ints:
        """Return the sounds that are not far from one: few of all, seen at once.

        Far are those that one of the parts of the score tells apart by itself.
        """
        if (passage, row) not in self._near:
            sounds, judging = self._all(passage), self.board.judging
            limits = dict(zip(PARTS, judging.free_below * np.array(UNITS), strict=True))
            apart = np.abs(sounds.widths - sounds.widths[row])
            near = np.flatnonzero(apart < limits["width"])
            for channel in sounds.channels:
                changes = long_term_changes_db(channel, row, near).max(axis=1)
                near = near[changes <= NARROWEST_FREE_DB]
                near = near[movements_db(channel, row, near) < limits["movement"]]
                near = near[distributions_db(channel, row, near) < limits["distribution"]]
            self._near[passage, row] = near.astype(np.int32)
        return self._near[passage, row]

    def _all(self, passage: str) -> _Sounds:
        if passage not in self._sounds:
            first = self._takes_of[passage][0]
            _, shown, row_of = np.unique(first.leaf_of, return_index=True, return_inverse=True)
            heard = [self._takes(passage, number) for number in shown.tolist()]
            count = max(len(takes[0].lines) for takes in heard)
            channels = tuple(
                stacked([[take.lines[c % len(take.lines)] for take in takes] for takes in heard])
                for c in range(count)
            )
            widths = np.array([np.mean([take.width for take in takes]) for takes in heard])
            of_orders = row_of.ravel().astype(np.int32)
            self._sounds[passage] = _Sounds(of_orders, shown.astype(np.int32), widths, channels)
        return self._sounds[passage]

    def _takes(self, passage: str, number: int) -> tuple[KeptEar, ...]:
        takes = self._takes_of[passage]
        return tuple(self._ear(take, int(take.leaf_of[number])) for take in takes)

    def _ear(self, take: Listened, leaf: int) -> KeptEar:
        row = take.ears[leaf]
        if row is None:
            raise ValueError("the ears were not kept")
        figures = Figures(*take.figures[leaf])
        rate = take.run.ground.timeline.board.rate
        length = take.run.volts.shape[1] + silence_before(rate)
        return KeptEar(
            rate,
            self.board.judging.listening_db_spl,
            length,
            bool(figures.is_gated),
            figures.width,
            figures.lufs,
            lines_of(row, int(figures.channels)),
        )

    def _more_dirt_db(self, passage: str, a: int, b: int) -> float:
        driven = [self._driven(passage, number) for number in (a, b)]
        return abs(self._probe.more_dirt_db((passage,), *driven))

    def _driven(self, passage: str, number: int) -> Driven:
        listened = self.first[passage]
        figures = Figures(*listened.figures[listened.leaf_of[number]])
        clipping = int(figures.clipping)
        names = [name for bit, name in enumerate(self.board.blocks) if clipping >> bit & 1]
        if number not in self._orders:
            self._orders[number] = self.orders[number]
        return Driven(self._orders[number], frozenset(names))


def _plain(one: Sequence[KeptEar], other: Sequence[KeptEar]) -> Difference:
    """Return the plain difference as far as kept ears know it."""
    first, second = one[0].lufs, other[0].lufs
    trim_lu = 0.0 if first == second else second - first
    return Difference(trim_lu, UNLIKE.null_db, 0.0, 0.0, np.zeros(0))
