"""A compressor of another make: feed-forward, in decibels, soft knee, smooth decoupled detector.

D. Giannoulis, M. Massberg, J. D. Reiss, "Digital Dynamic Range Compressor Design", J. Audio Eng.
Soc. 60(6), 2012 (from memory), run at eight times the rate, with rails of 3.5 V before its level.
"""

from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from simchain.fit.received import given_volts
from tests.fit.hidden.oversampled import FAST, down, ratio, up

Floats = NDArray[np.float64]

RAIL_VOLTS = 3.5  # 9 V, half of it less a volt
LOAD = 1e6 / (1e6 + 1e3)  # 1 kohm into 1 Mohm
DBU_PEAK_VOLTS = 0.7746 * 2.0**0.5
STRUM_DBU = -5.0  # hard strums' peaks, as a sine (common practice, no source)
LOUDEST_DBU = 2.2  # the loudest tone that is played, as a sine
BOUNDS = {
    "threshold_dbu": ("db", 0.5),
    "ratio": ("share", 0.05),
    "knee_db": ("db", 1.0),
    "attack_ms": ("share", 0.01),
    "release_ms": ("share", 0.01),
    "makeup_db": ("db", 0.3),
    "level_db": ("db", 0.3),
    "blend": ("absolute", 0.03),
    "compressed_db": ("db", 0.3),
    "dry": ("absolute", 0.03),
    "bends_from_dbu": ("db", 0.5),
    "bend": ("share", 0.05),
}
CURVE, BEND = ("threshold_dbu", "ratio", "knee_db"), ("bends_from_dbu", "bend")
AMOUNTS, SUMS = ("makeup_db", "level_db", "blend"), ("compressed_db", "dry")


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have, who turns until hard strums are 3 dB down at least."""
    while True:
        drawn = {
            "threshold_dbu": float(rng.uniform(-50.0, 0.0)),
            "ratio": _spread(rng, 1.5, 20.0),
            "knee_db": float(rng.uniform(0.0, 20.0)),
            "attack_ms": _spread(rng, 0.5, 80.0),
            "release_ms": _spread(rng, 30.0, 1200.0),
            "makeup_db": float(rng.uniform(0.0, 30.0)),
            "blend": float(rng.uniform(0.2, 1.0)),
            "level_db": float(rng.uniform(-12.0, 0.0)),
        }
        if float(_curve_db(np.array([STRUM_DBU]), drawn)[0]) >= 3.0:
            return drawn


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    railed = np.clip(_unrailed(volts, given), -RAIL_VOLTS, RAIL_VOLTS)
    return LOAD * ratio(given["level_db"]) * down(railed)


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return found and true values, of what the recording could tell.

    Where nothing is railed by a decibel, make-up, level and blend are two figures, not three: how
    loud the compressed sound is, and how loud the dry one beside it. Where the loudest tone is no
    further past the knee than that its reduction would be the same within 0.3 dB if the knee never
    ended, threshold, ratio and knee are two figures: where the bend begins, and how fast it bends.
    """
    times = {key: (found[key], given[key]) for key in ("attack_ms", "release_ms")}
    curve = CURVE if _past_knee_db(given) >= 0.3 else BEND
    amounts = AMOUNTS
    if np.abs(_unrailed(given_volts(), given)).max() < 1.12 * RAIL_VOLTS:
        amounts = SUMS
    all_found, all_given = (one | _figures(one) for one in (found, given))
    return times | {key: (all_found[key], all_given[key]) for key in (*curve, *amounts)}


def _past_knee_db(given: dict[str, Any]) -> float:
    """Return how much less the loudest tone is turned down than if the knee never ended."""
    past = LOUDEST_DBU - given["threshold_dbu"] - given["knee_db"] / 2.0
    return float(_figures(given)["bend"] / 100.0 * max(past, 0.0) ** 2)


def _figures(given: dict[str, Any]) -> dict[str, float]:
    """Return the figures that several settings make together."""
    level, blend = ratio(given["level_db"]), given["blend"]
    slope, knee = 1.0 - 1.0 / given["ratio"], max(given["knee_db"], 1e-9)
    return {
        "bends_from_dbu": given["threshold_dbu"] - given["knee_db"] / 2.0,
        # What a level 10 dB above where the bend begins is turned down, had it no end.
        "bend": slope / (2.0 * knee) * 100.0,
        "compressed_db": float(20.0 * np.log10(level * blend) + given["makeup_db"]),
        "dry": level * (1.0 - blend),
    }


def _unrailed(volts: Floats, given: dict[str, Any]) -> Floats:
    fast = up(volts)
    gain = 10.0 ** ((given["makeup_db"] - _reductions_db(fast, given)) / 20.0)
    return fast * (given["blend"] * gain + 1.0 - given["blend"])


def _reductions_db(fast: Floats, given: dict[str, Any]) -> Floats:
    levels = 20.0 * np.log10(np.maximum(np.abs(fast), 1e-9) / DBU_PEAK_VOLTS)
    keeps = [np.exp(-1e3 / (given[key] * FAST)) for key in ("attack_ms", "release_ms")]
    return np.asarray(_decoupled(_curve_db(levels, given), *keeps))


def _curve_db(levels_dbu: Floats, given: dict[str, Any]) -> Floats:
    over = levels_dbu - given["threshold_dbu"]
    slope, knee = 1.0 - 1.0 / given["ratio"], max(given["knee_db"], 1e-9)
    bent = slope * np.square(np.clip(over + knee / 2.0, 0.0, knee)) / (2.0 * knee)
    return np.where(over >= knee / 2.0, slope * over, bent)


@numba.njit(cache=False)
def _decoupled(wanted: Floats, attack: float, release: float) -> Floats:
    made = np.empty(wanted.size)
    peak = smooth = 0.0
    for n in range(wanted.size):
        fallen = release * peak + (1.0 - release) * wanted[n]
        peak = wanted[n] if wanted[n] > fallen else fallen
        smooth = attack * smooth + (1.0 - attack) * peak
        made[n] = smooth
    return made


def _spread(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))
