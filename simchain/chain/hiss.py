"""Hiss on the path: of the wires, of each unit's input, and what it makes at its output.

Each has a seed of its own, from the unit's name: the same unit hisses alike in every order.
"""

from typing import TYPE_CHECKING

import numpy as np

from simchain.blocks import Moment
from simchain.chain.steps import Feed, Step
from simchain.chain.timeline import Timeline
from simchain.electrics import Hiss
from simchain.signal import Volts

if TYPE_CHECKING:
    from numpy.random import Generator

_OF_WIRES, _AT_INPUT, _AT_OUTPUT = 0, 1, 2


def is_noisy(timeline: Timeline) -> bool:
    """Tell whether a passage is rendered with noise, because a unit in it works on noise.

    That is asked of the whole board and not of one order, so that orders compare.
    """
    return any(timeline.block(name).works_on_noise for name in timeline.ever_on)


def with_thermal_noise(volts: Volts, feed: Feed, now: Moment) -> Volts:
    """Return `volts` on a wire with its thermal noise, each channel its own."""
    hisses = [link.hiss() for link in feed.links]
    if len(hisses) < len(volts):
        hisses *= len(volts)
    rng = _random(now, _OF_WIRES, feed.origin)
    lines = [
        line if hiss is None else line + hiss.volts(line.size, now.rate, rng)
        for line, hiss in zip(volts, hisses, strict=False)
    ]
    return np.stack(lines)


def with_input_noise(volts: Volts, step: Step) -> Volts:
    """Return `volts` at a unit's input with the unit's own input noise."""
    if step.unit is None or step.unit.noise_nv == 0.0:
        return volts
    return _with(volts, Hiss.white(step.unit.noise_nv), step.moment, _AT_INPUT)


def with_output_noise(volts: Volts, step: Step) -> Volts:
    """Return what a unit made, with the noise that it makes behind its mix control."""
    if step.unit is None or step.unit.noise_out_uv == 0.0:
        return volts
    return _with(volts, Hiss.of_total(step.unit.noise_out_uv), step.moment, _AT_OUTPUT)


def _with(volts: Volts, hiss: Hiss, now: Moment, which: int) -> Volts:
    rng = _random(now, which)
    return volts + np.stack([hiss.volts(volts.shape[1], now.rate, rng) for _ in volts])


def _random(now: Moment, *which: int) -> "Generator":
    return np.random.default_rng((now.seed, *which))
