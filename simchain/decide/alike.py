"""Which of many orders are expected to sound alike, by what the ear has of each sound."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from simchain.board import Board, Order
from simchain.decide.difference import Difference
from simchain.decide.judge import FREE_WORDS
from simchain.decide.kept_ear import KeptEar, lines_of
from simchain.decide.listen import Listened
from simchain.decide.match import UNLIKE
from simchain.decide.parts import distribution_db
from simchain.decide.probe import Driven, Probe
from simchain.decide.runs import Figures, silence_before
from simchain.decide.score import PARTS, UNITS, scored


class Sounds(NamedTuple):
    """One passage: what was listened to, and what was at further phases of the modulators."""

    passage: str
    first: Listened
    others: tuple[Listened, ...] = ()

    @property
    def takes(self) -> tuple[Listened, ...]:
        """All phases."""
        return (self.first, *self.others)


class Alike:
    """Tells whether orders, by their number, are expected to sound alike in every passage.

    `orders` are those that were listened to on `board`, which may be at a lower rate. Pairs of
    sounds are looked at once. What decides is the score; a null is not looked for, since the sounds
    are not kept: sounds that are proved the same are one sound here.
    """

    def __init__(
        self,
        board: Board,
        amp: str | None,
        orders: Sequence[Order],
        sounds: Sequence[Sounds],
    ) -> None:
        self.board, self.orders, self.sounds = board, orders, sounds
        self._probe = Probe(board, amp)
        self._known: dict[tuple[str, int, int], float | None] = {}
        self._ears: dict[tuple[str, int], tuple[KeptEar, ...]] = {}
        self._dirt: dict[tuple[str, int, int], float] = {}

    def louder_lu(self, a: int, b: int) -> float | None:
        """Return by how much one is louder at most, in LU; None where they sound apart."""
        most = 0.0
        for sounds in self.sounds:
            first, second = (int(sounds.first.leaf_of[number]) for number in (a, b))
            if first == second:
                continue
            low, high = min(first, second), max(first, second)
            key = (sounds.passage, low, high)
            if key not in self._known:
                pair = (a, b) if first == low else (b, a)
                self._known[key] = self._judged(sounds, *pair)
            louder = self._known[key]
            if louder is None:
                return None
            most = max(most, louder)
        return most

    def score(self, passage: str, a: int, b: int) -> float:
        """Return the score of one order against another in a passage."""
        sounds = self._of(passage)
        if sounds.first.leaf_of[a] == sounds.first.leaf_of[b]:
            return 0.0
        one, other = (self._takes(sounds, number) for number in (a, b))
        dirt_db, judging = self._more_dirt_db(sounds, a, b), self.board.judging
        return scored(one, other, _plain(one, other), dirt_db=dirt_db, judging=judging).score

    def dirt_shares(self, passage: str, numbers: Sequence[int]) -> list[float]:
        """Return the mean share of nine tones that is residual, for each of some orders."""
        sounds = self._of(passage)
        driven = [self._driven(sounds, number) for number in numbers]
        self._probe.play([passage], driven)
        return [float(np.mean(self._probe.shares(passage, each))) for each in driven]

    def _of(self, passage: str) -> Sounds:
        return next(each for each in self.sounds if each.passage == passage)

    def _judged(self, sounds: Sounds, a: int, b: int) -> float | None:
        one, other = (self._takes(sounds, number) for number in (a, b))
        if self._is_far(one, other):
            return None
        dirt_db, judging = self._more_dirt_db(sounds, a, b), self.board.judging
        if dirt_db >= judging.free_below * UNITS[PARTS.index("dirt")]:
            return None
        plain = _plain(one, other)
        if scored(one, other, plain, dirt_db=dirt_db, judging=judging).verdict not in FREE_WORDS:
            return None
        return abs(plain.trim_lu)

    def _is_far(self, *ears: Sequence[KeptEar]) -> bool:
        """Whether the distribution of level alone tells them apart; most pairs are seen so."""
        limit = self.board.judging.free_below * UNITS[PARTS.index("distribution")]
        channels = max(len(takes[0].lines) for takes in ears)
        for channel in range(channels):
            one, other = (
                [take.lines[channel % len(take.lines)] for take in takes] for takes in ears
            )
            if distribution_db(one, other) > limit:
                return True
        return False

    def _takes(self, sounds: Sounds, number: int) -> tuple[KeptEar, ...]:
        key = (sounds.passage, int(sounds.first.leaf_of[number]))
        if key not in self._ears:
            self._ears[key] = tuple(
                self._ear(take, int(take.leaf_of[number])) for take in sounds.takes
            )
        return self._ears[key]

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

    def _more_dirt_db(self, sounds: Sounds, a: int, b: int) -> float:
        driven = [self._driven(sounds, number) for number in (a, b)]
        return abs(self._probe.more_dirt_db((sounds.passage,), *driven))

    def _driven(self, sounds: Sounds, number: int) -> Driven:
        listened = sounds.first
        figures = Figures(*listened.figures[listened.leaf_of[number]])
        clipping = int(figures.clipping)
        names = [name for bit, name in enumerate(self.board.blocks) if clipping >> bit & 1]
        return Driven(self.orders[number], frozenset(names))


def _plain(one: Sequence[KeptEar], other: Sequence[KeptEar]) -> Difference:
    """Return the plain difference as far as kept ears know it."""
    first, second = one[0].lufs, other[0].lufs
    trim_lu = 0.0 if first == second else second - first
    return Difference(trim_lu, UNLIKE.null_db, 0.0, 0.0, np.zeros(0))
