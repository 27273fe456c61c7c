"""Orders in groups that are expected to sound alike, best first; and where blocks are free."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import NDArray

from simchain.board import Allowed, Order
from simchain.decide.found import FreePlace
from simchain.decide.plan import Ints, Words

Floats = NDArray[np.float64]

# How far an order differs in level from each of some others, in LU; NaN where they sound apart.
Louder = Callable[[int, Ints], Floats]


@dataclass(eq=False)
class Grouping:
    """A group: numbers of orders, the representative first, and how far they differ in level."""

    members: list[int]
    louder_lu: float = 0.0


def grouped(ranked: Sequence[int], louder: Louder) -> list[Grouping]:
    """Put orders, given best first, into groups: each joins the first whose best it sounds like.

    Sounding alike is not passed on: a member may be told from another, never from the best.
    """
    groups: list[Grouping] = []
    left = np.array(ranked, dtype=np.int32)
    while left.size:
        best, others = int(left[0]), left[1:]
        louder_lu = louder(best, others)
        joins = ~np.isnan(louder_lu)
        most = float(np.max(louder_lu[joins], initial=0.0))
        groups.append(Grouping([best, *others[joins].tolist()], most))
        left = others[~joins]
    return groups


class Orders(Sequence[Order]):
    """Orders that are kept as words, thousands of them, and made when they are asked for."""

    def __init__(self, allowed: Allowed, words: Words) -> None:
        self._allowed, self._words = allowed, words

    def __len__(self) -> int:
        return len(self._words)

    @overload
    def __getitem__(self, at: int) -> Order: ...
    @overload
    def __getitem__(self, at: slice) -> "Orders": ...
    def __getitem__(self, at: int | slice) -> "Order | Orders":
        if isinstance(at, slice):
            return Orders(self._allowed, self._words[at])
        return self._allowed.order(self._words[at])

    def __iter__(self) -> Iterator[Order]:
        return (self._allowed.order(word) for word in self._words)

    def free_places(self, best: Sequence[int]) -> tuple[FreePlace, ...]:
        """Return which token of `best`, one of these words, may stand elsewhere, alone."""
        given = bytes(best)
        found = []
        for token in given:
            others = given.replace(bytes((token,)), b"")
            moved = [
                word
                for word in self._words
                if (text := word.tobytes()) != given
                and text.replace(bytes((token,)), b"") == others
            ]
            names = self._allowed.tokens[token]
            if moved and names:
                orders = tuple(self._allowed.order(word) for word in moved)
                found.append(FreePlace(names[0], orders))
        return tuple(found)
