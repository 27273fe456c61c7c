"""Which supply plug goes into which outlet: exact, in numbers alone. `power` says what they mean.

Currents are whole hundredths of a milliampere, so that what just fits is never a matter of
rounding. Goals come one after another: each is made as small as it can be, and the next ones may
not give any of it back. That takes a solve for each goal, and no weights that could be too close.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Outlet of each plug, None for one that stays out.
Places = tuple[int | None, ...]
Row = NDArray[np.float64]


@dataclass(frozen=True)
class Plugging:
    """What is to be plugged where.

    Of each plug: `needs` (hundredths of mA), `suits` (outlets of a voltage and polarity it takes,
    ascending), `rendered` (those of them with the voltage that the sound is rendered with) and
    `digital`. Of each outlet: `gives` (hundredths of mA) and `isolated`.
    """

    needs: tuple[int, ...]
    suits: tuple[tuple[int, ...], ...]
    rendered: tuple[frozenset[int], ...]
    digital: tuple[bool, ...]
    gives: tuple[int, ...]
    isolated: tuple[bool, ...]

    def fits(self, plug: int) -> tuple[int, ...]:
        """Return the outlets that could feed this plug were it alone there, ascending."""
        return tuple(at for at in self.suits[plug] if self.needs[plug] <= self.gives[at])


def costs(task: Plugging, places: Places) -> tuple[int, int, int, int, int]:
    """Return what `places` cost, what matters most first.

    Plugs without an outlet; digital ones that share theirs; digital ones on an outlet that is not
    isolated; plugs fed another voltage than the rendered one; plugs that share an outlet.
    """
    fed = [(plug, at) for plug, at in enumerate(places) if at is not None]
    sharing = [(plug, at) for plug, at in fed if places.count(at) > 1]
    return (
        len(places) - len(fed),
        sum(task.digital[plug] for plug, _ in sharing),
        sum(task.digital[plug] and not task.isolated[at] for plug, at in fed),
        sum(at not in task.rendered[plug] for plug, at in fed),
        len(sharing),
    )


def best_places(task: Plugging) -> Places:
    """Return the places of least `costs`, compared from the first to the last.

    Of equal ones the first is taken: where the first plug has the earliest outlet, then the
    second, and so on; no outlet comes after all others.
    """
    model = _Model(task, with_sharing=True)
    hopeless = sum(not task.fits(plug) for plug in range(len(task.needs)))
    places = model.least(model.goals[0])
    for number, (goal, bound) in enumerate(zip(model.goals, (hopeless, 0, 0, 0, 0), strict=True)):
        if costs(task, places)[number] > bound:
            places = model.least(goal)
        model.hold(goal, places)
    for plug in range(len(task.needs)):
        if places[plug] != next(iter(task.fits(plug)), None):
            places = model.least(model.lateness(plug))
        model.fix(plug, places[plug])
    return places


def plain_places(task: Plugging) -> Places | None:
    """Return places that feed all, each digital one alone, where taking them in turn finds some.

    First the digital ones, those of the greatest needs first, then the others into what is left.
    None does not say that there are none: `best_places` knows. It needs no solver.
    """
    left, alone = list(task.gives), set[int]()
    places: list[int | None] = [None] * len(task.needs)
    for plug in sorted(range(len(places)), key=lambda n: (not task.digital[n], -task.needs[n])):
        free = (at for at in task.fits(plug) if at not in alone and task.needs[plug] <= left[at])
        at = next(free, None)
        if at is None:
            return None
        places[plug] = at
        left[at] -= task.needs[plug]
        if task.digital[plug]:
            alone.add(at)
    return tuple(places)


def smallest_breaking(task: Plugging, powered: Places | None = None) -> tuple[int, ...] | None:
    """Return the fewest plugs that cannot all be fed, ascending; None when all can.

    `powered` are places that leave out as few as can be, where they are known.

    Of plugs that suit the same outlets one that needs more takes the place of one that needs less
    in any set that breaks, and the set still breaks: so of each such class only those with the
    greatest needs are looked at.
    """
    places = best_places(task) if powered is None else powered
    out = {plug for plug, at in enumerate(places) if at is None}
    if not out:
        return None
    classes: dict[tuple[int, ...], list[int]] = {}
    for plug, suits in enumerate(task.suits):
        classes.setdefault(suits, []).append(plug)
    for plugs in classes.values():
        plugs.sort(key=lambda plug: (-task.needs[plug], plug))
    rows = tuple(classes.values())
    for size in range(1, len(task.needs) + 1):
        for chosen in _heads(rows, size):
            if not out.isdisjoint(chosen) and not _can_be_fed(task, chosen):
                return tuple(sorted(chosen))
    raise ArithmeticError("plugs stayed out, and all of them can be fed")


def _heads(rows: Sequence[Sequence[int]], size: int) -> Iterator[list[int]]:
    """Yield every choice of `size` plugs that are the first few of each row."""
    if size > sum(map(len, rows)):
        return
    if not rows:
        yield []
        return
    for count in range(min(size, len(rows[0])), -1, -1):
        for others in _heads(rows[1:], size - count):
            yield [*rows[0][:count], *others]


def _can_be_fed(task: Plugging, plugs: Sequence[int]) -> bool:
    part = Plugging(
        needs=tuple(task.needs[plug] for plug in plugs),
        suits=tuple(task.suits[plug] for plug in plugs),
        rendered=tuple(task.rendered[plug] for plug in plugs),
        digital=tuple(task.digital[plug] for plug in plugs),
        gives=task.gives,
        isolated=task.isolated,
    )
    if any(not part.fits(plug) for plug in range(len(plugs))):
        return False
    model = _Model(part, with_sharing=False)
    return None not in model.least(model.goals[0])


class _Model:
    """The mixed-integer programme, solved by scipy's `milp`.

    Unknowns, 0 or 1: for each pair of a plug and an outlet it fits, that it is there, and that it
    is there and not alone; for each outlet, that several plugs are in it.
    """

    def __init__(self, task: Plugging, *, with_sharing: bool) -> None:
        self.task = task
        self.pairs = [(plug, at) for plug in range(len(task.needs)) for at in task.fits(plug)]
        self._size = 2 * len(self.pairs) + len(task.gives)
        self._rows: list[Row] = []
        self._most: list[float] = []
        self._low, self._high = np.zeros(self._size), np.ones(self._size)
        self._one_outlet_each()
        self._currents()
        if with_sharing:
            self._sharing()

    @property
    def goals(self) -> tuple[Row, ...]:
        """What is made small, in this sequence: see `costs`; the first less a constant."""
        task = self.task
        return (
            self._row(dict.fromkeys(self.pairs, -1.0)),
            self._row({}, {pair: 1.0 for pair in self.pairs if task.digital[pair[0]]}),
            self._row(
                {
                    (plug, at): 1.0
                    for plug, at in self.pairs
                    if task.digital[plug] and not task.isolated[at]
                }
            ),
            self._row(
                {(plug, at): 1.0 for plug, at in self.pairs if at not in task.rendered[plug]}
            ),
            self._row({}, dict.fromkeys(self.pairs, 1.0)),
        )

    def lateness(self, plug: int) -> Row:
        """Return what is small when this plug has an early outlet, and 0 when it has none."""
        last = len(self.task.gives)
        return self._row({pair: float(pair[1] - last) for pair in self.pairs if pair[0] == plug})

    def least(self, goal: Row) -> Places:
        """Return places where `goal` is as small as can be with all that is held and fixed."""
        from scipy.optimize import Bounds, LinearConstraint, milp

        if not self.pairs:
            return (None,) * len(self.task.needs)
        found = milp(
            goal,
            integrality=np.ones(self._size),
            bounds=Bounds(self._low, self._high),
            constraints=LinearConstraint(np.array(self._rows), -np.inf, np.array(self._most)),
            options={"mip_rel_gap": 0.0},
        )
        if not found.success:
            raise ArithmeticError(f"plugs and outlets: {found.message}")
        places: list[int | None] = [None] * len(self.task.needs)
        for (plug, at), there in zip(self.pairs, found.x[: len(self.pairs)], strict=True):
            if there > 0.5:
                places[plug] = at
        return tuple(places)

    def hold(self, goal: Row, places: Places) -> None:
        """Let `goal` never be larger than it is at `places`: it counts in whole numbers."""
        self._add(goal, float(goal @ self._unknowns(places)) + 0.5)

    def fix(self, plug: int, at: int | None) -> None:
        """Leave this plug where it is."""
        for number, pair in enumerate(self.pairs):
            if pair[0] == plug:
                self._low[number] = self._high[number] = float(pair[1] == at)

    def _unknowns(self, places: Places) -> Row:
        there = [places[plug] == at for plug, at in self.pairs]
        shared = [places.count(at) > 1 for at in range(len(self.task.gives))]
        not_alone = [here and shared[at] for here, (_, at) in zip(there, self.pairs, strict=True)]
        return np.array([*there, *not_alone, *shared], dtype=np.float64)

    def _one_outlet_each(self) -> None:
        for plug in range(len(self.task.needs)):
            self._add(self._row({pair: 1.0 for pair in self.pairs if pair[0] == plug}), 1.0)

    def _currents(self) -> None:
        """No outlet gives more than it can: half a unit of room, as both sides are whole."""
        needs = self.task.needs
        for outlet, gives in enumerate(self.task.gives):
            drawn = {pair: float(needs[pair[0]]) for pair in self.pairs if pair[1] == outlet}
            self._add(self._row(drawn), gives + 0.5)

    def _sharing(self) -> None:
        """An outlet is shared from the second plug on; a plug in a shared one is not alone."""
        for outlet in range(len(self.task.gives)):
            inside = [pair for pair in self.pairs if pair[1] == outlet]
            if len(inside) > 1:
                several = self._row(dict.fromkeys(inside, 1.0))
                several[2 * len(self.pairs) + outlet] = 1.0 - len(inside)
                self._add(several, 1.0)
            for pair in inside:
                alone = self._row({pair: 1.0}, {pair: -1.0})
                alone[2 * len(self.pairs) + outlet] = 1.0
                self._add(alone, 1.0)

    def _row(
        self,
        there: dict[tuple[int, int], float],
        not_alone: dict[tuple[int, int], float] | None = None,
    ) -> Row:
        row = np.zeros(self._size)
        for number, pair in enumerate(self.pairs):
            row[number] = there.get(pair, 0.0)
            row[len(self.pairs) + number] = (not_alone or {}).get(pair, 0.0)
        return row

    def _add(self, row: Row, most: float) -> None:
        self._rows.append(row)
        self._most.append(most)
