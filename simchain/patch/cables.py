"""The cables of an order: from where to where, how long, and with which plugs.

Lengths of cables to the guitar and the amplifier are the board's `[cables]`; patch leads between
units that have a place are measured (`places`), others are `patch_m`. `buy_m` is the shortest
length that is sold (common practice, no source) and reaches.
"""

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from simchain.board import Board, Order
from simchain.patch.places import PLUGS, STAGE_PLUGS, Floorplan, in_rows, plug_for
from simchain.patch.units import Jack, Unit, units_in

Kind = Literal["instrument", "patch", "send", "return", "amplifier"]

PATCH_LENGTHS_M = (0.1, 0.15, 0.2, 0.3, 0.45, 0.6, 0.9, 1.5)
STAGE_LENGTHS_M = (3.0, 4.5, 6.0, 9.0, 12.0, 15.0)
GUITAR, MIXER = "guitar", "mixer"
MOST_PLANS = 256  # kept at once: a search asks for some ten thousand


@dataclass(frozen=True)
class End:
    """One end of a cable: the jack, the side of its unit that it sits on, and the plug.

    `plug` is None where the room before the jack is too small for any.
    """

    jack: str
    side: str | None
    plug: str | None
    room_mm: float


@dataclass(frozen=True)
class Cable:
    """A cable: `number` is printed on both ends. Of a stereo pair there are two."""

    number: int
    leaves: End
    arrives: End
    metres: float
    kind: Kind
    is_stereo: bool = False
    is_measured: bool = False

    @property
    def buy_m(self) -> float:
        """The shortest length sold that reaches; longer than all of them, whole metres."""
        sold = PATCH_LENGTHS_M if self.kind == "patch" else STAGE_LENGTHS_M
        enough = (length for length in sold if length >= self.metres - 1e-9)
        return next(enough, float(math.ceil(self.metres)))

    @property
    def plugs(self) -> tuple[str, ...] | None:
        """Its two plugs, in the sequence of the alphabet, or None where no plug fits a jack."""
        found = [end.plug for end in (self.leaves, self.arrives) if end.plug]
        return tuple(sorted(found)) if len(found) == 2 else None


def to_buy(cables: Sequence[Cable]) -> dict[tuple[str, float, tuple[str, ...]], int]:
    """Return how many are needed of each use, length to buy and pair of plugs, without spares.

    The use is "patch", or "stage" for all others: the same cable serves guitar, send and return.
    What no plug fits is left out: its units must be moved before a lead is bought.
    """
    counted = Counter(
        ("patch" if cable.kind == "patch" else "stage", cable.buy_m, plugs)
        for cable in cables
        if (plugs := cable.plugs) is not None
    )
    return dict(sorted(counted.items()))


def in_series(order: Order) -> Order:
    """Return the order that needs no loop: what it becomes when the loop is dead."""
    return Order(order.blocks, ())


@dataclass(frozen=True)
class Repatching:
    """How an order with a loop becomes series and back: cables that come and go, by their ends."""

    pulled: tuple[tuple[str, str], ...]
    added: tuple[tuple[str, str], ...]


def repatching(before: Sequence[Cable], after: Sequence[Cable]) -> Repatching:
    """Return which cables are pulled and which are added to get from one order's to another's.

    A cable is known by its two jacks; where one end of it moves, both lists have it.
    """
    old, new = (
        Counter((cable.leaves.jack, cable.arrives.jack) for cable in cables)
        for cables in (before, after)
    )
    return Repatching(tuple((old - new).elements()), tuple((new - old).elements()))


