"""A triode stage without memory: plate volts against volts ahead of its grid stopper.

Plate current by the published equation of N. Koren, "Improved vacuum tube models for SPICE
simulations", Glass Audio 8(5), 1996, with its set for a 100-times double triode. That set gives
less current than the data sheet (0.95 instead of 1.2 mA at 250 V, -2 V), see the references.
Grid current by the diode and the 2 kohm of the same article's circuit (from memory).

The cathode's voltage stands at its bias point: slow states belong to a later issue.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]

MU = 100.0
EX = 1.4
KG1 = 1060.0
KP = 600.0
KVB = 300.0
GRID_OHM = 2000.0
GRID_SATURATION_A = 1e-9
THERMAL_VOLTS = 25.865e-3

TABLE_VOLTS = (-12.0, 100.0)
CELLS_A_VOLT = 64


@dataclass(frozen=True)
class Stage:
    """Supply volts, plate and cathode resistors, and the resistor ahead of the grid, in ohm."""

    supply_volts: float = 300.0
    plate_ohm: float = 100e3
    cathode_ohm: float = 1500.0
    stopper_ohm: float = 68e3


@dataclass(frozen=True, eq=False)
class StageTable:
    """A stage as a table for kernels.tables.shape.

    `rows` gives plate volts against the idle plate for input volts from `first`, `per_volt` cells a
    volt, constant beyond the ends. `gain` is the slope at 0 V, negative: the stage inverts.
    """

    rows: Numbers
    first: float
    per_volt: float
    gain: float


def plate_amps(plate_volts: Numbers | float, grid_volts: Numbers | float) -> Numbers:
    """Return the plate current for volts against the cathode (Koren 1996).

    E1 = (Vp / KP) ln(1 + exp(KP (1 / MU + Vg / sqrt(KVB + Vp^2)))),  Ip = 2 E1^EX / KG1, Vp >= 0.
    """
    plate = np.asarray(plate_volts, dtype=np.float64)
    inner = KP * (1.0 / MU + grid_volts / np.sqrt(KVB + plate * plate))
    drive = plate / KP * np.logaddexp(0.0, inner)
    return np.asarray(2.0 * drive**EX / KG1)


def grid_amps(open_volts: Numbers, series_ohm: float) -> Numbers:
    """Return the grid's current from a source of `open_volts` against the cathode, forwards only.

    I (series_ohm + 2 kohm) + Vt ln(1 + I / Is) = V, by halving.
    """
    ohm = series_ohm + GRID_OHM
    low, high = np.zeros_like(open_volts), np.maximum(open_volts, 0.0) / ohm
    for _ in range(60):
        amps = 0.5 * (low + high)
        short = amps * ohm + THERMAL_VOLTS * np.log1p(amps / GRID_SATURATION_A) < open_volts
        low, high = np.where(short, amps, low), np.where(short, high, amps)
    return 0.5 * (low + high)


def idle(stage: Stage) -> tuple[float, float]:
    """Return plate amps and cathode volts at rest."""
    low, high = 0.0, stage.supply_volts / (stage.plate_ohm + stage.cathode_ohm)
    for _ in range(80):
        amps = 0.5 * (low + high)
        cathode = amps * stage.cathode_ohm
        plate = stage.supply_volts - amps * stage.plate_ohm
        if plate_amps(plate - cathode, -cathode) > amps:
            low = amps
        else:
            high = amps
    return amps, cathode


def plate_swing(stage: Stage, input_volts: Numbers) -> Numbers:
    """Return plate volts against the idle plate for volts ahead of the stopper, cathode held."""
    amps, cathode = idle(stage)
    grid = input_volts - cathode
    grid = grid - stage.stopper_ohm * grid_amps(grid, stage.stopper_ohm)
    low, high = np.full_like(grid, cathode), np.full_like(grid, stage.supply_volts)
    for _ in range(60):
        plate = 0.5 * (low + high)
        falls = plate_amps(plate - cathode, grid) > (stage.supply_volts - plate) / stage.plate_ohm
        low, high = np.where(falls, low, plate), np.where(falls, plate, high)
    return 0.5 * (low + high) - (stage.supply_volts - amps * stage.plate_ohm)


@lru_cache(maxsize=16)
def table(stage: Stage) -> StageTable:
    """Return the stage's table, exactly 0 V out for 0 V in."""
    from simchain.kernels import tables

    first, last = TABLE_VOLTS
    points = round((last - first) * CELLS_A_VOLT) + 1
    volts = first + np.arange(-2, points + 2) / CELLS_A_VOLT
    swing = plate_swing(stage, volts)
    # Slopes by central differences of fourth order: far below the table's own error.
    slopes = (8 * (swing[3:-1] - swing[1:-3]) - (swing[4:] - swing[:-4])) / 12
    middle = round(-first * CELLS_A_VOLT)
    values = swing[2:-2] - swing[2 + middle]
    slopes[0] = slopes[-1] = 0.0
    return StageTable(
        tables.cubic_table(values, slopes, float(middle)),
        first,
        float(CELLS_A_VOLT),
        float(slopes[middle]) * CELLS_A_VOLT,
    )
