"""A wah of another make, its pedal at rest: one resonance and its gain."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.fit.hidden.oversampled import down, ratio, up
from tests.fit.hidden.second_order import railed, resonance

Floats = NDArray[np.float64]

# 10 kohm into the recording side's 1 Mohm.
LOADED = 1e6 / (1e6 + 10e3)
BOUNDS = {"centre_hz": ("share", 0.05), "q": ("share", 0.1), "gain_db": ("db", 0.3)}


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have."""
    return {
        "position": float(rng.uniform(0.0, 1.0)),
        "low_hz": float(rng.uniform(250.0, 600.0)),
        "high_hz": float(rng.uniform(1200.0, 3000.0)),
        "q": float(2.0 * 5.0 ** rng.uniform()),
        "gain_db": float(rng.uniform(0.0, 20.0)),
    }


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    line = ratio(given["gain_db"]) * resonance(up(volts), _centre_hz(given), given["q"])
    return LOADED * down(railed(line))


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return found and true values, of what the recording could tell.

    A pedal at rest stands at one resonance, wherever the ends of its way are.
    """
    pairs = {key: (found[key], given[key]) for key in ("q", "gain_db")}
    return pairs | {"centre_hz": (_centre_hz(found), _centre_hz(given))}


def _centre_hz(one: dict[str, Any]) -> float:
    return float(one["low_hz"] * (one["high_hz"] / one["low_hz"]) ** one["position"])
