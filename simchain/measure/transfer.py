"""What lies between two recordings made together: response, coherence, and how late one is.

Averaged cross spectra (Welch's method: Hann windows, each a quarter of its length after the one
before) give the response that takes x, which was given, to y, which was heard, with the least
squares of what is left in y::

    H1 = Sxy / Sxx                                                                             (1)
    coherence = |Sxy|^2 / (Sxx Syy)                                                            (2)

Noise in y leaves H1 as it is, on the mean; noise in x makes it smaller by the share of the noise
in Sxx, 0.5 dB where the coherence is 0.9 for that reason alone. Source: Bendat and Piersol, Random
Data, ch. 6 and 9 (single-input models, errors of estimates), from memory.

Played strings have lines and gaps, and a window's skirts carry a line's response into the gap
beside it. So windows are long, much longer than anything rings, and the gap is left to what is
played elsewhere and to the noise, which the coherence tells.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.measure.spectrum import OVERLAP
from simchain.signal import Volts

Floats = NDArray[np.float64]

# As if noise lay in x, 100 dB under its strongest: what is weaker is not divided by.
REGULAR_DB = -100.0


@dataclass(frozen=True, eq=False)
class CrossSpectra:
    """Mean powers of x and y and their mean product at frequencies `hz`, each of that shape.

    `given` is Sxx, `heard` Syy and `cross` Sxy = conj(X) Y, in one unit that cancels.
    """

    hz: Floats
    given: Floats
    heard: Floats
    cross: NDArray[np.complex128]

    @property
    def response(self) -> NDArray[np.complex128]:
        """H1 by equation (1), kept regular (see `REGULAR_DB`); 0 where x is silent throughout."""
        given = self._regular
        return np.divide(self.cross, given, out=np.zeros_like(self.cross), where=given > 0.0)

    @property
    def coherence(self) -> Floats:
        """The share of y that comes from x, 0 to 1, by equation (2); 0 where one is silent.

        Sxx is kept regular here too, so that the coherence tells where that bends the response.
        """
        both = self._regular * self.heard
        square = self.cross.real**2 + self.cross.imag**2
        return np.divide(square, both, out=np.zeros_like(both), where=both > 0.0)

    @property
    def _regular(self) -> Floats:
        floor = float(self.given.max(initial=0.0)) * 10.0 ** (REGULAR_DB / 10.0)
        return np.asarray(self.given + floor)


def cross_spectra(given: Volts, heard: Volts, length: int, rate: int) -> CrossSpectra:
    """Return the mean spectra of two lines of equal length over windows of `length` frames.

    Only windows that lie wholly inside count, so the ends are no clicks.
    Raises ValueError for lines of unequal length, or shorter than a window.
    """
    if given.size != heard.size or given.size < length:
        raise ValueError(
            f"two lines of one length, {length} frames at least, are wanted: "
            f"not {given.size} and {heard.size}"
        )
    taper = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)
    lines = length // 2 + 1
    powers, cross = np.zeros((2, lines)), np.zeros(lines, dtype=np.complex128)
    starts = range(0, given.size - length + 1, length // OVERLAP)
    for start in starts:
        x, y = (np.fft.rfft(taper * line[start : start + length]) for line in (given, heard))
        powers[0] += x.real**2 + x.imag**2
        powers[1] += y.real**2 + y.imag**2
        cross += np.conj(x) * y
    hz = np.arange(lines, dtype=np.float64) * (rate / length)
    return CrossSpectra(hz, powers[0] / len(starts), powers[1] / len(starts), cross / len(starts))


def smoothed(spectra: CrossSpectra, hz: Floats, octaves: float, least_hz: float) -> CrossSpectra:
    """Return means of `spectra`, on evenly spaced lines, about each of `hz`.

    Each mean is over `octaves` of an octave, or `least_hz` where that is wider; what is smoothed
    are powers and product, so the coherence falls where the response turns within a mean. A
    delay must be taken out before.
    """
    ratio = 2.0 ** (0.5 * octaves)
    half = np.maximum(0.5 * hz * (ratio - 1.0 / ratio), 0.5 * least_hz)
    line_hz = float(spectra.hz[1])
    edges = (np.arange(spectra.hz.size + 1) - 0.5) * line_hz

    def means(values: NDArray[np.inexact]) -> NDArray[np.complex128]:
        sums = np.concatenate((np.zeros(1), np.cumsum(values)))
        inside = np.interp(hz + half, edges, sums) - np.interp(hz - half, edges, sums)
        return np.asarray(inside * (line_hz / (2.0 * half)), dtype=np.complex128)

    given, heard = means(spectra.given).real, means(spectra.heard).real
    return CrossSpectra(hz, given, heard, means(spectra.cross))


def turns(spectra: CrossSpectra) -> NDArray[np.complex128]:
    """Return the phase of `cross` as numbers of size 1, weighted by the coherence."""
    size = np.abs(spectra.cross)
    turned = np.divide(spectra.cross, size, out=np.zeros_like(spectra.cross), where=size > 0.0)
    return np.asarray(turned * spectra.coherence)


def frames_late(turned: NDArray[np.complex128], most: int) -> tuple[int, bool]:
    """Return by how many frames `turned` is a delay, and whether it is upside down.

    `turned` stands on the lines of a transform: phases of size 1 or less, 0 where nothing is
    known. Its transform has its peak at the delay, at most `most` either way, whatever phase is
    common to all lines; upside down where that phase is nearer to half a turn than to none.

    Source: the phase transform of C. H. Knapp and G. C. Carter, IEEE Trans. Acoust., Speech,
    Signal Process. 24(4), 1976, 320-327, from memory.
    """
    length = 2 * (turned.size - 1)
    response = np.fft.ifft(turned, length)
    near = np.concatenate((response[: most + 1], response[-most:])) if most else response[:1]
    at = int(np.argmax(np.abs(near)))
    return (at if at <= most else at - near.size), bool(near[at].real < 0.0)
