"""Which blocks of an order may change places: neighbours, and moves across the split."""

import itertools
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Literal

from simchain.board import Order

Move = Literal["swap", "to_loop", "to_front"]


@dataclass(frozen=True)
class Exchange:
    """Two blocks that change places, or `first` alone that moves across the split.

    `to_loop` makes it the first block of the loop, `to_front` the last in front; `second` is None
    then. All other blocks keep their place.
    """

    first: str
    second: str | None
    move: Move

    def of(self, order: Order) -> Order:
        """Return `order` after the exchange."""
        if self.second is not None:
            turned = {self.first: self.second, self.second: self.first}
            front, loop = (
                tuple(turned.get(name, name) for name in part) for part in (order.front, order.loop)
            )
            return Order(front=front, loop=loop)
        front, loop = (
            tuple(name for name in part if name != self.first) for part in (order.front, order.loop)
        )
        if self.move == "to_loop":
            return Order(front=front, loop=(self.first, *loop))
        return Order(front=(*front, self.first), loop=loop)


def exchanges(
    order: Order, on: Collection[str], *, has_amplifier: bool, every: bool = False
) -> tuple[Exchange, ...]:
    """Return the exchanges of blocks that are `on`, in the order of the path.

    Two neighbours on one side of the split, with nothing that is on between them; with an
    amplifier the last one in front into the loop, and the first one of the loop to the front. With
    `every`, any two of them, on either side.
    """
    front, loop = (tuple(name for name in part if name in on) for part in (order.front, order.loop))
    if every:
        pairs = list(itertools.combinations(front + loop, 2))
    else:
        pairs = [*itertools.pairwise(front), *itertools.pairwise(loop)]
    swaps = [Exchange(first, second, "swap") for first, second in pairs]
    return (*swaps, *(_moves(front, loop) if has_amplifier else ()))


def _moves(front: tuple[str, ...], loop: tuple[str, ...]) -> Iterator[Exchange]:
    if front:
        yield Exchange(front[-1], None, "to_loop")
    if loop:
        yield Exchange(loop[0], None, "to_front")
