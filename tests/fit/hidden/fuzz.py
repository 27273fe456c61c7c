"""A fuzz of another make: two transistor stages, node by node, by the trapezoidal rule.

Common-emitter stages as in any textbook: collectors by 10 kohm to 9 V, emitters by 220 ohm to
ground. The transistors follow Ebers and Moll (Proc. IRE 42, 1954), both junctions, at 27 °C. The
first stage has no memory, and is a table of its static solution. The second hangs by a capacitor
of 0.22 uF: at every eighth of a frame Newton's rule solves its three nodes, each capacitor its
companion. Bias and gain come from a textbook's formulas for the active region.
"""

import math
from functools import lru_cache
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from tests.fit.hidden.oversampled import FAST, down, high_cut, low_cut, ratio, up

Floats = NDArray[np.float64]

THERMAL_VOLTS = 1.380649e-23 * 300.15 / 1.602176634e-19  # k T / q at 27 °C
SATURATION_A, FORWARD, REVERSE = 1e-14, 150.0, 2.0
SUPPLY_VOLTS, COLLECTOR_OHM, EMITTER_OHM = 9.0, 10e3, 220.0
BASE_OHM, LEAK_OHM, COUPLING_FARAD = 22e3, 47e3, 0.22e-6
BIAS_SPAN_VOLTS, COUPLING_HZ, DIVIDER = 1.0, 15.0, 8.0
OUTPUT_OHM, INTO_OHM = 10e3, 1e6
# The first stage's table: so far from rest it has long been at its ends.
MOST_VOLTS, TABLE = 60.0, 1 << 16
BOUNDS = {
    "gain_db": ("db", 0.3),
    "level_db": ("db", 0.3),
    "bias": ("db", 0.03),
    "tone_hz": ("share", 0.05),
    "high_cut_hz": ("share", 0.05),
    "octave": ("db", 0.05),
}


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have."""
    return {
        "gain_db": float(rng.uniform(25.0, 65.0)),
        "bias": float(rng.uniform(0.1, 0.9)),
        "tone_hz": _between(rng, 800.0, 15e3),
        "high_cut_hz": _between(rng, 1500.0, 15e3),
        "level_db": float(rng.uniform(-24.0, 0.0)),
        "octave": float(rng.integers(2)),
    }


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    made = high_cut(low_cut(driven(up(volts), given), COUPLING_HZ), given["tone_hz"])
    loaded = INTO_OHM / (INTO_OHM + OUTPUT_OHM) / DIVIDER
    return ratio(given["level_db"]) * loaded * down(made)


def driven(fast: Floats, given: dict[str, Any], rate: int = FAST) -> Floats:
    """Return collector 2's volts, from rest, for `fast`, (frames,) at `rate`."""
    at = _middle()
    fed = low_cut(fast, COUPLING_HZ, rate) * (ratio(given["gain_db"]) / at["gain"])
    places, collector = _first_stage()
    e = np.interp(fed, places, collector)
    share = given["octave"]
    e = (1.0 - share) * e + share * np.abs(e)
    farad = 1.0 / (2.0 * math.pi * at["loaded_ohm"] * given["high_cut_hz"])
    source = at["source2"] + (given["bias"] - 0.5) * BIAS_SPAN_VOLTS
    return np.asarray(_second(e, source, farad, 1.0 / rate))


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return found and true values: all can be told."""
    return {name: (float(found[name]), float(given[name])) for name in BOUNDS}


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


@lru_cache(maxsize=1)
def _middle() -> dict[str, float]:
    """Return the circuit where both collectors stand at half the supply: Ic, Ib, rb, gain."""
    amps = 0.5 * SUPPLY_VOLTS / COLLECTOR_OHM
    emitter_amps = amps * (1.0 + 1.0 / FORWARD)
    base = EMITTER_OHM * emitter_amps + THERMAL_VOLTS * math.log(amps / SATURATION_A + 1.0)
    seen_ohm = (FORWARD + 1.0) * (THERMAL_VOLTS / emitter_amps + EMITTER_OHM)
    loaded_ohm = 1.0 / (1.0 / BASE_OHM + 1.0 / LEAK_OHM + 1.0 / seen_ohm)
    to_collector = FORWARD * COLLECTOR_OHM / seen_ohm
    first = to_collector * seen_ohm / (seen_ohm + BASE_OHM)
    return {
        "source1": base + BASE_OHM * amps / FORWARD,
        "source2": base + LEAK_OHM * amps / FORWARD,
        "loaded_ohm": loaded_ohm,
        "gain": first * to_collector * loaded_ohm / BASE_OHM,
    }


@lru_cache(maxsize=1)
def _first_stage() -> tuple[Floats, Floats]:
    """Return places from rest at the first base's source, and collector 1's volts from rest."""
    # Dense about rest, where all of the gain is.
    places = np.sinh(np.linspace(-1.0, 1.0, TABLE + 1) * math.asinh(MOST_VOLTS * 50.0)) / 50.0
    volts = _static(_middle()["source1"] + places, BASE_OHM)
    return places, volts - volts[TABLE // 2]


@numba.njit(cache=True)
def _static(sources, ohm):  # type: ignore[no-untyped-def]
    out = np.zeros(sources.size)
    nodes = np.array([0.0, 0.0, SUPPLY_VOLTS])
    for i in range(sources.size):
        _solve(nodes, 1.0 / ohm, sources[i] / ohm)
        out[i] = nodes[2]
    return out


@numba.njit(cache=True)
def _second(e, source, farad, h):  # type: ignore[no-untyped-def]
    """Base 2: `e` through 22 kohm and the coupling capacitor, its bias, its own capacitor."""
    out = np.zeros(e.size)
    nodes = np.array([0.5, 0.0, SUPPLY_VOLTS])
    _solve(nodes, 1.0 / LEAK_OHM, source / LEAK_OHM)
    idle = nodes[2]
    of_base, of_coupling = 2.0 * farad / h, h / (2.0 * COUPLING_FARAD)
    branch = 1.0 / (BASE_OHM + of_coupling)
    conductance = branch + 1.0 / LEAK_OHM + of_base
    # At rest the coupling capacitor holds base 2's own voltage off the source of `e`.
    charge, amps, base, base_amps = -nodes[0], 0.0, nodes[0], 0.0
    for i in range(e.size):
        pushed = e[i] - charge - of_coupling * amps
        _solve(nodes, conductance, branch * pushed + source / LEAK_OHM + of_base * base + base_amps)
        base_amps = of_base * (nodes[0] - base) - base_amps
        base = nodes[0]
        now = branch * (pushed - base)
        charge += of_coupling * (now + amps)
        amps = now
        out[i] = nodes[2] - idle
    return out


@numba.njit(cache=True)
def _solve(nodes, conductance, pushed):  # type: ignore[no-untyped-def]
    """Move base, emitter and collector to where `pushed` amps flow into the base's node.

    Kirchhoff's current law at each by Newton's rule; no step moves a node by more than two thermal
    voltages while a junction conducts.
    """
    g_emitter, g_collector = 1.0 / EMITTER_OHM, 1.0 / COLLECTOR_OHM
    for _ in range(3000):
        b, m, c = nodes[0], nodes[1], nodes[2]
        forth = SATURATION_A * math.exp(min((b - m) / THERMAL_VOLTS, 80.0))
        back = SATURATION_A * math.exp(min((b - c) / THERMAL_VOLTS, 80.0))
        gf, gr = forth / THERMAL_VOLTS, back / THERMAL_VOLTS
        into = (forth - SATURATION_A) / FORWARD + (back - SATURATION_A) / REVERSE
        drawn = forth - back - (back - SATURATION_A) / REVERSE
        off_b = conductance * b + into - pushed
        off_m = g_emitter * m - into - drawn
        off_c = g_collector * (c - SUPPLY_VOLTS) + drawn
        # Slopes; rows base, emitter, collector.
        bb, bm, bc = gf / FORWARD + gr / REVERSE, -gf / FORWARD, -gr / REVERSE
        cb, cm, cc = gf - gr - gr / REVERSE, -gf, gr + gr / REVERSE
        a11, a12, a13 = conductance + bb, bm, bc
        a21, a22, a23 = -bb - cb, g_emitter - bm - cm, -bc - cc
        a31, a32, a33 = cb, cm, g_collector + cc
        c11, c12, c13 = a22 * a33 - a23 * a32, a23 * a31 - a21 * a33, a21 * a32 - a22 * a31
        whole = a11 * c11 + a12 * c12 + a13 * c13
        d_b = (
            c11 * off_b + (a13 * a32 - a12 * a33) * off_m + (a12 * a23 - a13 * a22) * off_c
        ) / whole
        d_m = (
            c12 * off_b + (a11 * a33 - a13 * a31) * off_m + (a13 * a21 - a11 * a23) * off_c
        ) / whole
        d_c = (
            c13 * off_b + (a12 * a31 - a11 * a32) * off_m + (a11 * a22 - a12 * a21) * off_c
        ) / whole
        most = max(abs(d_b - d_m), abs(d_b - d_c), 1e-300)
        short = min(1.0, 2.0 * THERMAL_VOLTS / most)
        on = b - m > 0.4 or b - c > 0.4 or b - m - d_b + d_m > 0.4 or b - c - d_b + d_c > 0.4
        if not on:
            short = 1.0
        nodes[0] -= short * d_b
        nodes[1] -= short * d_m
        nodes[2] -= short * d_c
        if max(abs(d_b), abs(d_m), abs(d_c)) < 1e-9:
            break
