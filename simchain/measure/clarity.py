"""How clearly a delay's repeats stand out, from a burst that is sent through an order.

A burst and then, as loud, a higher tone that is held: a note, and what is played on while it
repeats. What else goes through with the repeats must be there. In silence a drive or compressor
behind the delay would only lift them; with the second note it does what it does in music, where
the louder sound pushes the softer down (a hard limiter halves it: J. J. Jones, IEEE Trans. Inf.
Theory 9, 1963, 34-42, from memory).

The burst warbles, as tones for rooms do: of a plain tone the tail of a room swells and fades by
some 20 dB, as if it were repeats; of this one a long room still reads about 10. What is played on
is steady: were it to move, its beats in a room would press the tail down and let it up again. Only
the band that the burst sweeps is listened to.

Where a power stage behind a loop is driven hard it presses repeats down too, and a delay in the
loop may read less clear than one in front: by a dB or two, by 5 dB where what is played on comes
back in step with itself and so is louder.

How far a repeat stands out is its prominence: its level over the higher of the two valleys between
it and whatever is louder, the burst itself included. Level counts from 50 dB below the burst on.
The figure is the mean of the three most prominent repeats, 0 for each that is missing. So it has no
jumps: where no level changes by more than d dB, neither does the figure by more than 2 d (stability
of persistence: Cohen-Steiner, Edelsbrunner, Harer, Discrete Comput. Geom. 37, 2007, 103-120, from
memory). The first three by time would jump with every ripple that comes and goes.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simchain.signal import Volts, twins

Floats = NDArray[np.float64]

BURST_HZ, SWING_HZ, WARBLES_HZ = 450.0, 150.0, 100.0
# Near the burst, for amplifiers take middles away; so far up that an octave below it is out of the
# band too. It divides 24, 48 and 96 kHz, so that aliases of its harmonics fall on harmonics; and of
# delays in whole milliseconds only one in three brings it back in step with itself, which makes it
# louder and presses repeats down by some dB more.
PLAYED_ON_HZ = 4_000.0 / 3.0
BEFORE_S, BURST_S, EDGE_S, AFTER_S = 0.1, 0.04, 0.01, 2.0

# What lies lower than this below the burst is not heard in music (common practice, no source).
FAINTEST_DB = -50.0
REPEATS = 3

# The burst's band, and where its soft edges end: above what thumps where distortion meets a sway.
_BAND_HZ, _EDGES_HZ = (300.0, 600.0), (230.0, 660.0)
# More than twice the width of the band holds all of its power's movement.
_POINTS_A_SECOND = 2_000
# Between half-heights 10 ms of a Hann window, which is blind to what the warble does.
_WINDOW_S = 2.0 / WARBLES_HZ
# A repeat lies in the middle of what is this near to its peak: the burst's top is flat.
_NEAR_DB = 3.0
_ONSET = 10.0 ** (-20.0 / 10.0)
_SILENT = 1e-16


def burst(peak_volts: float, rate: int) -> Volts:
    """Silence, a burst of 40 ms that warbles from 300 to 600 Hz, then 1333 Hz for 2 s.

    Shape (1, frames). Both have `peak_volts`, and change over within 10 ms.
    """
    t = np.arange(round((BEFORE_S + BURST_S + AFTER_S) * rate)) / rate - BEFORE_S
    turns = BURST_HZ * t - SWING_HZ / (2.0 * math.pi * WARBLES_HZ) * np.cos(
        2.0 * math.pi * WARBLES_HZ * t
    )
    note = _rise(t) * _rise(BURST_S - t) * np.sin(2.0 * math.pi * turns)
    played_on = _rise(t - BURST_S + EDGE_S) * _rise(BURST_S + AFTER_S - t)
    played_on *= np.sin(2.0 * math.pi * PLAYED_ON_HZ * t)
    return np.asarray(peak_volts * (note + played_on)[np.newaxis])


class Repeat(NamedTuple):
    """One repeat: how long after the burst it comes, its level against it, its prominence."""

    after_s: float
    level_db: float
    prominence_db: float


def repeats(samples: Volts, rate: int) -> list[Repeat]:
    """Return what `clarity_db` counts, by time: everything that stands out behind the burst.

    `samples` are as there. Times are between the middles of what lies within 3 dB of each peak,
    good to a millisecond; ripples of a room are among them, and stand out by little.
    """
    level, before_s = _level_after_burst(samples, rate)
    peaks, prominences = _peaks(level)
    return [
        Repeat(before_s + _middle(level, peak) / _POINTS_A_SECOND, level[peak], prominence)
        for peak, prominence in zip(peaks.tolist(), prominences.tolist(), strict=True)
    ]


def clarity_db(samples: Volts, rate: int) -> float:
    """How far repeats of `burst` stand out in `samples`, in dB from 0 to 50.

    `samples`, shape (1 or 2 channels, frames), are what came of it at 24 kHz or more; the power of
    both channels counts together. 0 where there are no repeats, and in silence. Repeats within some
    80 ms of the note are not told from it.
    """
    _, prominences = _peaks(_level_after_burst(samples, rate)[0])
    return float(np.sort(prominences)[-REPEATS:].sum() / REPEATS)


def _peaks(level: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Return where the peaks of a level lie, and how far they stand out."""
    from scipy.signal import find_peaks

    # What is before counts as higher than any repeat.
    places, found = find_peaks(np.concatenate(([math.inf], level)), prominence=0.0)
    return places - 1, found["prominences"]


