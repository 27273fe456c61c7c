"""By how much a compressor or a gate turns down what comes to it, over time."""

import numpy as np
from numpy.typing import NDArray

from simchain.blocks.compressor import Compressor
from simchain.blocks.gate import Gate
from simchain.chain.step import entering
from simchain.chain.steps import Step
from simchain.signal import Volts

HALF_ON = 0.5


def turns_down(step: Step) -> bool:
    """Whether a step is a compressor or a gate that is ever on."""
    return isinstance(step.unit, Compressor | Gate) and not step.gate.is_never_on


def reductions_db(step: Step, arriving: Volts) -> NDArray[np.float64]:
    """Return by how many decibels each frame is turned down in a step, shape (frames,), 0 or more.

    `arriving` stands on its input. Of a compressor's blend it is what the compressed share is
    turned down by. Where a song gives the block other settings it fades from those to these. NaN
    while it is switched off. Raises TypeError for what is no compressor and no gate.
    """
    block = step.unit
    if not isinstance(block, Compressor | Gate):
        raise TypeError(f"{step.name} turns nothing down")
    inside, _ = entering(step, block, arriving)
    frames = inside.shape[1]
    found = np.zeros(frames)
    for version, gate in step.versions or ((block, None),):
        if isinstance(version, Compressor | Gate):
            threshold = dict(step.moment.curves).get("threshold_dbu")
            own = version.reductions_db(inside, step.moment.rate, threshold)
            found += own if gate is None else own * gate.weights(frames)
    if not step.gate.is_constant:
        found[step.gate.weights(frames) < HALF_ON] = np.nan
    return found
