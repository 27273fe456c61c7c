"""What rings on in rests and after the last note, against the notes, in bands of the ear."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simchain.measure.excitation import (
    BANDS,
    HOP_S,
    LONG_FRAME_S,
    band_groups,
    excitation,
)
from simchain.signal import Volts, twins

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

GROUPS = band_groups(4)

# A rest: so far below the loudest 10 ms; what sounds after the last note counts for a second. Both
# fitted to judging.md's pairs: a tail is told in a phrase that leaves gaps, and little of decaying
# strings is.
REST_DB = 26.0
AFTER_S = 1.0
SHORTEST_S = 0.2
# Frames about a note's end have both in them.
_BESIDE = math.ceil(0.5 * LONG_FRAME_S / HOP_S)
# Against the notes' mean: what lies lower is hardly heard at 75 dB SPL.
LEAST_TAIL_DB = -55.0
# Groups whose notes lie further below the loudest group's say nothing.
FAINTEST_GROUP_DB = -40.0


class Moments(NamedTuple):
    """Which frames, one every 10 ms, lie in notes and which in rests; some lie in neither."""

    notes: Mask
    rests: Mask


def moments_of(clip: Volts, rate: int, frames: int) -> Moments:
    """Tell notes and rests of `clip` apart in so many frames.

    `clip` has shape (channels, samples) and is silent after its end. A rest is where RMS in pieces
    of 10 ms, the louder channel's, stays 26 dB below its largest: between the first note and the
    last, and for a second after that; 30 ms from either note are left out.
    """
    piece = round(HOP_S * rate)
    padded = np.zeros((len(clip), frames * piece))
    padded[:, : clip.shape[1]] = clip[:, : padded.shape[1]]
    pieces = padded.reshape(len(clip), frames, piece)
    powers = np.einsum("cpt,cpt->cp", pieces, pieces).max(axis=0, initial=0.0)
    loud = powers > powers.max(initial=0.0) * 10.0 ** (-REST_DB / 10.0)
    sounding = np.flatnonzero(loud)
    if not sounding.size:
        return Moments(loud, loud)
    # A frame is centred where a piece begins: it has half of the one before it.
    rests = ~np.convolve(loud, np.ones(2 * _BESIDE, bool))[_BESIDE - 1 :][:frames].astype(bool)
    first, last = sounding[0], sounding[-1]
    rests[:first] = False
    rests[last + round(AFTER_S / HOP_S) :] = False
    notes = ~rests
    notes[:first] = notes[last + 1 :] = False
    return Moments(notes, rests)


def tail_db(samples: Volts, rate: int, moments: Moments) -> Floats | None:
    """Return the mean level in rests against that in notes, in dB.

    `samples` has shape (1 or 2 channels, frames), `moments` are those of the clip it came from. One
    value for each group of 4 ERB: the mean over the frames in rests of what each has in dB against
    the notes' mean excitation, -55 at least; NaN in groups whose notes lie 40 dB and more below the
    loudest. None where less than 0.2 s are rests, and in silence.
    """
    notes_in, rests = moments
    if np.count_nonzero(rests) < round(SHORTEST_S / HOP_S):
        return None
    power = np.zeros((rests.size, BANDS))
    for line in samples[:1] if twins(samples) else samples:
        line = np.asarray(line, dtype=np.float64)
        power += excitation(line, rate, LONG_FRAME_S, frames=rests.size)
    groups = np.add.reduceat(power, GROUPS, axis=1)
    notes = groups[notes_in].mean(axis=0)
    if notes.max() <= 0.0:
        return None
    active = notes > notes.max() * 10.0 ** (FAINTEST_GROUP_DB / 10.0)
    shares = groups[rests][:, active] / notes[active]
    found = np.full(GROUPS.size, np.nan)
    least = 10.0 ** (LEAST_TAIL_DB / 10.0)
    found[active] = np.mean(10.0 * np.log10(np.maximum(shares, least)), axis=0)
    return found
