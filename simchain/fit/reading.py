"""What is read of a recording at a glance: how loud a unit is, and at which level it is what."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain import units
from simchain.fit.amplitude import amplitude
from simchain.fit.received import Received
from simchain.fit.sent import LEVEL_HZ, RATE, STEPS_DBFS, STEPS_HZ, sent, step_frames

Floats = NDArray[np.float64]

# Of a steady tone what its beginning leaves: the unit has settled where it settles fast.
_SETTLE_S = 0.1


@dataclass(frozen=True, eq=False)
class Steps:
    """The growing tone late in each of its steps, all of shape (steps,).

    `levels_dbu` went in, `gains_db` is how much louder its pitch came out; `crests` is the highest
    peak of what came out against a sine as loud, below 1 where its tops are cut.
    """

    levels_dbu: Floats
    gains_db: Floats
    crests: Floats


def gain_db(received: Received) -> float:
    """Return how much louder than what went in the tone `level` came out."""
    part = sent().parts["level"]
    begin = round((part.start_s + _SETTLE_S) * RATE)
    return _tone_gain_db(received, slice(begin, part.frames(with_rest=False).stop), LEVEL_HZ)


def steps_of(received: Received, name: str = "steps1") -> Steps:
    """Return what is read of the growing tone."""
    late = step_frames(name, 0.5, 0.95)
    full_volts = float(np.abs(received.given).max()) / float(np.abs(sent().line).max())
    lines = [received.line[frames] for frames in late]
    return Steps(
        np.array(STEPS_DBFS) + units.volts_to_dbu(full_volts / 2.0**0.5),
        np.array([_tone_gain_db(received, frames, STEPS_HZ) for frames in late]),
        np.array([np.abs(line).max() / (2.0**0.5 * (line.std() + 1e-12)) for line in lines]),
    )


def _tone_gain_db(received: Received, frames: slice, hz: float) -> float:
    went, came = (abs(amplitude(line[frames], hz)) for line in (received.given, received.line))
    return 20.0 * float(np.log10((came + 1e-12) / (went + 1e-12)))
