"""A looper of another make, its loop empty: the live sound, and a level."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.fit.hidden.oversampled import ratio

Floats = NDArray[np.float64]

LOAD = 1e6 / (1e6 + 500.0)  # 500 ohm into 1 Mohm
BOUNDS = {"level_db": ("db", 0.3)}


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have."""
    return {"level_db": float(rng.uniform(-40.0, 6.0))}


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    return LOAD * ratio(given["level_db"]) * volts


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return found and true values, of what the recording could tell."""
    return {"level_db": (found["level_db"], given["level_db"])}
