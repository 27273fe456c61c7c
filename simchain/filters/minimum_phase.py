"""The least delay that a magnitude allows: minimum phase, by way of the cepstrum."""

import numpy as np
from numpy.typing import NDArray

# What lies this far under the largest is raised to it: the logarithm of nothing has no transform.
FLOOR_DB = -160.0


def minimum_phase(magnitude: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return the spectrum of minimum phase that has `magnitude`, both of shape (frames / 2 + 1,).

    `magnitude` stands on the lines of a transform of an even number of frames, from 0 Hz to half
    the rate. The cepstrum of log |H| is even; with its negative times folded onto the positive it
    is that of the causal response whose inverse is causal too::

        c = irfft(log |H|),  H_min = exp(rfft(w c))                                         (1)

    w = 1 at 0 and at half of the frames, 2 between, 0 beyond.

    Source: Oppenheim and Schafer, Discrete-Time Signal Processing, ch. 13 (cepstrum analysis),
    from memory. It holds as far as the cepstrum has died away over half the frames: a resonance
    must have rung out long before that.

    Raises ValueError for a magnitude that is nothing everywhere.
    """
    largest = float(magnitude.max(initial=0.0))
    if not largest > 0.0:
        raise ValueError("a magnitude of nothing has no phase")
    frames = 2 * (magnitude.size - 1)
    cepstrum = np.fft.irfft(np.log(np.maximum(magnitude, largest * 10.0 ** (FLOOR_DB / 20.0))))
    cepstrum[1 : frames // 2] *= 2.0  # (1)
    cepstrum[frames // 2 + 1 :] = 0.0
    return np.asarray(np.exp(np.fft.rfft(cepstrum)), dtype=np.complex128)
