"""Controls that move: their value at each frame, and stages whose circuit they change.

A gain, a mix or a threshold is simply an array of values (`value_of`, `ratio_of`). A control that
changes a circuit with a memory is followed (`follow`): the stage is run at a few fixed settings,
the rungs of a ladder through all that the movement passes, and between two rungs their sounds are
cross-faded in proportion. So a resting control is exactly the static one, and the error between
rungs is of second order: for two gains 1 dB apart 0.02 dB at most.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simchain import units
from simchain.blocks.base import Block, Curve, Moment
from simchain.settings import unit_of
from simchain.signal import Volts, pieces

Values = float | Volts
Stage = Callable[[float, Volts, Moment], Volts]

# How far apart two rungs may be: 1 dB, an eighth of an octave, a part of a share.
FINENESS = {"dB": 1.0, "Hz": 1 / 8, "": 1 / 64}
# An oversampled stage looks this many frames ahead at most, up and down together.
LOOKS_AHEAD = 512
SAME_PLACE = 1e-9


def value_of(block: Block, control: str, now: Moment, part: slice) -> Values:
    """Return what `control` stands at in a piece: one number at rest, else one for each frame."""
    moving = now.moving(control, part.stop - part.start, part.start)
    return block.standing(control) if moving is None else moving


def ratio_of(block: Block, control: str, now: Moment, part: slice) -> Values:
    """Return the amplitude ratio of a control in decibels, as `value_of` does its value."""
    moving = now.moving(control, part.stop - part.start, part.start)
    if moving is None:
        return units.db_to_ratio(getattr(block, control))
    return np.asarray(10.0 ** (moving / 20.0))


def rests_at(block: Block, control: str, now: Moment, value: float) -> bool:
    """Whether `control` stands at `value` throughout."""
    curve = dict(now.curves).get(control)
    if curve is None:
        return block.standing(control) == value
    return all(point == value for _, point in curve.points)


def turn(volts: Volts, block: Block, control: str, now: Moment) -> None:
    """Multiply `volts`, shape (channels, frames), by the ratio of a control in decibels."""
    for part in pieces(volts.shape[1]):
        volts[:, part] *= ratio_of(block, control, now, part)


@dataclass(frozen=True, eq=False)
class Ladder:
    """Fixed `settings`, ascending, and the `places` of a movement between them at each frame.

    A place of 2.25 is a quarter of the way from settings[2] to settings[3].
    """

    settings: Volts
    places: Volts

    def stretches(self, run_in: int) -> Iterator[tuple[int, int, int]]:
        """Yield (rung, start, stop): where each rung is heard, gaps shorter than `run_in` closed.

        In the order of rungs, and of time.
        """
        between = np.floor(self.places) + np.ceil(self.places)
        edges = np.flatnonzero(np.diff(between)) + 1
        starts = np.concatenate(([0], edges))
        stops = np.concatenate((edges, [between.size]))
        heard: dict[int, list[list[int]]] = {}
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
            for rung in {int(between[start]) // 2, (int(between[start]) + 1) // 2}:
                spans = heard.setdefault(rung, [])
                if spans and start - spans[-1][1] <= run_in:
                    spans[-1][1] = stop
                else:
                    spans.append([start, stop])
        for rung in sorted(heard):
            for start, stop in heard[rung]:
                yield rung, start, stop


def ladder(curve: Curve, frames: int, step: float, in_octaves: bool = False) -> Ladder:
    """Return the rungs that `curve` passes within `frames`, at most `step` apart.

    `step` is in the control's own unit, or in octaves. What the curve rests at, and its extremes,
    are rungs themselves.
    """
    values = curve.values(frames)
    fixed = _fixed(curve, values)
    if in_octaves:
        values, fixed = np.log2(values), np.log2(fixed)
    parts = [fixed[:1]]
    for low, high in pairwise(fixed):
        parts.append(np.linspace(low, high, math.ceil((high - low) / step) + 1)[1:])
    rungs = np.concatenate(parts)
    places = np.interp(values, rungs, np.arange(rungs.size))
    nearest = np.rint(places)
    places = np.where(np.abs(places - nearest) < SAME_PLACE, nearest, places)
    return Ladder(np.exp2(rungs) if in_octaves else rungs, places)


def follow(
    block: Block, control: str, volts: Volts, now: Moment, stage: Stage, run_in_s: float
) -> Volts:
    """Return what `stage` makes of `volts`, shape (channels, frames), as `control` rests or moves.

    `stage(setting, volts, then)` runs the circuit from rest at one fixed setting, over the `volts`
    it is given, and returns them; `then` is `now` for a stretch that begins later, for controls
    that move inside. At rest `volts` are written over, else there is a new array. Each rung is
    run only where it is heard, and from `run_in_s` before that, when it should have forgotten that
    it began at rest.
    """
    curve = dict(now.curves).get(control)
    if curve is None:
        return stage(getattr(block, control), volts, now)
    frames = volts.shape[1]
    unit = unit_of(type(block).model_fields[control])
    rungs = ladder(curve, frames, FINENESS[unit], in_octaves=unit == "Hz")
    run_in = round(run_in_s * now.rate)
    out = np.zeros_like(volts)
    for rung, start, stop in rungs.stretches(run_in):
        first, last = max(0, start - run_in), min(frames, stop + LOOKS_AHEAD)
        heard = volts[:, first:last].copy()
        made = stage(float(rungs.settings[rung]), heard, later(now, first))
        weight = np.clip(1.0 - np.abs(rungs.places[start:stop] - rung), 0.0, 1.0)
        out[:, start:stop] += weight * made[:, start - first : stop - first]
    return out


def later(now: Moment, frames: int, factor: int = 1) -> Moment:
    """Return `now` for what begins `frames` later, at `factor` times the rate.

    `frames` are those of the new rate. The phase of modulators is left as it is.
    """

    def moved(curve: Curve) -> Curve:
        points = ((at * factor - frames, value) for at, value in curve.points)
        return replace(curve, points=tuple(points))

    curves = tuple((name, moved(curve)) for name, curve in now.curves)
    return replace(now, rate=now.rate * factor, curves=curves)


def _fixed(curve: Curve, values: Volts) -> NDArray[np.float64]:
    """Return what must be met exactly: a curve's extremes here, and what it rests at."""
    points = [value for _, value in curve.points]
    rests = {one for one, next_one in pairwise(points) if one == next_one}
    rests |= {points[0], points[-1]}
    low, high = float(values.min()), float(values.max())
    met = sorted({low, high} | {value for value in rests if low < value < high})
    return np.array(
        [
            one
            for one, higher in zip(met, [*met[1:], math.inf], strict=True)
            if higher - one > SAME_PLACE * abs(one)
        ]
    )
