"""An octave unit of another make: a voice above, one below, and the sound as it is.

In one kind of unit spectra of 43 ms taken every 5 ms are laid down twice or half as far apart, each
line's phase led on by the frequency that two neighbours tell, lines about a peak keeping their
phases to it (Laroche and Dolson, IEEE Trans. Speech and Audio Processing 7(3), 1999, from memory);
read at twice or half the speed that is an octave up or down. In the other kind pieces of 30 ms are
laid so, each taken from where it is most like what would have followed the last (Verhelst and
Roelands, ICASSP 1993, from memory). 20 ms late. Converters that clip at +9 dBu.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d
from scipy.signal import firwin, oaconvolve, resample_poly

Floats = NDArray[np.float64]

RATE = 48_000
SIZE, HOP = 2048, 256
PIECE, REACH = 1440, 480
LATE = 960
CEILING_VOLTS = 0.7746 * 2.0**0.5 * 10.0 ** (9.0 / 20.0)
BAND_HZ = 10_500.0
BOUNDS = dict.fromkeys(("up_mix", "down_mix", "direct_mix"), ("db", 0.03))


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have: one octave or both, and always some of the sound itself.

    Without it the recording's markers come back at another pitch only, and are not found.
    """
    up, down = rng.uniform(0.1, 1.0, size=2)
    which = int(rng.integers(3))
    return {
        "up_mix": float(up) if which != 0 else 0.0,
        "down_mix": float(down) if which != 1 else 0.0,
        "direct_mix": float(rng.uniform(0.2, 1.0)),
        "splices": bool(rng.integers(2)),
    }


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    line = given["direct_mix"] * volts
    band = oaconvolve(volts, firwin(201, BAND_HZ, window=("kaiser", 8.0), fs=RATE), "same")
    for key, speed in (("up_mix", 2.0), ("down_mix", 0.5)):
        if given[key]:
            octave = _shifted(band, speed, splices=given["splices"])
            line[LATE:] += given[key] * octave[: max(0, volts.size - LATE)]
    return np.clip(line, -CEILING_VOLTS, CEILING_VOLTS)


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return found and true values."""
    return {key: (found[key], given[key]) for key in BOUNDS}


def _shifted(volts: Floats, speed: float, *, splices: bool) -> Floats:
    """Return `volts` with every frequency `speed` times as high, 2 or 1/2."""
    drawn = _spliced(volts, speed) if splices else _drawn_out(volts, round(HOP * speed))
    return np.asarray(resample_poly(drawn, *((1, 2) if speed == 2.0 else (2, 1))))


def _spliced(volts: Floats, times: float) -> Floats:
    """Return `volts` so many times as long, from pieces that follow each other well."""
    half, before = PIECE // 2, 2 * PIECE + REACH
    window = np.hanning(PIECE + 1)[:PIECE]
    padded = np.pad(volts, before)
    count = int(volts.size * times / half) + 2
    out = np.zeros((count + 2) * half)
    at = before - half
    for number in range(count):
        ideal = before - half + round(number * half / times)
        target = padded[at + half : at + half + PIECE]
        region = padded[ideal - REACH : ideal + REACH + PIECE]
        power = np.append(0.0, np.cumsum(region**2))
        power = np.sqrt(np.maximum(power[PIECE:] - power[:-PIECE], 0.0) + 1e-9)
        like = np.correlate(region, target, "valid") / power
        at = ideal if number == 0 or not target.any() else ideal - REACH + int(np.argmax(like))
        out[number * half : number * half + PIECE] += padded[at : at + PIECE] * window
    return out[half : half + round(volts.size * times)]


def _drawn_out(volts: Floats, laid: int) -> Floats:
    """Return `volts` with its spectra `laid` frames apart in place of 256."""
    window = np.hanning(SIZE + 1)[:SIZE]
    padded = np.pad(volts, SIZE)
    count = (padded.size - SIZE) // HOP
    turn = 2.0 * np.pi * np.arange(SIZE // 2 + 1) * HOP / SIZE
    out, weight = (np.zeros(count * laid + 2 * SIZE) for _ in range(2))
    phase = before = np.zeros(SIZE // 2 + 1)
    for number in range(count):
        spectrum = np.fft.rfft(padded[number * HOP : number * HOP + SIZE] * window)
        level, angle = np.abs(spectrum), np.angle(spectrum)
        off = (angle - before - turn + np.pi) % (2.0 * np.pi) - np.pi
        led = phase + (turn + off) * laid / HOP
        peaks = np.flatnonzero((level == maximum_filter1d(level, 5)) & (level > 1e-9))
        if peaks.size:
            nearest = peaks[np.searchsorted(0.5 * (peaks[1:] + peaks[:-1]), np.arange(level.size))]
            phase = led[nearest] + angle - angle[nearest]
        else:
            phase = led
        before = angle
        piece = np.fft.irfft(level * np.exp(1j * phase), SIZE) * window
        out[number * laid : number * laid + SIZE] += piece
        weight[number * laid : number * laid + SIZE] += window**2
    start = round(SIZE / 2 + (SIZE - SIZE / 2) * laid / HOP)
    made = out / np.maximum(weight, 1e-3)
    return np.asarray(made[start : start + round(volts.size * laid / HOP)])
