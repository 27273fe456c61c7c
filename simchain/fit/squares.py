"""What several least squares share: errors that count less the larger they are, and how sure."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Errors beyond so many decibels count no more than in proportion.
SOFT_DB = 6.0


def softened(db: Floats) -> Floats:
    """Return errors in dB, of which what lies beyond `SOFT_DB` counts less than in proportion."""
    return np.asarray(np.sign(db) * SOFT_DB * np.log1p(np.abs(db) / SOFT_DB))


def deviations(slopes: Floats) -> Floats:
    """Return the numbers' standard deviations where each error has one of 1.

    `slopes` has shape (errors, numbers). (Bates and Watts, Nonlinear Regression Analysis, 1988,
    ch. 2.)
    """
    spread = np.diag(np.linalg.pinv(slopes.T @ slopes))
    return np.asarray(np.sqrt(np.clip(spread, 0.0, None)))
