"""A volume pedal of another make: a pot, bare or between buffers.

Audio taper: an exponential curve from 0 to 1 that stands at -16 dB in the middle (handbooks give
10 to 20 %, 14 to 20 dB; common practice). Bare, its two halves side by side are its output
impedance (Thevenin).
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

Floats = NDArray[np.float64]

INTO_OHM, BUFFER_OHM = 1e6, 500.0
POTS_OHM = (10e3, 25e3, 100e3, 250e3, 500e3)
MIDDLE = 10.0 ** (-16.0 / 20.0)
BOUNDS = {"gain_db": ("db", 0.3), "position": ("absolute", 0.02)}


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have, the pedal off its heel."""
    active = bool(rng.integers(2))
    return {
        "position": float(rng.uniform(0.1, 1.0)),
        "taper": str(rng.choice(["audio", "linear"])),
        "active": active,
        "pot_ohm": 250e3 if active else float(rng.choice(POTS_OHM)),
    }


def board(given: dict[str, Any]) -> dict[str, Any]:
    """Return what stands on the pedal and in its papers."""
    return {key: given[key] for key in ("taper", "active", "pot_ohm")}


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    return _gain(given) * volts


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return found and true values: the pedal's place, and how loud it is there."""
    both = [20.0 * float(np.log10(_gain(one))) for one in (found, given)]
    return {"gain_db": (both[0], both[1]), "position": (found["position"], given["position"])}


def _gain(given: dict[str, Any]) -> float:
    share = _wiper(given["position"], given["taper"])
    whole = given["pot_ohm"]
    ohm = BUFFER_OHM if given["active"] else whole * share * (1.0 - share)
    return share * INTO_OHM / (INTO_OHM + ohm)


def _wiper(position: float, taper: str) -> float:
    if taper == "linear":
        return position

    def curve(bend: float, at: float) -> float:
        return float((np.exp(bend * at) - 1.0) / (np.exp(bend) - 1.0))

    bend = brentq(lambda one: curve(one, 0.5) - MIDDLE, 0.1, 20.0)
    return curve(float(bend), position)
