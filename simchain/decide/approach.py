"""Turning controls until passages sit where they should, with few renders."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy

import numpy as np
from numpy.typing import NDArray

from simchain.decide.meter import Floats, Meter
from simchain.decide.targets import Target

WITHIN_LU = 0.1
CLOSE_LU = 0.03
STANDS_STILL_LU = 0.01
MOST_MOVES = 100
FAR_STEPS = 10.0
FIRST_REACH, LONGEST_REACH, SHORTEST_REACH = 8.0, 32.0, 0.25
# What a step of a control must gain to be worth it: next to nothing while targets may still be
# met, and this much once some cannot.
FREE, DEAR = 0.003, 0.03
# What a LU counts: of a target, less for later ones so that of two that exclude each other one is
# met, and of a passage without a target that others are held against.
LAST_TARGETS_SHARE, ROOT_SHARE = 0.9, 0.02


class Wishes:
    """What is wished of the loudness of passages: a row for each wish, a column for each passage.

    First come the targets; then, that a passage stays as loud as it is where it has no target and
    others are held against it. `shares` says what a LU of each counts. `lufs` is loudness as the
    board stands.
    """

    def __init__(self, targets: Sequence[Target], passages: Sequence[str], lufs: Floats):
        own = {target.passage for target in targets}
        roots = dict.fromkeys(t.against for t in targets if t.against and t.against not in own)
        eye = dict(zip(passages, np.eye(len(passages)), strict=True))
        rows = [eye[t.passage] - (eye[t.against] if t.against else 0.0) for t in targets]
        self.rows = np.array([*rows, *(eye[root] for root in roots)])
        falling = np.linspace(1.0, LAST_TARGETS_SHARE, len(rows))
        self.shares = np.concatenate([falling, np.full(len(roots), ROOT_SHARE)])
        wanted = [target.lu for target in targets]
        self.wanted = np.concatenate([wanted, self.rows[len(rows) :] @ lufs])

    def missed(self, lufs: Floats) -> Floats:
        """Return reached less wanted, in LU, for each wish."""
        gaps: Floats = self.rows @ lufs - self.wanted
        return gaps


class Approach:
    """One search: where the controls stand, what is heard there, and how loudness follows them.

    `at` counts steps of each control away from where the board has it. Steps are paid for from
    `home`, which is where the board has them unless said otherwise. `slopes`, shape (passages,
    controls), is LU a step, measured once by turning each control a little and then corrected by
    every later render (Broyden's update, kept to controls that act: Schubert 1970, Math. Comp. 24,
    from memory).
    """

    def __init__(self, meter: Meter, targets: Sequence[Target]):
        self.meter, self.targets = meter, targets
        controls = meter.controls
        self.units = np.array([control.unit_step for control in controls])
        self.start = np.array([control.start for control in controls])
        self.low = (np.array([control.low for control in controls]) - self.start) / self.units
        self.high = (np.array([control.high for control in controls]) - self.start) / self.units
        self.at = self.home = np.zeros(len(controls))
        self.lufs = meter.lufs([self.start])[0]
        self.wishes = Wishes(targets, meter.passages, self.lufs)
        self.slopes = np.zeros((len(meter.passages), len(controls)))

    @property
    def missed(self) -> Floats:
        """Reached less wanted of each target, in LU, where the controls stand."""
        return self.wishes.missed(self.lufs)[: len(self.targets)]

    def values(self, at: Floats) -> Floats:
        """Return the controls' values `at` steps from where the board has them."""
        values: Floats = self.start + at * self.units
        return values

    def probe(self) -> None:
        """Measure `slopes` here: each control is turned one step, towards the middle."""
        turns = np.where(self.at + 1.0 <= self.high, 1.0, -1.0)
        turns = np.where(self.at + turns < self.low, (self.high - self.at) / 2.0, turns)
        places = [self.values(place) for place in self.at + np.diag(turns)]
        with np.errstate(divide="ignore", invalid="ignore"):
            moved = (self.meter.lufs(places) - self.lufs).T / turns
        self.slopes = np.where(self.meter.acting, np.nan_to_num(moved), 0.0)

    def run(self, price: float, most_renders: int) -> None:
        """Turn the controls until all targets are met, nothing helps, or too much is rendered.

        `price` is what a step of a control must gain, in LU. Each move stays within the controls'
        ranges, and within the reach in which the slopes have proved right. No move begins once a
        passage has been rendered `most_renders` times in all.
        """
        reach, is_fresh = FIRST_REACH, False
        for _ in range(MOST_MOVES):
            if np.abs(self.missed).max() < CLOSE_LU or self.meter.most_renders >= most_renders:
                return
            move = self._move(price, reach)
            hoped = self._cost(self.lufs + self.slopes @ move, self.at + move, price)
            now = self._cost(self.lufs, self.at, price)
            if now - hoped < STANDS_STILL_LU:
                if is_fresh or self.at.size == 1:
                    return
                self.probe()
                is_fresh = True
                continue
            is_fresh = False
            lufs = self.meter.lufs([self.values(self.at + move)])[0]
            gained = now - self._cost(lufs, self.at + move, price)
            self._learn(move, lufs - self.lufs)
            if gained > 0.0:
                self.at, self.lufs = self.at + move, lufs
                reach = min(LONGEST_REACH, 2.0 * reach)
            else:
                reach = max(SHORTEST_REACH, float(np.abs(move).max()) / 2.0)

    def from_lower_down(self, share: float) -> Approach:
        """Return another search, at home `share` of the way down to the ends of all ranges.

        Where everything is driven hard slopes are small and lead nowhere; lower down they do not.
        """
        other = self.copy()
        other.at = other.home = self.low * share
        other.lufs = self.meter.lufs([self.values(other.at)])[0]
        other.wishes = Wishes(self.targets, self.meter.passages, other.lufs)
        other.probe()
        return other

    def going_home_to(self, first: Approach) -> Approach:
        """Return a search that goes on from here, and is at home where `first` is."""
        other = self.copy()
        other.home, other.wishes = first.home, first.wishes
        return other

    def giving_up_what_it_misses(self) -> Approach:
        """Return a search that goes on from here for the targets that are met, or nearly.

        The worst miss and whatever is missed by half as much hardly count any more, and it is at
        home here.
        """
        other = self.copy()
        other.home, other.wishes = self.at, copy(self.wishes)
        missed = np.abs(self.missed)
        given_up = missed > max(WITHIN_LU, float(missed.max()) / 2.0)
        other.wishes.shares = self.wishes.shares.copy()
        other.wishes.shares[: missed.size][given_up] *= ROOT_SHARE
        return other

    def copy(self) -> Approach:
        """Return a search that goes on from here, and leaves this one as it is."""
        other = copy(self)
        other.slopes = self.slopes.copy()
        return other

    def hold(self, moving: NDArray[np.bool_]) -> None:
        """Leave the controls that are not `moving` where the board has them."""
        self.low, self.high = np.where(moving, self.low, 0.0), np.where(moving, self.high, 0.0)

    def far(self, place: int) -> tuple[float, float]:
        """Return two values of a control far from where it is: FAR_STEPS, or where its range ends.

        Not the ends themselves: turned down there, loudness meets the absolute gate of its meter.
        """
        at, unit, start = self.at[place], self.units[place], self.start[place]
        low, high = max(self.low[place], at - FAR_STEPS), min(self.high[place], at + FAR_STEPS)
        return float(start + low * unit), float(start + high * unit)

    def heard_far(self, place: int) -> Floats:
        """Return loudness, shape (2, passages), with one control at its two `far` values."""
        settings = [self.values(self.at) for _ in range(2)]
        for values, value in zip(settings, self.far(place), strict=True):
            values[place] = value
        return self.meter.lufs(settings)

    def missed_with(self, values: Floats) -> Floats:
        """Return what targets miss with the controls at `values`."""
        return self.wishes.missed(self.meter.lufs([values])[0])[: len(self.targets)]

    @property
    def meets_all_targets(self) -> bool:
        """Whether every target is met."""
        return bool((np.abs(self.missed) < WITHIN_LU).all())

    def meets_all_of(self, other: Approach) -> bool:
        """Tell whether every target that `other` meets is met here too."""
        met = np.abs(other.missed) < WITHIN_LU
        return bool((np.abs(self.missed[met]) < WITHIN_LU).all())

    def _cost(self, lufs: Floats, at: Floats, price: float) -> float:
        """Sum of misses, so that few targets are given up and the others met; and the price."""
        missed = self.wishes.shares @ np.abs(self.wishes.missed(lufs))
        return float(missed + price * np.abs(at - self.home).sum())

    def _move(self, price: float, reach: float) -> Floats:
        """Return the move, in steps, towards what the present slopes promise most of.

        No control moves further than `reach`, all in the proportion of the whole way. The least
        cost is a linear programme: each miss, and each control's distance from home, has an
        upper bound of its own, and the sum of these bounds is least.
        """
        from scipy.optimize import linprog

        missed = self.wishes.missed(self.lufs)
        rows = np.vstack([self.wishes.rows @ self.slopes, np.eye(self.at.size)])
        here = np.concatenate([missed, self.at - self.home])
        slack = -np.eye(here.size)
        low, high = self.low - self.at, self.high - self.at
        found = linprog(
            np.concatenate(
                [np.zeros(self.at.size), self.wishes.shares, np.full(self.at.size, price)]
            ),
            A_ub=np.block([[rows, slack], [-rows, slack]]),
            b_ub=np.concatenate([-here, here]),
            bounds=[*zip(low, high, strict=True), *[(0.0, None)] * here.size],
        )
        move: Floats = np.clip(found.x[: self.at.size], low, high)
        return move * min(1.0, reach / max(reach, float(np.abs(move).max())))

    def _learn(self, move: Floats, moved: Floats) -> None:
        """Correct the slopes so that they give what was just heard."""
        acting_move = np.where(self.meter.acting, move, 0.0)
        square = (acting_move**2).sum(axis=1)
        surprise = moved - self.slopes @ move
        heard = square > 0.01
        self.slopes[heard] += (surprise[heard] / square[heard])[:, None] * acting_move[heard]
