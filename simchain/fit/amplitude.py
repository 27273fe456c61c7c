"""The complex amplitude of one tone in a stretch of sound."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simchain.fit.sent import RATE

Floats = NDArray[np.float64]


def amplitude(line: Floats, hz: float) -> complex:
    """Return the complex amplitude of a tone in `line`, (frames,), under a Hann window."""
    window, turns = _bin(line.size, hz)
    return complex(np.sum(line * window * turns) * 2.0)


@lru_cache(maxsize=32)
def _bin(frames: int, hz: float) -> tuple[Floats, NDArray[np.complex128]]:
    window = np.hanning(frames)
    return window / window.sum(), np.exp(-2j * np.pi * hz * np.arange(frames) / RATE)