class Patching:
    """Lays the cables of one order after another: what stands where is looked at once.

    Units that have no place, on a board of known size, stand in rows as the order has them.
    """

    def __init__(self, board: Board) -> None:
        self.board = board
        self._fixed = Floorplan(board)
        self._plan = self._fixed
        self._plans: dict[tuple[str, ...], Floorplan] = {}
        self._amps = ("amp", "amp2")[: len(board.output.amps)]
        self._laid: list[Cable] = []

    def cables(self, order: Order) -> tuple[Cable, ...]:
        """Return the cables of `order`, in the signal's sequence and numbered so."""
        self._laid, self._plan = [], self.floorplan(order)
        lengths = self.board.cables
        front, loop = units_in(self.board, order.front), units_in(self.board, order.loop)
        if front:
            self._run([_far(GUITAR)], [self._jack(front[0], "in")], lengths.guitar_m, "instrument")
            self._patch(front)
            self._run(*self._to_the_end(front[-1]), lengths.amp_m, "amplifier")
        else:
            self._run([_far(GUITAR)], self._far_ends("in"), lengths.guitar_m, "instrument")
        if loop:
            both = len(self._amps) == 2 and loop[0].inputs == 2
            sends = self._far_ends("send")[: 2 if both else 1]
            self._run(sends, self._jacks(loop[0], "in", both), lengths.send_m, "send")
            self._patch(loop)
            self._run(*self._to_the_end(loop[-1], "return"), lengths.return_m, "return")
        return tuple(self._laid)

    def floorplan(self, order: Order) -> Floorplan:
        """Return where the units of `order` stand."""
        units = units_in(self.board, order.blocks)
        names = tuple(unit.housing for unit in units)
        if names not in self._plans:
            if len(self._plans) >= MOST_PLANS:
                self._plans.clear()
            places = in_rows(self.board, units)
            self._plans[names] = Floorplan(self.board, places) if places else self._fixed
        return self._plans[names]

    def hidden(self, order: Order) -> int:
        """Return how many units used often the foot reaches only over others."""
        return sum(1 for _ in self.floorplan(order).behind_others())

    def metres(self, order: Order) -> float:
        """Return the length of all cables of `order`."""
        return math.fsum(cable.metres for cable in self.cables(order))

    def _patch(self, units: Sequence[Unit]) -> None:
        for before, behind in pairwise(units):
            measured = self._plan.lead_mm(before, behind)
            metres = self.board.cables.patch_m if measured is None else measured / 1e3
            both = before.outputs == behind.inputs == 2
            leaves, arrives = self._jacks(before, "out", both), self._jacks(behind, "in", both)
            self._run(leaves, arrives, metres, "patch", is_measured=measured is not None)

    def _to_the_end(self, last: Unit, jack: str = "in") -> tuple[list[End], list[End]]:
        """Return the jacks at both ends of what leaves a row."""
        if self._amps:
            ends = self._far_ends(jack)
            return self._jacks(last, "out", last.outputs == len(ends) == 2), ends
        both = last.outputs == 2
        return self._jacks(last, "out", both), [_far(f"{MIXER}.in{side}") for side in _sides(both)]

    def _far_ends(self, jack: str) -> list[End]:
        return [_far(f"{amp}.{jack}") for amp in self._amps] or [_far(f"{MIXER}.{jack}")]

    def _jacks(self, unit: Unit, jack: str, both: bool) -> list[End]:
        return [self._jack(unit, f"{jack}{side}") for side in _sides(both)]

    def _jack(self, unit: Unit, jack: str) -> End:
        """Return a unit's jack with the side it sits on; the plug is chosen with the cable."""
        here: Jack = "input" if jack.startswith("in") else "output"
        room = self._plan.room_mm(unit, here)
        return End(f"{unit.name}.{jack}", unit.side(here), None, room)

    def _run(
        self,
        leaves: Sequence[End],
        arrives: Sequence[End],
        metres: float,
        kind: Kind,
        *,
        is_measured: bool = False,
    ) -> None:
        """Lay one cable, or two: a stereo pair, or one jack to two amplifiers."""
        plugs = PLUGS if kind == "patch" else STAGE_PLUGS
        for at in range(max(len(leaves), len(arrives))):
            here, there = (
                replace(end, plug=plug_for(end.room_mm, plugs))
                for end in (leaves[min(at, len(leaves) - 1)], arrives[min(at, len(arrives) - 1)])
            )
            is_pair = len(leaves) == len(arrives) == 2
            number = len(self._laid) + 1
            self._laid.append(Cable(number, here, there, metres, kind, is_pair, is_measured))


def _far(jack: str) -> End:
    """Return a jack off the board, with all the room it wants."""
    return End(jack, None, None, math.inf)


def _sides(both: bool) -> tuple[str, ...]:
    return (" left", " right") if both else ("",)


def unheard_sides(board: Board, order: Order) -> Iterator[str]:
    """Yield where two channels meet one jack: what has to be decided with a cable in hand."""
    amps = board.output.amps
    loop = units_in(board, order.loop)
    front = units_in(board, order.front)
    if len(amps) == 2 and (not front or front[-1].outputs == 1):
        yield (
            "both amplifiers take one output: a Y lead or a splitter is needed; hum comes easily "
            "where two amplifiers share a screen, so use one that isolates"
        )
    if len(amps) == 2 and loop and loop[0].inputs == 1:
        yield (
            f"{loop[0].name} has one input: the first amplifier's send alone goes there; what "
            "is rendered is the mean of both sends, which takes a mixer"
        )
