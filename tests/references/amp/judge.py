"""The judge of `simchain.amp.triode`: one stage with all its parts, solved step by step.

Written from the circuit (nothing shared with the product): source - coupling capacitor - series
resistor - M - stopper - grid, a leak from M to ground; grid to cathode 2 kohm and a diode; the
cathode's resistor and capacitor; the plate's resistor. Trapezoidal rule for both capacitors; each
step two equations (grid loop, plate loop) by Newton's rule from the step before. Without a
coupling capacitor the source is at M. Checked against ngspice's transient runs itself.
"""

import math

import numba
import numpy as np

STAGE = {
    "supply": 300.0,
    "plate": 100e3,
    "cathode": 1500.0,
    "bypass": 22e-6,
    "stopper": 68e3,
    "coupling": 0.0,
    "series": 0.0,
    "leak": 1e6,
}
COUPLED = {**STAGE, "stopper": 0.0, "coupling": 47e-9, "series": 270e3, "leak": 91e3}


def plate_volts(source: np.ndarray, parts: dict[str, float], step_s: float) -> np.ndarray:
    """Return the plate's volts for `source`, shape (steps,), from rest."""
    values = np.array([parts[name] for name in STAGE])
    low, high = 0.0, parts["supply"] / parts["plate"] * parts["cathode"]
    for _ in range(80):
        cathode = 0.5 * (low + high)
        amps = cathode / parts["cathode"]
        plate = parts["supply"] - parts["plate"] * amps - cathode
        low, high = (cathode, high) if _plate_amps(plate, -cathode)[0] > amps else (low, cathode)
    return _solved(source, values, step_s, cathode)


@numba.njit(cache=True)
def _plate_amps(plate, grid):
    """Koren 1996 and its slopes by plate and by grid."""
    root = math.sqrt(300.0 + plate * plate)
    inner = 600.0 * (0.01 + grid / root)
    log = inner if inner > 40.0 else math.log1p(math.exp(inner))
    share = 1.0 / (1.0 + math.exp(-inner)) if inner > -700.0 else 0.0
    e = plate / 600.0 * log
    if plate <= 0.0 or e <= 1e-200:
        return 0.0, 1e-12, 0.0
    by_plate = log / 600.0 - plate * plate * share * grid / root**3
    slope = 1.4 * 2.0 / 1060.0 * e**0.4
    return 2.0 / 1060.0 * e**1.4, slope * by_plate, slope * plate * share / root


@numba.njit(cache=True)
def _solved(source, values, step, cathode):
    supply, plate_ohm, cathode_ohm, bypass, stopper, coupling, series, leak = values
    share, ohm = 1.0, stopper
    if coupling > 0.0:
        share = leak / (series + leak)
        ohm = stopper + series * share
    k, held, held_flow = cathode, cathode, 0.0
    stored = stored_flow = 0.0
    diode, plate = -cathode, supply - plate_ohm * cathode / cathode_ohm - cathode
    out = np.empty(source.size)
    for n in range(source.size):
        # Each capacitor's volts are a part known beforehand and a part by this step's current.
        if bypass > 0.0:
            scale = 1.0 / (1.0 + step / (2 * bypass * cathode_ohm))
            k_known = scale * (held + step / 2 * held_flow)
            k_ohm = scale * step / (2 * bypass)
        else:
            k_known, k_ohm = 0.0, cathode_ohm
        c_known, c_ohm = 0.0, 0.0
        if coupling > 0.0:
            whole = (series + leak) * coupling
            scale = 1.0 / (1.0 + step / (2 * whole))
            c_known = scale * (stored + step / 2 * (stored_flow + source[n] / whole))
            c_ohm = scale * step / 2 * share / coupling
        moved, turns = 1.0, 0
        while moved > 1e-11 and turns < 300:
            power = math.exp(min(diode / 25.8649e-3, 60.0))
            grid_amps = 1e-9 * (power - 1.0)
            by_diode = 1e-9 * power / 25.8649e-3 + 1e-13
            grid = diode + 2000.0 * grid_amps
            amps, by_plate, by_grid = _plate_amps(plate, grid)
            rise = 1.0 + 2000.0 * by_diode
            k = k_known + k_ohm * (amps + grid_amps)
            open_volts = share * (source[n] - c_known - c_ohm * grid_amps)
            one = open_volts - k - ohm * grid_amps - grid
            two = supply - plate_ohm * amps - k - plate
            a = -(share * c_ohm + ohm + k_ohm) * by_diode - k_ohm * by_grid * rise - rise
            b = -k_ohm * by_plate
            c = -(plate_ohm + k_ohm) * by_grid * rise - k_ohm * by_diode
            d = -(plate_ohm + k_ohm) * by_plate - 1.0
            whole = a * d - b * c
            to_diode, to_plate = (b * two - d * one) / whole, (c * one - a * two) / whole
            # Upwards the exponential is taken in steps, or Newton's rule overshoots.
            if diode + to_diode > 0.3:
                to_diode = min(to_diode, 0.05)
            to_plate = max(to_plate, -0.7 * plate)
            diode += to_diode
            plate += to_plate
            moved = abs(to_diode) + abs(to_plate) / 100.0
            turns += 1
        held, stored = k, c_known + c_ohm * grid_amps
        if bypass > 0.0:
            held_flow = (amps + grid_amps - k / cathode_ohm) / bypass
        if coupling > 0.0:
            stored_flow = ((source[n] - stored) / (series + leak) + share * grid_amps) / coupling
        out[n] = plate + k
    return out
