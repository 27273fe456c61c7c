"""What a sweep tells of a delay: the sound itself, and each repeat by itself.

What came back is deconvolved by what went in: sound that repeats becomes a row of pulses, which
are cut apart, and whose spectra are compared with what each repeat passes once more.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.fit.received import Received
from simchain.fit.sent import RATE, sent

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

# Delays below this cannot be cut from the sound itself.
SHORTEST_S = 4e-3
LONGEST_S = 5.0
MOST_REPEATS = 4
BAND_HZ = (100.0, 14_000.0)
POINTS_AN_OCTAVE = 6
# Where the sound itself is told from a repeat that comes soon: both high and dull enough.
DRY_HZ = (1_000.0, 10_000.0)
_NEAR_S, _SMOOTH_S = 2e-3, 2e-3


@dataclass(frozen=True, eq=False)
class Pulses:
    """A response over time, (frames,), and what a wire's would be; both begin at time 0.

    Time before 0 is at the end. `noise` is the standard deviation of the response's spectrum, for
    each of `hz`, over the whole response.
    """

    line: Floats
    wire: Floats
    hz: Floats
    noise: Floats

    def cut(self, middle_s: float, half_s: float) -> tuple[Floats, Complexes]:
        """Return (hz, spectrum) of what lies within `half_s` of a time; its phase is from there."""
        half = max(8, round(half_s * RATE))
        middle = round(middle_s * RATE)
        window = np.minimum(1.0, np.arange(1, half + 1) / (0.3 * half))
        window = 0.5 - 0.5 * np.cos(np.pi * window)
        frames = np.arange(middle - half, middle + half) % self.line.size
        part = self.line[frames] * np.concatenate((window, window[::-1]))
        hz = np.fft.rfftfreq(part.size, 1.0 / RATE)
        late = middle_s - (middle - half) / RATE
        return np.asarray(hz), np.asarray(np.fft.rfft(part) * np.exp(2j * np.pi * hz * late))

    def noise_in(self, hz: Floats, half_s: float) -> Floats:
        """Return the standard deviation of what `cut` gives, at each of `hz`."""
        share = 2.0 * half_s * RATE / self.line.size
        return np.asarray(np.interp(hz, self.hz, self.noise) * np.sqrt(share))


def pulses(received: Received, part: str = "room", extra_s: float = 0.0) -> Pulses:
    """Return the response over time as one sweep and its rest, and `extra_s` more, have it."""
    from scipy.fft import irfft, next_fast_len, rfft

    frames = sent().parts[part].frames()
    given = received.given[sent().parts[part].frames(with_rest=False)]
    heard = received.line[frames.start : frames.stop + round(extra_s * RATE)]
    length = next_fast_len(2 * heard.size, real=True)
    x, y = rfft(given, length), rfft(heard, length)
    power = np.square(np.abs(x))
    noise_power = heard.size * (received.noise_volts**2 + 1e-12)
    inverse = np.conj(x) / (power + noise_power)
    hz: Floats = np.asarray(np.fft.rfftfreq(length, 1.0 / RATE))
    noise = np.sqrt(noise_power) * np.abs(inverse)
    return Pulses(irfft(y * inverse, length), irfft(x * inverse, length), hz, noise)


def without_dry(found: Pulses) -> tuple[float, Pulses]:
    """Return how loud the sound itself is, and the response without it."""
    from scipy.fft import irfft, rfft

    hz, here = found.cut(0.0, _NEAR_S)
    wire = Pulses(found.wire, found.wire, found.hz, found.noise)
    against = here / wire.cut(0.0, _NEAR_S)[1]
    told = (hz > DRY_HZ[0]) & (hz < DRY_HZ[1])
    # The sound itself may stand a part of a frame from 0.
    turns = np.unwrap(np.angle(against[told])) / (2.0 * np.pi)
    late = -float(np.sum(turns * hz[told]) / np.sum(np.square(hz[told])))
    straight = against[told] * np.exp(2j * np.pi * hz[told] * late)
    gain = float(np.median(straight.real))
    all_hz = np.fft.rfftfreq(found.line.size, 1.0 / RATE)
    moved = irfft(rfft(found.wire) * np.exp(-2j * np.pi * all_hz * late), found.line.size)
    return gain, Pulses(found.line - gain * moved, found.wire, found.hz, found.noise)


def first_repeat_s(wet: Pulses) -> float:
    """Return when the loudest repeat comes: the first, for each is softer than the one before."""
    from scipy.ndimage import uniform_filter1d

    begin, end = round(SHORTEST_S * RATE), min(round(LONGEST_S * RATE), wet.line.size // 2)
    energy = uniform_filter1d(np.square(wet.line[:end]), round(_SMOOTH_S * RATE))
    at = begin + int(np.argmax(energy[begin:]))
    near = slice(max(0, at - round(_SMOOTH_S * RATE)), at + round(_SMOOTH_S * RATE))
    power = np.square(wet.line[near])
    return float((near.start + np.sum(np.arange(power.size) * power) / power.sum()) / RATE)


def bands_hz() -> Floats:
    """Return the middles of the bands that repeats are compared in."""
    low, high = BAND_HZ
    count = int(np.log2(high / low) * POINTS_AN_OCTAVE) + 1
    return np.asarray(low * 2.0 ** (np.arange(count) / POINTS_AN_OCTAVE))


def in_bands(hz: Floats, spectrum: Complexes | Floats) -> Floats:
    """Return the root of the mean square in each band; where none of `hz` falls, the nearest."""
    middles = bands_hz()
    half = 2.0 ** (0.5 / POINTS_AN_OCTAVE)
    power = np.square(np.abs(spectrum))
    found = np.interp(middles, hz, power)
    for place, middle in enumerate(middles):
        inside = (hz >= middle / half) & (hz < middle * half)
        if inside.sum() > 1:
            found[place] = power[inside].mean()
    return np.asarray(np.sqrt(found))


@dataclass(frozen=True, eq=False)
class Repeats:
    """Levels of a sound, `dry`, and of its first repeats, (repeats, bands), with their `noise`.

    `dry` has the sign of what came back. Of what went in the peak was `peak_volts`.
    """

    time_s: float
    dry: float
    levels: Floats
    noise: Floats
    peak_volts: float


def repeats_of(received: Received) -> Repeats:
    """Return the repeats in what came back of the long sweep."""
    dry, wet = without_dry(pulses(received))
    time_s = first_repeat_s(wet)
    count = max(1, min(MOST_REPEATS, int(LONGEST_S / time_s)))
    levels, noise = [], []
    half_s = 0.5 * time_s
    for number in range(1, count + 1):
        hz, spectrum = wet.cut(number * time_s, half_s)
        levels.append(in_bands(hz, spectrum))
        noise.append(wet.noise_in(bands_hz(), half_s))
    return Repeats(
        time_s,
        dry,
        np.array(levels),
        np.array(noise),
        float(np.abs(received.part("room")[0]).max()),
    )


def strays(wet: Pulses, time_s: float, passed: Complexes, hz: Floats) -> tuple[Floats, Floats]:
    """Return (hz, seconds): by how much the first repeat is later than `time_s` at each pitch.

    A sweep passes each pitch at one moment: where the delay wavers, its repeat's phase over pitch
    tells how it stood over time. `passed` is what the repeat has passed but for the delay.
    """
    half_s = min(0.5 * time_s, 25e-3)
    at, spectrum = wet.cut(time_s, half_s)
    filtered = np.interp(at, hz, passed.real) + 1j * np.interp(at, hz, passed.imag)
    noise = wet.noise_in(at, half_s)
    told = (at > 120.0) & (at < 8e3) & (np.abs(spectrum) > 5.0 * noise)
    told &= np.cumsum(~told & (at > 120.0)) == 0
    phase = np.unwrap(np.angle(spectrum * np.conj(filtered))[told])
    return at[told], -phase / (2.0 * np.pi * at[told])
