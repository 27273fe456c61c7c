"""What a sweep tells of a room: when its sound comes, how loud it is, and how it dies away.

Decays are read as ISO 3382 has them, from the response to a click, in bands; not by backward
integration but by least deviance: power in a cell of time and pitch is spread as a gamma
distribution about an exponential over noise, and what is likeliest uses each cell as far as it
tells (McCullagh and Nelder, Generalized Linear Models, 1989, ch. 8, from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.fit.echoes import Pulses
from simchain.fit.sent import RATE
from simchain.fit.squares import deviations

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FRAME, HOP = 512, 256
DECAYS_AN_OCTAVE, LEVELS_AN_OCTAVE = 8, 3
HIGHEST_HZ = 14_000.0
LEVELS_HZ = (25.0, 10_000.0)
# The long sweep's rest is 6 s; a room's first sounds stand by themselves.
LAST_S, SETTLES_S = 5.8, 0.01
LATEST_S = 1.0
# Neighbouring windows share what they see: a cell is so much of an independent one.
_FRESH = 0.75
_SOON_S, _SHORT_S, _STANDS_OUT = 1e-3, 2e-3, 0.15


@dataclass(frozen=True, eq=False)
class Bands:
    """A figure in each band and its standard deviation as a share of it: (bands,) each."""

    hz: Floats
    value: Floats
    share: Floats


def first_s(wet: Pulses) -> float:
    """Return when the room's first sound comes after the sound itself."""
    from scipy.ndimage import uniform_filter1d

    begin = round(_SOON_S * RATE)
    line = wet.line[: round(LATEST_S * RATE)]
    energy = uniform_filter1d(np.square(line), round(_SHORT_S * RATE))[begin:]
    there = np.abs(line[begin:]) > _STANDS_OUT**0.5 * np.sqrt(energy.max())
    return float(begin + int(np.argmax(there))) / RATE


def decays(wet: Pulses, begins_s: float) -> Bands:
    """Return the time in which each band falls by 60 dB."""
    edges = _edges()
    first = round((begins_s + SETTLES_S) * RATE)
    frames = np.lib.stride_tricks.sliding_window_view(
        wet.line[first : round(LAST_S * RATE)], FRAME
    )[::HOP]
    window = np.hanning(FRAME)
    powers = np.square(np.abs(np.fft.rfft(frames * window, axis=1)))
    bins = np.diff(edges)
    cells = np.add.reduceat(powers, edges, axis=1)[:, :-1] / bins
    hz = (np.add.reduceat(np.arange(FRAME // 2 + 1.0), edges)[:-1] / bins) * RATE / FRAME
    noise = np.square(np.interp(hz, wet.hz, wet.noise)) / wet.line.size * np.square(window).sum()
    times = np.arange(len(cells)) * HOP / RATE
    found = np.array(
        [_decay(cells[:, band], times, noise[band], bins[band] * _FRESH) for band in range(hz.size)]
    )
    return Bands(hz, found[:, 0], found[:, 1])


def energies(wet: Pulses, begins_s: float, decay_s: float) -> Bands:
    """Return the energy of the room's response in thirds of an octave, per hertz of them.

    A band of B hertz that dies away in T seconds has B T / 6.9 independent parts or so.
    """
    line = wet.line[round(begins_s * RATE) : round(LAST_S * RATE)]
    hz = np.fft.rfftfreq(line.size, 1.0 / RATE)
    power = np.square(np.abs(np.fft.rfft(line)))
    low, high = LEVELS_HZ
    count = int(np.log2(high / low) * LEVELS_AN_OCTAVE) + 1
    middles = low * 2.0 ** (np.arange(count) / LEVELS_AN_OCTAVE)
    half = 2.0 ** (0.5 / LEVELS_AN_OCTAVE)
    edges = np.searchsorted(hz, np.append(middles / half, middles[-1] * half))
    edges[1:] = np.maximum(edges[1:], edges[:-1] + 1)
    value = np.add.reduceat(power, edges)[:-1] / np.diff(edges)
    parts = middles * (half - 1.0 / half) * decay_s / 6.9
    return Bands(middles, value, 1.0 / np.sqrt(1.0 + parts))


def deviances(ratio: Floats, shape: Floats | float) -> Floats:
    """Return the deviances, with sign, of powers that are `ratio` of what they should be.

    Each is a mean of `shape` independent ones; their squares' sum is least where it is likeliest.
    """
    ratio = np.maximum(ratio, 1e-9)
    off = np.maximum(ratio - 1.0 - np.log(ratio), 0.0)
    return np.asarray(np.sign(ratio - 1.0) * np.sqrt(2.0 * shape * off))


def _edges() -> Ints:
    """Return the bins at which bands begin and end, the lowest of them single bins."""
    edges = [2]
    while edges[-1] < HIGHEST_HZ / RATE * FRAME:
        edges.append(max(edges[-1] + 1, round(edges[-1] * 2.0 ** (1.0 / DECAYS_AN_OCTAVE))))
    return np.array(edges)


def _decay(cells: Floats, times: Floats, noise: float, shape: float) -> tuple[float, float]:
    """Return the decay of one band, and its standard deviation as a share of it."""
    from scipy.optimize import least_squares

    def off(at: Floats) -> Floats:
        made = np.exp(at[0] - np.exp(at[1]) * times) + noise * np.exp(at[2])
        return deviances(cells / made, shape)

    above = max(8, int(np.argmax(cells < 30.0 * noise)) or cells.size)
    slope = -np.polyfit(times[:above], np.log(cells[:above] + 1e-30), 1)[0]
    first = (np.log(cells[:4].mean()), np.log(max(slope, 0.5)), 0.0)
    end = least_squares(off, first, loss="soft_l1", f_scale=3.0, max_nfev=60)
    return float(6.0 * np.log(10.0) / np.exp(end.x[1])), float(deviations(end.jac)[1])
