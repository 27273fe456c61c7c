"""A fuzz: gain, where the second transistor idles, corners, and whether it rectifies."""

from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from simchain import units
from simchain.blocks import Block
from simchain.blocks.fuzz import DIVIDER
from simchain.fit.beginnings import hopeful
from simchain.fit.comparing import Comparison
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.received import Received
from simchain.fit.sent import RATE, STEPS_HZ, step_frames

Floats = NDArray[np.float64]

FUZZ = (
    Free("gain_db", 0.0, 80.0),
    Free("bias", 0.0, 1.0, step=0.01),
    Free("tone_hz", 200.0, 100e3, log=True, step=0.05),
    Free("high_cut_hz", 300.0, 100e3, log=True, step=0.05),
    Free("level_db", -60.0, 40.0),
)
_BIASES = (0.25, 0.5, 0.75)
_GAINS_DB = (15.0, 70.0)
# Of each step the last tenth of a second, 22 turns; the third is soft and well above noise.
_LATE, _SOFT = RATE // 10, 2
# Rectified, a tone's own pitch all but goes: of what a step sounds like so little is left of it.
_RECTIFIED_SHARE = 0.6
# One such circuit is like another: what is left is noise.
_NEAR, _NEAR_STEPS = (Stretch("loud1", "loud1", off_by=0.1),), 12


class FuzzFit(KindFit):
    """Its octave, on or off, is read from whether a tone's own pitch came back; bias is tried."""

    kind: ClassVar[str] = "fuzz"
    coarse: ClassVar = ()
    fine: ClassVar = (Stretch("steps1", "loud1", off_by=0.03),)

    def starts(self, block: Block, received: Received) -> list[Start]:
        """See `KindFit.starts`: the nearest of three biases."""
        given, heard = _steps(received)
        at = {"octave": _octave(heard), **_loud(given, heard, block.supply_volts)}
        starts = [
            Start(block.model_copy(update={**at, "bias": bias}), FUZZ, chosen=("octave",))
            for bias in _BIASES
        ]
        return hopeful(starts, Comparison(received, _NEAR), _NEAR_STEPS)[:1]


def _octave(steps: Floats) -> float:
    """Return 1 where mostly other pitches came back than the growing tone's own, else 0."""
    turns = np.exp(-2j * np.pi * STEPS_HZ * np.arange(steps.shape[1]) / RATE)
    own = np.abs(steps @ turns) * 2.0**0.5 / steps.shape[1]
    return float(np.median(own / steps.std(axis=1)) < _RECTIFIED_SHARE)


def _loud(given: Floats, heard: Floats, supply_volts: float) -> dict[str, float]:
    """Return the level of a collector that swings all the way, and the gain of a soft step."""
    level_db = units.ratio_to_db(float(np.ptp(heard[-1])) / DIVIDER / supply_volts)
    gain = float(heard[_SOFT].std() / given[_SOFT].std()) / DIVIDER
    gain_db = units.ratio_to_db(gain) - level_db
    return {"level_db": level_db, "gain_db": min(max(gain_db, _GAINS_DB[0]), _GAINS_DB[1])}


def _steps(received: Received) -> tuple[Floats, Floats]:
    """Return what went in and what came out late in each step of the growing tone.

    Shape (steps, frames), whole turns of the tone.
    """
    ends = [step.stop for step in step_frames()]
    given, heard = (
        np.stack([line[end - _LATE : end] for end in ends])
        for line in (received.given, received.line)
    )
    return given, heard
