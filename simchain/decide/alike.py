"""Which of many orders are expected to sound alike, by what the ear has of each sound."""

from collections.abc import Callable, Mapping, Sequence
from functools import cached_property

import numpy as np

from simchain.board import Board, Order
from simchain.decide.difference import Difference
from simchain.decide.judge import FREE_WORDS, silence_before
from simchain.decide.kept_ear import KeptEar, lines_of
from simchain.decide.listen import Listened
from simchain.decide.match import UNLIKE
from simchain.decide.parts import Floats, distributions_db
from simchain.decide.probe import Driven, Probe
from simchain.decide.runs import Figures
from simchain.decide.score import PARTS, UNITS, scored


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
    ) -> None:
        self.board, self.orders, self.first = board, orders, first
        self._further = further
        self._probe = Probe(board, amp)
        self._known: dict[tuple[str, int, int], float | None] = {}
        self._ears: dict[tuple[str, int], tuple[KeptEar, ...]] = {}
        self._orders: dict[int, Order] = {}
        self._distances: dict[tuple[str, int], Floats] = {}
        self._stacks: dict[str, tuple[int, Floats, Floats]] = {}

    @cached_property
    def _takes_of(self) -> dict[str, tuple[Listened, ...]]:
        further = self._further()
        return {name: (one, *further.get(name, ())) for name, one in self.first.items()}

    def louder_lu(self, a: int, b: int) -> float | None:
        """Return by how much one is louder at most, in LU; None where they sound apart."""
        most = 0.0
        for passage, listened in self.first.items():
            first, second = (int(listened.leaf_of[number]) for number in (a, b))
            if first == second:
                continue
            low, high = min(first, second), max(first, second)
            key = (passage, low, high)
            if key not in self._known:
                self._known[key] = self._judged(passage, a, b)
            louder = self._known[key]
            if louder is None:
                return None
            most = max(most, louder)
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
        self._probe.play([passage], driven)
        return [float(np.mean(self._probe.shares(passage, each))) for each in driven]

    def _judged(self, passage: str, a: int, b: int) -> float | None:
        if self._is_far(passage, a, b):
            return None
        one, other = (self._takes(passage, number) for number in (a, b))
        dirt_db, judging = self._more_dirt_db(passage, a, b), self.board.judging
        if dirt_db >= judging.free_below * UNITS[PARTS.index("dirt")]:
            return None
        plain = _plain(one, other)
        if scored(one, other, plain, dirt_db=dirt_db, judging=judging).verdict not in FREE_WORDS:
            return None
        return abs(plain.trim_lu)

    def _is_far(self, passage: str, a: int, b: int) -> bool:
        """Whether the distribution of level alone tells two orders apart; most pairs are seen so.

        That is the first take's, compared with all sounds of the passage at once. Where something
        sways it is not asked: another phase may change as much.
        """
        takes = self._takes_of[passage]
        if len(takes) > 1:
            return False
        leaf_of = takes[0].leaf_of
        known = (passage, int(leaf_of[a]))
        if known not in self._distances:
            self._distances[known] = self._distances_from(passage, a)
        limit = self.board.judging.free_below * UNITS[PARTS.index("distribution")]
        return bool(self._distances[known][leaf_of[b]] > limit)

    def _distances_from(self, passage: str, number: int) -> Floats:
        """Return how far the distribution of level of each sound is from an order's, in dB."""
        channels, levels_db, loudness = self._stacked(passage)
        lines = self._takes(passage, number)[0].lines
        each = [
            distributions_db(lines[c % len(lines)], levels_db[:, c], loudness[:, c])
            for c in range(channels)
        ]
        return np.asarray(np.max(each, axis=0))

    def _stacked(self, passage: str) -> tuple[int, Floats, Floats]:
        """Return levels and loudness of all sounds of a passage, in as many channels as any has."""
        if passage not in self._stacks:
            first = self._takes_of[passage][0]
            heard = [self._ear(first, leaf).lines for leaf in range(len(first.ears))]
            channels = max(map(len, heard))
            alike = [lines * (channels // len(lines)) for lines in heard]
            levels_db, loudness = (
                np.array([[getattr(line, name) for line in lines] for lines in alike])
                for name in ("levels_db", "loudness")
            )
            self._stacks[passage] = channels, levels_db, loudness
        return self._stacks[passage]

    def _takes(self, passage: str, number: int) -> tuple[KeptEar, ...]:
        takes = self._takes_of[passage]
        key = (passage, int(takes[0].leaf_of[number]))
        if key not in self._ears:
            self._ears[key] = tuple(self._ear(take, int(take.leaf_of[number])) for take in takes)
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
