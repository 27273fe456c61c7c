"""A preamp for piezo pickups of another make: gain, two shelves, a peak and a notch."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.fit.hidden.oversampled import down, ratio, up
from tests.fit.hidden.second_order import band, railed

Floats = NDArray[np.float64]

LOW_HZ, HIGH_HZ = 120.0, 4000.0
# Shelves as steep as they get without a bump; the peak three halves of an octave wide or so.
SHELF_Q, MID_Q, NOTCH_Q = 0.5**0.5, 1.0, 8.0
BOUNDS = {
    "gain_db": ("db", 0.3),
    "low_db": ("db", 0.3),
    "mid_db": ("db", 0.3),
    "mid_hz": ("share", 0.05),
    "high_db": ("db", 0.3),
    "notch_hz": ("share", 0.05),
    "notch": ("db", 0.5),
}
# Under it a peak has no place that could be told.
LEAST_PEAK_DB = 0.3


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have."""
    return {
        "gain_db": float(rng.uniform(-10.0, 30.0)),
        "low_db": float(rng.uniform(-15.0, 15.0)),
        "mid_db": float(rng.uniform(-15.0, 15.0)),
        "mid_hz": float(250.0 * 12.0 ** rng.uniform()),
        "high_db": float(rng.uniform(-15.0, 15.0)),
        "notch_hz": float(rng.choice([0.0, 60.0 * (400.0 / 60.0) ** rng.uniform()])),
    }


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    line = band(up(volts), "low_shelf", LOW_HZ, given["low_db"], SHELF_Q)
    line = band(line, "peak", given["mid_hz"], given["mid_db"], MID_Q)
    line = band(line, "high_shelf", HIGH_HZ, given["high_db"], SHELF_Q)
    if given["notch_hz"]:
        line = band(line, "notch", given["notch_hz"], 0.0, NOTCH_Q)
    return down(railed(ratio(given["gain_db"]) * line))


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return found and true values, of what the recording could tell: a flat peak has no place."""
    pairs = {key: (found[key], given[key]) for key in ("gain_db", "low_db", "mid_db", "high_db")}
    pairs["notch"] = (float(found["notch_hz"] > 0.0), float(given["notch_hz"] > 0.0))
    if abs(given["mid_db"]) >= LEAST_PEAK_DB:
        pairs["mid_hz"] = (found["mid_hz"], given["mid_hz"])
    if given["notch_hz"]:
        pairs["notch_hz"] = (found["notch_hz"], given["notch_hz"])
    return pairs
