"""Where units stand on the board: jacks, room for plugs, and what stands in the way.

Seen from above: x from left to right, y from the front, where one stands, to the back ("top" is a
unit's far side). A jack sits in the middle of its side. Millimetres throughout. Room that plugs
need is common practice, no source.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TypeAlias

from simchain.board import Board
from simchain.patch.units import JACKS, Jack, Unit, housings

Point: TypeAlias = tuple[float, float]
Plug: TypeAlias = tuple[str, float]  # what it is called, and the room it takes

OUTWARD: dict[str, Point] = {
    "right": (1.0, 0.0),
    "left": (-1.0, 0.0),
    "top": (0.0, 1.0),
    "front": (0.0, -1.0),
}
OPPOSITE = {"right": "left", "left": "right", "top": "front", "front": "top"}
# From the jack's face; the first that fits is taken: angled ones are the cheapest to make well.
PLUGS: tuple[Plug, ...] = (("angled", 30.0), ("slim", 16.0), ("flat", 11.0))
STAGE_PLUGS: tuple[Plug, ...] = (("straight", 60.0), *PLUGS)
PLUG_WIDTH_MM = 18.0
SLACK_MM = 25.0
FINGER_MM = 20.0
BETWEEN_ROWS_MM = 20.0


def plug_for(room_mm: float, plugs: Sequence[Plug] = PLUGS) -> str | None:
    """Return the first of `plugs` that the room before a jack is enough for; None: none is."""
    return next((name for name, needed in plugs if needed <= room_mm), None)


@dataclass(frozen=True)
class Standing:
    """A unit that has a size and a place."""

    unit: Unit
    left: float
    front: float
    right: float
    back: float

    def jack(self, jack: Jack) -> Point:
        """Return where a jack is: in the middle of its side.

        Where both are on one side, each is a quarter from its end: the input to the right, or back.
        """
        out, along = OUTWARD[self.unit.side(jack)], 0.0
        if self.unit.input_side == self.unit.output_side:
            along = 0.25 if jack == "input" else -0.25
        right, back = (out[0] / 2, along) if out[0] else (along, out[1] / 2)
        return (
            (self.left + self.right) / 2 + right * (self.right - self.left),
            (self.front + self.back) / 2 + back * (self.back - self.front),
        )


def in_rows(board: Board, units: Sequence[Unit]) -> dict[str, Point]:
    """Return places for units that have none, in their sequence; nothing where one cannot say.

    That needs the board's size and that of every unit, and no unit with a place of its own. The
    first stands at the right front, the next to its left with room for two slim plugs, and what
    does not fit begins a row behind (common practice, no source: first in line, first to the foot).
    """
    size, wide = board.floor.size_mm, 2 * dict(PLUGS)["slim"]
    if size is None or any(unit.size_mm is None or unit.at_mm is not None for unit in units):
        return {}
    places: dict[str, Point] = {}
    right, front, deepest = size[0], 0.0, 0.0
    for unit in units:
        width, depth = unit.size_mm or (0.0, 0.0)
        if right < size[0] and right - width < 0.0:
            right, front, deepest = size[0], front + deepest + BETWEEN_ROWS_MM, 0.0
        places.setdefault(unit.housing, (right - width, front))
        right, deepest = right - width - wide, max(deepest, depth)
    return places


class Floorplan:
    """The units that have a place, and how far they are from one another.

    `places` are those of units whose place the board does not say.
    """

    def __init__(self, board: Board, places: Mapping[str, Point] | None = None) -> None:
        self.board = board
        known = places or {}
        self.standing = {
            unit.housing: Standing(unit, *at, at[0] + size[0], at[1] + size[1])
            for unit in housings(board)
            if (at := unit.at_mm or known.get(unit.housing)) and (size := unit.size_mm)
        }

    def room_mm(self, unit: Unit, jack: Jack) -> float:
        """Return how much room there is before a jack, half of it where another jack faces it."""
        here = self.standing.get(unit.housing)
        if here is None:
            return math.inf
        return min((_room(here, jack, other) for other in self._others(here)), default=math.inf)

    def lead_mm(self, leaves: Unit, arrives: Unit) -> float | None:
        """Return the cable between the plugs of a patch lead; None where a unit has no place.

        A straight line from where one plug ends to where the other does, and slack.
        """
        here, there = self._plug_end(leaves, "output"), self._plug_end(arrives, "input")
        return math.dist(here, there) + SLACK_MM if here and there else None

    def _plug_end(self, unit: Unit, jack: Jack) -> Point | None:
        here = self.standing.get(unit.housing)
        if here is None:
            return None
        long = dict(PLUGS)[plug_for(self.room_mm(unit, jack)) or PLUGS[-1][0]]
        at, out = here.jack(jack), OUTWARD[unit.side(jack)]
        return at[0] + out[0] * long, at[1] + out[1] * long

    def _others(self, here: Standing) -> Iterator[Standing]:
        return (other for other in self.standing.values() if other is not here)

    # What stands in the way

    def warnings(self) -> Iterator[str]:
        """Yield what is wrong with the places, one sentence each."""
        yield from self._overlaps()
        yield from self._off_the_board()
        yield from self._tight_jacks()
        yield from self._blocked_controls()
        yield from self._hidden()
        yield from self._supply_beneath()

    def _overlaps(self) -> Iterator[str]:
        for one, other in combinations(self.standing.values(), 2):
            wide = min(one.right, other.right) - max(one.left, other.left)
            deep = min(one.back, other.back) - max(one.front, other.front)
            if wide > 0.0 and deep > 0.0:
                yield (
                    f"{one.unit.name} and {other.unit.name} overlap by {wide:g} x {deep:g} mm; "
                    "move one of them"
                )

    def _off_the_board(self) -> Iterator[str]:
        size = self.board.floor.size_mm
        if size is None:
            return
        for here in self.standing.values():
            over = max(-here.left, -here.front, here.right - size[0], here.back - size[1])
            if over > 0.0:
                yield (
                    f"{here.unit.name} hangs {over:g} mm over the edge of the board of "
                    f"{size[0]:g} x {size[1]:g} mm"
                )

    def _tight_jacks(self) -> Iterator[str]:
        for here in self.standing.values():
            for name in JACKS:
                side, room = here.unit.side(name), self.room_mm(here.unit, name)
                fits = plug_for(room)
                if fits is None:
                    yield (
                        f"{here.unit.name}: {room:g} mm before its {name} jack ({side}); the "
                        f"flattest plug needs {PLUGS[-1][1]:g}"
                    )
                elif fits != PLUGS[0][0]:
                    yield (
                        f"{here.unit.name}: {room:g} mm before its {name} jack ({side}): only a "
                        f"{fits} plug fits"
                    )

    def _blocked_controls(self) -> Iterator[str]:
        for here in self.standing.values():
            side = here.unit.controls_side
            if side is None:
                continue
            for other in self._others(here):
                gap = _gap(here, side, other, None, 0.0)
                if gap < FINGER_MM:
                    yield (
                        f"{here.unit.name}: {other.unit.name} stands {max(gap, 0.0):g} mm from its "
                        f"controls ({side}); a finger needs {FINGER_MM:g}"
                    )

    def behind_others(self) -> Iterator[tuple[str, list[str]]]:
        """Yield the units used often that the foot reaches only over others, and over which."""
        for here in self.standing.values():
            before = [
                other.unit.name
                for other in (self._others(here) if here.unit.is_often_used else ())
                if not math.isinf(_gap(here, "front", other, None, 0.0))
            ]
            if before:
                yield here.unit.name, before

    def _hidden(self) -> Iterator[str]:
        for name, before in self.behind_others():
            yield (
                f"{name} is used often and stands behind {' and '.join(before)}: the foot must "
                "reach over"
            )

    def _supply_beneath(self) -> Iterator[str]:
        floor, supply = self.board.floor, self.board.supply
        if floor.under_mm is not None and supply.height_mm is not None:
            over = supply.height_mm - floor.under_mm
            if over > 0.0:
                yield (
                    f"the supply is {supply.height_mm:g} mm high, beneath the board there are "
                    f"{floor.under_mm:g}: {over:g} mm are missing"
                )
        if floor.size_mm is not None and supply.size_mm is not None:
            lying = sorted(supply.size_mm), sorted(floor.size_mm)
            if any(mine > room for mine, room in zip(*lying, strict=True)):
                yield (
                    f"the supply, {supply.size_mm[0]:g} x {supply.size_mm[1]:g} mm, does not lie "
                    f"beneath a board of {floor.size_mm[0]:g} x {floor.size_mm[1]:g} mm"
                )


def _gap(here: Standing, side: str, other: Standing, at: Point | None, width: float) -> float:
    """Return the distance from a side to `other` straight ahead; infinite where it is not there.

    Ahead is what lies across from the whole side, or with `at` across from a plug there.
    """
    if side in ("right", "left"):
        edge = here.front, here.back
        theirs, along = (other.front, other.back), 1
        gap = other.left - here.right if side == "right" else here.left - other.right
    else:
        edge = here.left, here.right
        theirs, along = (other.left, other.right), 0
        gap = other.front - here.back if side == "top" else here.front - other.back
    if at is not None:
        edge = at[along] - width / 2, at[along] + width / 2
    meets = min(edge[1], theirs[1]) - max(edge[0], theirs[0]) > 0.0
    return gap if meets and gap >= 0.0 else math.inf


def _room(here: Standing, jack: Jack, other: Standing) -> float:
    """Return the room before a jack as far as `other` takes it; infinite where it does not."""
    side, at = here.unit.side(jack), here.jack(jack)
    gap, along = _gap(here, side, other, at, PLUG_WIDTH_MM), 1 if OUTWARD[side][0] else 0
    facing = (
        abs(at[along] - other.jack(each)[along]) < PLUG_WIDTH_MM
        for each in JACKS
        if other.unit.side(each) == OPPOSITE[side]
    )
    return gap / 2 if any(facing) else gap
