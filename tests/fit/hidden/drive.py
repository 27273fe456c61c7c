"""A drive of another make: both usual diode clippers, part by part, by the trapezoidal rule.

Non-inverting stage with diodes across its upper resistor, or a stage of gain, a resistor, and
diodes to ground. Each capacitor is its companion (a resistor and a source; Nagel, Memorandum
ERL-M520, Berkeley, 1975, from memory), and at every eighth of a frame Newton's rule solves
Kirchhoff's current law at the diodes (the diode equation; Shockley, 1949).
"""

import math
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from tests.fit.hidden.oversampled import FAST, analogue, down, high_cut, low_cut, ratio, up

Floats = NDArray[np.float64]

THERMAL_VOLTS = 1.380649e-23 * 300.15 / 1.602176634e-19  # k T / q at 27 °C
GBW_HZ = 3e6
SERIES_OHM = {"feedback": 3300.0, "shunt": 2200.0}
RAIL_VOLTS = 3.5  # 9 V, half of it less a volt
# The diodes are compared by the drop of each string at a current of the circuits' order.
DROP_AT_AMPS = 1e-4
BOUNDS = {
    "gain_db": ("db", 0.3),
    "level_db": ("db", 0.3),
    "low_cut_hz": ("share", 0.05),
    "high_cut_hz": ("share", 0.05),
    "tone_hz": ("share", 0.05),
    "blend": ("db", 0.03),
    "drop_up_volts": ("share", 0.03),
    "drop_down_volts": ("share", 0.03),
    "is_shunt": ("db", 0.5),
}
# Silicon, germanium, light-emitting: saturation current and ideality, of the usual size.
DIODES = ((2.5e-9, 1.75), (1e-6, 1.3), (1e-12, 2.0))


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have."""
    saturation, ideality = DIODES[int(rng.choice(3, p=(0.5, 0.3, 0.2)))]
    strings = ((1, 1), (1, 1), (2, 1), (1, 2))[int(rng.integers(4))]
    return {
        "clip": ("feedback", "shunt")[int(rng.integers(2))],
        "gain_db": float(rng.uniform(12.0, 42.0)),
        "low_cut_hz": _between(rng, 20.0, 1000.0),
        "high_cut_hz": _between(rng, 1500.0, 15e3),
        "tone_hz": _between(rng, 800.0, 15e3),
        "level_db": float(rng.uniform(-24.0, 0.0)),
        "saturation_a": saturation,
        "ideality": ideality * float(rng.uniform(0.95, 1.05)),
        "diodes_up": strings[0],
        "diodes_down": strings[1],
        "blend": 1.0 if rng.random() < 0.7 else float(rng.uniform(0.4, 0.9)),
    }


def board(given: dict[str, Any]) -> dict[str, Any]:
    """Return what the player knows: which sort of diodes are in it, by its data sheet."""
    sort = next(one for one in DIODES if one[0] == given["saturation_a"])
    return {"saturation_a": sort[0], "ideality": sort[1]}


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    fast = up(volts)
    toned = high_cut(clipped(fast, given), given["tone_hz"])
    mixed = given["blend"] * toned + (1.0 - given["blend"]) * fast
    return ratio(given["level_db"]) * down(np.clip(mixed, -RAIL_VOLTS, RAIL_VOLTS))


def clipped(fast: Floats, given: dict[str, Any], rate: int = FAST) -> Floats:
    """Return what the circuit before the tone control makes of `fast`, (frames,) at `rate`."""
    gain, ohm = ratio(given["gain_db"]), SERIES_OHM[given["clip"]]
    thermal = given["ideality"] * THERMAL_VOLTS
    pair = (given["saturation_a"], given["diodes_up"] * thermal, given["diodes_down"] * thermal)
    low_hz, high_hz = given["low_cut_hz"], given["high_cut_hz"]
    if given["clip"] == "shunt":
        fed = analogue(fast, [gain], [gain / (2 * math.pi * GBW_HZ), 1.0], rate)
        fed = low_cut(fed, low_hz, rate)
        farad = 1.0 / (2 * math.pi * ohm * high_hz)
        return np.asarray(_to_ground(fed, 1.0 / rate, ohm, farad, *pair))
    upper = ohm * (gain - 1.0)
    farads = 1.0 / (2 * math.pi * ohm * low_hz), 1.0 / (2 * math.pi * upper * high_hz)
    return np.asarray(_around(fast, 1.0 / rate, ohm, upper, *farads, 2 * math.pi * GBW_HZ, *pair))


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return found and true values, of what the recording could tell.

    Diodes to ground with so much more drop, so much more gain before and less level after them are
    one sound: what was found is read for diodes of the true ideality. So are those of the other
    form where dry sound is mixed in: but for what passes it at a gain of 1, they are one sound too.
    """
    if found["clip"] == given["clip"] and (given["clip"] == "shunt" or given["blend"] < 1.0):
        found = _read_for(given, found)
    names = ("gain_db", "level_db", "low_cut_hz", "high_cut_hz", "tone_hz", "blend")
    pairs = {name: (float(found[name]), float(given[name])) for name in names}
    for way in ("up", "down"):
        pairs[f"drop_{way}_volts"] = (_drop_volts(found, way), _drop_volts(given, way))
    pairs["is_shunt"] = (float(found["clip"] == "shunt"), float(given["clip"] == "shunt"))
    return pairs


