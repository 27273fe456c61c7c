"""Steady tones through a unit that sways: how strong and how late they come out, over time.

A tone through a path that moves keeps its pitch about: it comes out with another complex amplitude
at each moment. So what is kept of a second of sound is a few hundred numbers, and thousands of
rates and depths may be tried in the time in which one block is rendered.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simchain.fit.received import Received
from simchain.fit.sent import BURST_HZ, LEVEL_HZ, RAMP_HZ, RATE, STEPS_HZ, sent

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

PARTS_HZ = {
    "level": LEVEL_HZ,
    "steps1": STEPS_HZ,
    "bursts1": BURST_HZ,
    "steps2": STEPS_HZ,
    "bursts2": BURST_HZ,
    "ramp": RAMP_HZ,
}
# Of each tone so wide a band is kept, as a share of its pitch, and so many amplitudes a second.
_BAND_SHARE, _FRAMES = 0.8, 24
# Where what went in has just changed, or is too soft, what comes out tells nothing.
_STEADY_S, _AHEAD_S, _STEADY_RATIO, _SOFTEST = 0.05, 0.03, 1.35, 3.0


@dataclass(frozen=True, eq=False)
class Tone:
    """One tone of pitch `hz`: complex amplitudes at `times` in seconds, shape (points,), in volts.

    `weight` is one over how large an error there may be, and 0 where nothing is told.
    """

    name: str
    hz: float
    times: Floats
    given: Complexes
    heard: Complexes
    weight: Floats

    def thinned(self, every: int) -> "Tone":
        """Return every so many of its points."""
        pick = slice(None, None, every)
        return replace(
            self,
            times=self.times[pick],
            given=self.given[pick],
            heard=self.heard[pick],
            weight=self.weight[pick],
        )

    @property
    def told(self) -> NDArray[np.bool_]:
        """Where it tells anything."""
        return np.asarray(self.weight > 0.0)


def tones(received: Received, most_volts: float) -> list[Tone]:
    """Return the steady tones of what was played, as far as they are softer than `most_volts`."""
    return [_tone(received, name, hz, most_volts) for name, hz in PARTS_HZ.items()]


def _tone(received: Received, name: str, hz: float, most_volts: float) -> Tone:
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    frames = sent().parts[name].frames(with_rest=False)
    given, heard = (_amplitudes(line, frames, hz) for line in (received.given, received.line))
    times = np.arange(frames.start, frames.stop, _FRAMES) / RATE
    size = np.abs(given)
    steady = 2 * round(_STEADY_S * RATE / _FRAMES) + 1
    loudest = maximum_filter1d(size, steady, origin=steady // 2)
    softest = minimum_filter1d(size, steady, origin=steady // 2)
    told = (loudest < _STEADY_RATIO * softest) & (size < most_volts)
    told &= (size > _SOFTEST * received.noise_volts) & (times > times[0] + _STEADY_S)
    # What comes back may stand before its time: a unit that delays all makes markers late too.
    ahead = round(_AHEAD_S * RATE / _FRAMES)
    told[:-ahead] &= told[ahead:]
    told[-ahead:] = False
    weight = np.where(told, 1.0 / (size + received.noise_volts), 0.0)
    return Tone(name, hz, times, given, heard, weight)


def _amplitudes(line: Floats, frames: slice, hz: float) -> Complexes:
    """Return the complex amplitude of a tone about each 24th frame of a stretch."""
    from scipy.signal import firwin, upfirdn

    half = _FRAMES * round(3.0 * RATE / (_BAND_SHARE * hz * _FRAMES))
    low_pass = firwin(2 * half + 1, _BAND_SHARE * hz, fs=RATE)
    wide = np.arange(frames.start - half, frames.stop + half)
    turned = 2.0 * line[wide] * np.exp(-2j * np.pi * hz * wide / RATE)
    count = len(range(frames.start, frames.stop, _FRAMES))
    kept = upfirdn(low_pass, turned, 1, _FRAMES)[2 * half // _FRAMES :]
    return np.asarray(kept[:count])
