"""A boost of another make: gain, two first-order corners, rails of 3.5 V."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from simchain.fit.received import given_volts
from tests.fit.hidden.oversampled import down, high_cut, low_cut, ratio, up

Floats = NDArray[np.float64]

RAIL_VOLTS = 3.5  # 9 V, half of it less a volt
BOUNDS = {
    "gain_db": ("db", 0.3),
    "low_cut_hz": ("share", 0.05),
    "high_cut_hz": ("share", 0.05),
    "level_db": ("db", 0.3),
}


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have."""
    return {
        "gain_db": float(rng.uniform(0.0, 25.0)),
        "low_cut_hz": float(np.exp(rng.uniform(np.log(20.0), np.log(500.0)))),
        "high_cut_hz": float(np.exp(rng.uniform(np.log(1500.0), np.log(16e3)))),
        "level_db": float(rng.uniform(-12.0, 0.0)),
    }


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    return ratio(given["level_db"]) * down(
        np.clip(_unclipped(volts, given), -RAIL_VOLTS, RAIL_VOLTS)
    )


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return found and true values, of what the recording could tell.

    Where nothing clips by a decibel, gain and level are one figure.
    """
    pairs = {key: (found[key], given[key]) for key in ("low_cut_hz", "high_cut_hz")}
    if np.abs(_unclipped(given_volts(), given)).max() < 1.12 * RAIL_VOLTS:
        total = [one["gain_db"] + one["level_db"] for one in (found, given)]
        return pairs | {"gain_db": (total[0], total[1])}
    return pairs | {key: (found[key], given[key]) for key in ("gain_db", "level_db")}


def _unclipped(volts: Floats, given: dict[str, Any]) -> Floats:
    cut = high_cut(low_cut(up(volts), given["low_cut_hz"]), given["high_cut_hz"])
    return ratio(given["gain_db"]) * cut