def _read_for(given: dict[str, Any], found: dict[str, Any]) -> dict[str, Any]:
    more = given["ideality"] * given["diodes_up"] / (found["ideality"] * found["diodes_up"])
    level = ratio(found["level_db"])
    driven, dry = level * found["blend"] / more, level * (1.0 - found["blend"])
    is_shunt = given["clip"] == "shunt"
    least = 0.0 if is_shunt else 1.0
    gain = least + more * (ratio(found["gain_db"]) - least)
    return found | {
        "gain_db": 20.0 * math.log10(gain),
        # Diodes to ground take so much more current, those that take all of it no more.
        "saturation_a": found["saturation_a"] * (more if is_shunt else 1.0),
        "ideality": found["ideality"] * more,
        "level_db": 20.0 * math.log10(driven + dry),
        "blend": driven / (driven + dry),
    }


def _drop_volts(one: dict[str, Any], way: str) -> float:
    drop = THERMAL_VOLTS * math.log1p(DROP_AT_AMPS / one["saturation_a"])
    return float(one["ideality"] * one[f"diodes_{way}"] * drop)


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


@numba.njit(cache=True)
def _across(pushed, conductance, v, saturation, up_volts, down_volts):  # type: ignore[no-untyped-def]
    """Return v of conductance v + (current through both strings at v) = pushed, by Newton's rule.

    No step is longer than two thermal voltages of the smaller string.
    """
    most = 2.0 * min(up_volts, down_volts)
    for _ in range(400):
        forth, back = math.exp(v / up_volts), math.exp(-v / down_volts)
        error = conductance * v + saturation * (forth - back) - pushed
        slope = conductance + saturation * (forth / up_volts + back / down_volts)
        step = min(max(error / slope, -most), most)
        v -= step
        if abs(step) < 1e-10:
            break
    return v


@numba.njit(cache=True)
def _to_ground(fed, h, ohm, farad, saturation, up_volts, down_volts):  # type: ignore[no-untyped-def]
    out = np.zeros(fed.size)
    of_c = 2.0 * farad / h
    v = amps = 0.0
    for i in range(fed.size):
        pushed = fed[i] / ohm + of_c * v + amps
        now = _across(pushed, 1.0 / ohm + of_c, v, saturation, up_volts, down_volts)
        amps = of_c * (now - v) - amps
        v = now
        out[i] = v
    return out


@numba.njit(cache=True)
def _around(fed, h, lower, upper, c_lower, c_upper, unity, saturation, up_volts, down_volts):  # type: ignore[no-untyped-def]
    """The amplifier integrates `unity` times what stands between its inputs."""
    out = np.zeros(fed.size)
    of_upper, of_lower, half = 2.0 * c_upper / h, h / (2.0 * c_lower), 0.5 * h * unity
    leg = 1.0 / (lower + of_lower)
    share = 1.0 / (1.0 + half)
    w = w_amps = s = leg_amps = y = between = 0.0
    for i in range(fed.size):
        # The output at w = 0, then what w adds: y = still + (1 - share) w, inverting input y - w.
        still = share * (y + half * (fed[i] + between))
        source = s + of_lower * leg_amps
        pushed = leg * (still - source) + of_upper * w + w_amps
        conductance = leg * share + 1.0 / upper + of_upper
        now = _across(pushed, conductance, w, saturation, up_volts, down_volts)
        w_amps = of_upper * (now - w) - w_amps
        w = now
        y = still + (1.0 - share) * w
        between = fed[i] - (y - w)
        more = leg * (y - w - source)
        s = source + of_lower * more
        leg_amps = more
        out[i] = y
    return out
