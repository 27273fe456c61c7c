"""What rings on after the last note: its energy against the programme's, in bands of the ear."""

import math

import numpy as np
from numpy.typing import NDArray

from simchain.measure.excitation import (
    BANDS,
    HOP_S,
    LONG_FRAME_S,
    band_groups,
    excitation,
    frames_in,
)
from simchain.signal import Volts, twins

Floats = NDArray[np.float64]

GROUPS = band_groups(4)

# The last note is over where the clip stays so far below its loudest 10 ms.
OVER_DB = 40.0
# At 75 dB SPL the mean of a tail that lies lower is not heard any more.
LEAST_TAIL_DB = -55.0
# Groups that lie further below the loudest say nothing.
FAINTEST_GROUP_DB = -40.0
SHORTEST_TAIL_S = 0.2


def last_note_ends(clip: Volts, rate: int) -> int:
    """Return the frame from which `clip`, shape (channels, frames), stays 40 dB below its loudest.

    RMS in pieces of 10 ms, the louder channel's. 0 for silence.
    """
    piece = round(HOP_S * rate)
    whole = clip[:, : clip.shape[1] // piece * piece].reshape(len(clip), -1, piece)
    powers = np.einsum("cpt,cpt->cp", whole, whole).max(axis=0, initial=0.0)
    loud = np.flatnonzero(powers > powers.max(initial=0.0) * 10.0 ** (-OVER_DB / 10.0))
    return int(loud[-1] + 1) * piece if loud.size else 0


def tail_db(samples: Volts, rate: int, ends: int) -> Floats | None:
    """Return the mean excitation from frame `ends` on over that before it, in groups of 4 ERB.

    `samples` has shape (1 or 2 channels, frames). In dB, -55 at least; NaN in groups that lie 40 dB
    and more below the loudest one before `ends`. None where less than 0.2 s come after `ends`, and
    where there is silence before it.
    """
    after = samples.shape[1] - ends
    if ends <= 0 or after < SHORTEST_TAIL_S * rate:
        return None
    lines = samples[:1] if twins(samples) else samples
    frames = frames_in(samples.shape[1], rate)
    power = np.zeros((frames, BANDS))
    for line in lines:
        power += excitation(np.asarray(line, dtype=np.float64), rate, LONG_FRAME_S, frames=frames)
    last = ends // round(HOP_S * rate)
    # Frames about the end have both in them.
    beside = math.ceil(0.5 * LONG_FRAME_S / HOP_S)
    before = np.add.reduceat(power[: last + 1].mean(axis=0), GROUPS)
    behind = np.add.reduceat(power[last + 1 + beside :].mean(axis=0), GROUPS)
    if before.max() <= 0.0:
        return None
    active = before > before.max() * 10.0 ** (FAINTEST_GROUP_DB / 10.0)
    share = np.full(GROUPS.size, np.nan)
    np.divide(behind, before, out=share, where=active)
    return np.asarray(10.0 * np.log10(np.maximum(share, 10.0 ** (LEAST_TAIL_DB / 10.0))))