def _middle(level: Floats, peak: int) -> float:
    """Return the middle of what lies within `_NEAR_DB` of a peak, all round it."""
    low = level < level[peak] - _NEAR_DB
    before, after = np.flatnonzero(low[:peak]), np.flatnonzero(low[peak:])
    first = before[-1] + 1 if before.size else 0
    last = peak + after[0] - 1 if after.size else level.size - 1
    return float(first + last) / 2.0


def _level_after_burst(samples: Volts, rate: int) -> tuple[Floats, float]:
    """Return the level against the burst's after its end, in dB, not below the faintest.

    And how many seconds after the burst's own middle that begins.
    """
    window = np.hanning(round(_WINDOW_S * _POINTS_A_SECOND) + 1)
    power = np.convolve(_power_in_band(samples, rate), window / window.sum(), mode="same")
    loudest = power.max()
    if loudest <= _SILENT * np.square(samples).max(initial=0.0):
        return np.zeros(1), 0.0
    onset = int(np.argmax(power > _ONSET * loudest))
    end = onset + round((BURST_S + _WINDOW_S) * _POINTS_A_SECOND)
    least = 10.0 ** (FAINTEST_DB / 10.0)
    level = np.asarray(10.0 * np.log10(np.maximum(power / power[:end].max(), least)))
    before = end - _middle(level[:end], int(np.argmax(level[:end])))
    return level[end:], before / _POINTS_A_SECOND


def _power_in_band(samples: Volts, rate: int) -> Floats:
    """Return the power in the burst's band, 2000 points a second, of all channels together.

    The lines of the band, moved down to 0 Hz and transformed back, are the analytic signal: its
    square has no ripple at twice the tone.
    """
    from scipy import fft

    lines = samples[:1] if twins(samples) else samples
    # Silence behind, so that nothing rings round to the beginning.
    frames = fft.next_fast_len(samples.shape[1] + round(0.1 * rate), real=True)
    spectrum = fft.rfft(_without_ends(lines, rate), frames, axis=1)
    first, last = (round(edge * frames / rate) for edge in _EDGES_HZ)
    weights = _band(np.arange(first, last) * (rate / frames))
    points = round(frames / rate * _POINTS_A_SECOND)
    analytic = fft.ifft(spectrum[:, first:last] * weights, points, axis=1)
    return np.asarray(np.sum(analytic.real**2 + analytic.imag**2, axis=0) * (points / frames) ** 2)


def _without_ends(lines: Volts, rate: int) -> Volts:
    """Return `lines` without DC and with soft ends, where they would click."""
    found: Volts = lines - lines.sum(axis=1, keepdims=True) / max(lines.shape[1], 1)
    from_end = np.arange(min(round(EDGE_S * rate), lines.shape[1] // 2)) / rate
    rise = _rise(from_end)
    found[:, : rise.size] *= rise
    found[:, found.shape[1] - rise.size :] *= rise[::-1]
    return found


def _band(hz: Floats) -> Floats:
    corners = (_EDGES_HZ[0], *_BAND_HZ, _EDGES_HZ[1])
    return _rise(EDGE_S * np.interp(hz, corners, (0.0, 1.0, 1.0, 0.0)))


def _rise(seconds: Floats) -> Floats:
    """Return a raised cosine from 0 at 0 s to 1 at `EDGE_S`."""
    return np.asarray(np.sin(0.5 * math.pi * np.clip(seconds / EDGE_S, 0.0, 1.0)) ** 2)
