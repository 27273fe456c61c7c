"""Long-term spectrum: the mean power density of a whole sound, by averaged short spectra.

The method is Welch's (IEEE Trans. Audio Electroacoust. 15, 1967, 70-73, from memory): Hann
windows, each a quarter of its length after the one before, over the sound with silence about it.
The squares of Hann windows so spaced add up to 1.5 everywhere, so every frame counts alike and

    sum over lines of density * line spacing = mean square of the sound                     (1)

holds to rounding (Parseval), for sounds shorter than a window too. scipy's welch leaves the ends
out, and its ShortTimeFFT holds all short spectra at once and takes three times as long; both
judge this in the tests.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.signal import Signal, Volts
from simchain.units import DBU_VOLTS

Floats = NDArray[np.float64]

OVERLAP = 4
# A sine on a line puts 2/3 of its power there: the noise bandwidth of a Hann window is 1.5 lines.
LINES_WIDE = 1.5

_SQUARES_ADD_UP_TO = 1.5
_FLOATS_A_PIECE = 2**18


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Mean power at frequencies `hz`, shape (lines,), from 0 to half the rate.

    `density` is the one-sided power density in V^2/Hz, shape (channels, lines).
    """

    hz: Floats
    density: Floats

    @property
    def line_hz(self) -> float:
        """Spacing of the lines."""
        return float(self.hz[1])

    @property
    def tone_dbu(self) -> Floats:
        """What a steady sine on a line reads there in dBu RMS; noise reads 1.5 lines' worth.

        Shape (channels, lines). Between two lines a sine reads up to 1.42 dB low (Hann).
        """
        with np.errstate(divide="ignore"):
            mean_square = self.density * (LINES_WIDE * self.line_hz)
            return np.asarray(10.0 * np.log10(mean_square / DBU_VOLTS**2))

    def mean_square(self, low_hz: float, high_hz: float, gain_db: Floats | float = 0.0) -> Floats:
        """V^2 in the lines from `low_hz` to `high_hz`, each weighted by `gain_db`: (channels,)."""
        counted = (self.hz >= low_hz) & (self.hz <= high_hz)
        gain = np.broadcast_to(10.0 ** (np.asarray(gain_db) / 10.0), self.hz.shape)
        return np.asarray(self.density[:, counted] @ gain[counted] * self.line_hz)


def long_term_spectrum(signal: Signal, window_s: float = 0.2) -> Spectrum:
    """Spectrum of the whole `signal`, lines 1 / `window_s` apart (about: windows are quick ones).

    The density of a sine is spread over two lines each way. Of no frames it is 0 everywhere.
    """
    length = window_length(window_s, signal.rate)
    energy = np.zeros((signal.channels, length // 2 + 1))
    for line, sums in zip(signal.volts, energy, strict=True):
        for powers in short_powers(line, length):
            sums += powers.sum(axis=0)
    line_hz = signal.rate / length
    hz = np.arange(length // 2 + 1, dtype=np.float64) * line_hz
    return Spectrum(hz, energy / (max(signal.frames, 1) * line_hz))


def steady_spectrum(signal: Signal, window_s: float = 0.2) -> Spectrum:
    """Spectrum of a steady `signal` cut out of a longer one, from the windows wholly inside it.

    So the ends, which are no part of the sound, do not count as clicks, and (1) holds only as
    nearly as the signal is steady. A signal shorter than a window is taken as `long_term_spectrum`
    takes it.
    """
    length = window_length(window_s, signal.rate)
    if signal.frames < length:
        return long_term_spectrum(signal, window_s)
    means = np.zeros((signal.channels, length // 2 + 1))
    for line, mean in zip(signal.volts, means, strict=True):
        windows = (signal.frames - length) // (length // OVERLAP) + 1
        for powers in short_powers(line, length, OVERLAP - 1, windows):
            mean += powers.sum(axis=0) / (windows * (length // OVERLAP))
    line_hz = signal.rate / length
    return Spectrum(np.arange(length // 2 + 1, dtype=np.float64) * line_hz, means / line_hz)


def window_length(window_s: float, rate: int) -> int:
    """Frames of a window of about `window_s`: a multiple of four, quick to transform.

    Raises ValueError for a window under eight frames.
    """
    from scipy.fft import next_fast_len

    quarter = round(window_s * rate / OVERLAP)
    if quarter < 2:
        raise ValueError(f"a window of {window_s:g} s is under eight frames at {rate} a second")
    return OVERLAP * int(next_fast_len(quarter, real=True))


def short_powers(
    line: Volts, length: int, first_window: int = 0, windows: int | None = None
) -> Iterator[Floats]:
    """Powers of the short spectra of `line`, in pieces of shape (windows, length / 2 + 1).

    Window n starts at frame (n - 3) * length / 4. None is all windows that touch the sound; their
    sum over windows and lines is the sum of squares of the sound (equation 1).
    """
    hop = length // OVERLAP
    if windows is None:
        windows = -(-line.size // hop) + OVERLAP - 1 - first_window if line.size else 0
    together = max(1, _FLOATS_A_PIECE // length)
    taper = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)
    sides = np.full(length // 2 + 1, 2.0)
    sides[[0, -1]] = 1.0
    sides /= length * _SQUARES_ADD_UP_TO
    for first in range(0, windows, together):
        count = min(together, windows - first)
        start = (first_window + first - OVERLAP + 1) * hop
        stretch = _with_silence(line, start, start + (count - 1) * hop + length)
        views = np.lib.stride_tricks.sliding_window_view(stretch, length)[::hop]
        spectra = np.fft.rfft(views * taper)
        yield (spectra.real**2 + spectra.imag**2) * sides


def _with_silence(line: Volts, start: int, stop: int) -> Volts:
    """Frames `start` to `stop` of the line; where there are none, 0 V."""
    inside = line[max(start, 0) : max(stop, 0)]
    before = max(-start, 0)
    return np.pad(inside, (before, stop - start - before - inside.size))
