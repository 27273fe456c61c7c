"""Which single fault brings a simulated board nearest to what was heard.

Every fault is played at a few numbers first; readings between two of them are read off straight
lines. The likeliest are then played at their best number, twice, so that what is told was played.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simchain.fit.faults import Fault
from simchain.fit.tolerance import Expected
from simchain.fit.traits import Traits
from simchain.fit.wired import Simulation, Wired

Floats = NDArray[np.float64]
Told = Callable[[str], None]

# A free number can make any fault fit a little better than it should.
FREE_NUMBER = 6.0
# In squared standard deviations: so much must a fault explain before it is named at all, and so
# near to the best are those that the recording does not tell from it.
LEAST_EXPLAINED, AS_GOOD = 30.0, 8.0
# What is played again at its best number: those whose misfit is no more than so many times the
# least, or so much above it.
_HOPEFUL_TIMES, _HOPEFUL_MORE, _MOST_HOPEFUL, _ROUNDS = 2.0, 60.0, 24, 3
_BETWEEN = 24
# Two boards that fit as badly as each other are told apart no better than either fits.
_GOOD_FIT = 120.0


@dataclass(frozen=True, eq=False)
class Suspect:
    """A fault at its best number, what it reads, and its misfit with what was heard."""

    fault: Fault
    number: float
    traits: Traits
    misfit: float

    @property
    def cost(self) -> float:
        """The misfit, and what a free number costs."""
        return self.misfit + (FREE_NUMBER if self.fault.has_number else 0.0)


@dataclass(eq=False)
class _Tried:
    """A fault and what it read at each number so far."""

    fault: Fault
    at: dict[float, Traits] = field(default_factory=dict)

    def place(self, number: float) -> float:
        return float(np.log(number)) if self.fault.log else number

    def best(self, heard: Traits, about: Expected) -> tuple[float, float]:
        """Return the number at which it fits best, and how well, between those played."""
        numbers = sorted(self.at)
        if len(numbers) == 1:
            return numbers[0], about.misfit(heard, self.at[numbers[0]])
        least = (numbers[0], np.inf)
        for low, high in pairwise(numbers):
            shares = np.linspace(0.0, 1.0, _BETWEEN + 1)
            misfits = self._between(self.at[low], self.at[high], shares, heard, about)
            at = int(np.argmin(misfits))
            if misfits[at] < least[1]:
                begin, end = self.place(low), self.place(high)
                number = begin + float(shares[at]) * (end - begin)
                least = (float(np.exp(number)) if self.fault.log else number, float(misfits[at]))
        return least

    def suspect(self, heard: Traits, about: Expected) -> Suspect | None:
        """Return it at the best number that was played; None where that is the plan's."""
        numbers = [one for one in self.at if not self.fault.has_number or not self._small(one)]
        if not numbers:
            return None
        misfits = {one: about.misfit(heard, self.at[one]) for one in numbers}
        number = min(numbers, key=misfits.__getitem__)
        return Suspect(self.fault, number, self.at[number], misfits[number])

    def _small(self, number: float) -> bool:
        return self.fault.is_small(number)

    @staticmethod
    def _between(
        low: Traits, high: Traits, shares: Floats, heard: Traits, about: Expected
    ) -> Floats:
        first, last = about.off(heard, low), about.off(heard, high)
        lines = first[:, np.newaxis] * (1.0 - shares) + last[:, np.newaxis] * shares
        off = np.square(lines).sum(axis=0)
        ways = [about.way_up(heard, one) for one in (low, high)]
        return np.asarray(off + np.where(shares < 0.5, *ways))


def suspects(
    simulation: Simulation,
    wired: Wired,
    faults: Sequence[Fault],
    heard: Traits,
    about: Expected,
    told: Told,
) -> list[Suspect]:
    """Return all faults, the likeliest first."""
    tried = [_Tried(fault) for fault in faults]
    first = [(one, number) for one in tried for number in (one.fault.tried or (0.0,))]
    _play(simulation, wired, first, told)
    for one in tried:
        if one.fault.has_number:
            one.at[one.fault.planned] = about.still
    for _ in range(_ROUNDS):
        again = list(_hopeful(tried, heard, about))
        if not again:
            break
        _play(simulation, wired, again, told)
    found = [one.suspect(heard, about) for one in tried]
    return sorted((one for one in found if one is not None), key=lambda one: one.cost)


def _hopeful(tried: Sequence[_Tried], heard: Traits, about: Expected) -> list[tuple[_Tried, float]]:
    """Return the likeliest with a free number, and the number to be played next."""
    ends = [(one, *one.best(heard, about)) for one in tried]
    least = min(misfit for _, _, misfit in ends)
    limit = max(_HOPEFUL_TIMES * least, least + _HOPEFUL_MORE)
    hopeful = [
        (misfit, one, number)
        for one, number, misfit in ends
        if one.fault.has_number and misfit <= limit and _is_new(one, number)
    ]
    hopeful.sort(key=lambda each: each[0])
    return [(one, number) for _, one, number in hopeful[:_MOST_HOPEFUL]]


def _is_new(one: _Tried, number: float) -> bool:
    """Whether a number is no hair's breadth from one that was played."""
    places = [one.place(each) for each in one.at]
    reach = max(places) - min(places)
    return min(abs(one.place(number) - each) for each in places) > 0.002 * reach


def _play(
    simulation: Simulation, wired: Wired, jobs: Sequence[tuple[_Tried, float]], told: Told
) -> None:
    boards = [one.fault.board(wired, number) for one, number in jobs]
    found = simulation.traits(boards, lambda done, total: told(f"{done} of {total} faults tried"))
    for (one, number), traits in zip(jobs, found, strict=True):
        one.at[number] = traits


def equals(found: Sequence[Suspect]) -> list[Suspect]:
    """Return those that the recording does not tell from the best, the best first."""
    if not found:
        return []
    least = found[0].cost
    limit = least + AS_GOOD * max(1.0, found[0].misfit / _GOOD_FIT)
    return [one for one in found if one.cost <= limit]
