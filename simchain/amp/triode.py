"""Triode stages: plate volts against volts ahead of the grid, and the charges that move slowly.

Plate current by the published equation of N. Koren, "Improved vacuum tube models for SPICE
simulations", Glass Audio 8(5), 1996, with its set for a 100-times double triode. That set gives
less current than the data sheet (0.95 instead of 1.2 mA at 250 V, -2 V), see the references.
Grid current by the diode and the 2 kohm of the same article's circuit (from memory).

A stage::

    in -- coupling_farad -- coupling_ohm -- M -- stopper_ohm -- grid     M -- leak_ohm -- ground
    cathode -- cathode_ohm, beside it cathode_farad -- ground    plate -- plate_ohm -- supply

What is fast is one curve, solved once and tabulated: plate volts and grid amps against the
open volts at M. What is slow moves the curve aside: the cathode's capacitor, charged by plate and
grid current, and the coupling capacitor, charged by grid current (what it does to the signal is
a linear filter ahead, `coupling`). So after a hard hit a stage is biased off and comes back.
A cathode without a capacitor belongs to the curve itself.

A cathode d volts above rest also takes d from the plate: to the current, d (1 + 1 / MU) volts
at the grid are the same, as E1 depends on Vp / MU + Vg as long as Vp is well above sqrt(KVB).
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simchain.filters.rational import Rational, constant, from_polynomials, low_cut
from simchain.filters.sections import Sections
from simchain.signal import Volts

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
    """Supply volts and a stage's parts in ohm and farad, see the module's first lines.

    `cathode_farad` 0 leaves the cathode's resistor alone; `coupling_farad` 0 is a wire, and
    `leak_ohm` then plays no part.
    """

    supply_volts: float = 300.0
    plate_ohm: float = 100e3
    cathode_ohm: float = 1500.0
    cathode_farad: float = 22e-6
    stopper_ohm: float = 68e3
    coupling_farad: float = 0.0
    coupling_ohm: float = 0.0
    leak_ohm: float = 1e6

    @property
    def share(self) -> float:
        """The part of a signal that the coupling's divider leaves at M."""
        if self.coupling_farad == 0:
            return 1.0
        return self.leak_ohm / (self.coupling_ohm + self.leak_ohm)

    @property
    def series_ohm(self) -> float:
        """What stands between M's open volts and the grid."""
        return self.stopper_ohm + self.coupling_ohm * self.share

    @property
    def coupling(self) -> Rational:
        """The coupling without grid current, from its source to M."""
        if self.coupling_farad == 0:
            return constant(1.0)
        ohm = self.coupling_ohm + self.leak_ohm
        return low_cut(1.0 / (2 * np.pi * ohm * self.coupling_farad)).times(self.share)

    @property
    def cathode_shelf(self) -> Rational:
        """What the cathode's capacitor leaves of a small signal: 1, less below some 10 Hz.

        (s + z) / (s + p),  z = 1 / (R C),  p = z (1 + R (1 + MU) / (rp + Ra)) with MU and rp
        at rest (circuit theory).
        """
        if self.cathode_farad == 0:
            return constant(1.0)
        zero = 1.0 / (self.cathode_ohm * self.cathode_farad)
        amps, cathode = idle(self)
        plate = self.supply_volts - amps * self.plate_ohm - cathode
        step = 1e-3
        gm = (plate_amps(plate, step - cathode) - plate_amps(plate, -step - cathode)) / (2 * step)
        gp = (plate_amps(plate + step, -cathode) - plate_amps(plate - step, -cathode)) / (2 * step)
        pole = zero * (1.0 + self.cathode_ohm * float((gm + gp) / (1.0 + gp * self.plate_ohm)))
        return from_polynomials((1.0, zero), (1.0, pole))


@dataclass(frozen=True, eq=False)
class StageTable:
    """A stage as a table for kernels.tables: filter_and_shape and filter_and_shape_under_bias.

    `rows` gives plate volts against the idle plate and grid amps for open volts at M from `first`,
    `per_volt` cells a volt, constant beyond the ends. `gain` is the slope at 0 V, negative: the
    stage inverts.
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

    I R + Vt ln(1 + I / Is) = V with R = series_ohm + 2 kohm, whose solution is
    I + Is = (Vt / R) omega((V + R Is) / Vt + ln(R Is / Vt)), omega(z) + ln omega(z) = z (Wright's
    omega function; Corless and Jeffrey 2002, from memory).
    """
    from scipy.special import wrightomega

    volts_at_saturation = (series_ohm + GRID_OHM) * GRID_SATURATION_A
    ratio = volts_at_saturation / THERMAL_VOLTS
    omega = wrightomega((open_volts + volts_at_saturation) / THERMAL_VOLTS + np.log(ratio))
    amps = GRID_SATURATION_A * (omega / ratio - 1.0)
    return np.where(open_volts > 0, np.maximum(amps, 0.0), 0.0)


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


def plate_swing(stage: Stage, open_volts: Numbers) -> Numbers:
    """Return plate volts against the idle plate for open volts at M, the capacitors at rest."""
    return stage.plate_ohm * (idle(stage)[0] - currents(stage, open_volts)[0])


def currents(stage: Stage, open_volts: Numbers) -> tuple[Numbers, Numbers]:
    """Return plate and grid amps for open volts at M, by halving, the capacitors at rest."""
    held, alone_ohm = idle(stage)[1], 0.0
    if stage.cathode_farad == 0:
        held, alone_ohm = 0.0, stage.cathode_ohm
    low = np.zeros_like(open_volts)
    high = np.full_like(open_volts, stage.supply_volts / stage.plate_ohm)
    grid = grid_amps(open_volts - held, stage.series_ohm)
    for _ in range(60):
        amps = 0.5 * (low + high)
        if alone_ohm:
            behind = stage.series_ohm + alone_ohm
            grid = grid_amps(open_volts - alone_ohm * amps, behind)
        cathode = held + alone_ohm * (amps + grid)
        at_grid = open_volts - stage.series_ohm * grid - cathode
        plate = np.maximum(stage.supply_volts - amps * stage.plate_ohm - cathode, 0.0)
        more = plate_amps(plate, at_grid) > amps
        low, high = np.where(more, amps, low), np.where(more, high, amps)
    return 0.5 * (low + high), grid


@lru_cache(maxsize=16)
def table(stage: Stage) -> StageTable:
    """Return the stage's table, exactly 0 V out for 0 V in."""
    from simchain.kernels import tables

    first, last = TABLE_VOLTS
    points = round((last - first) * CELLS_A_VOLT) + 1
    volts = first + np.arange(-2, points + 2) / CELLS_A_VOLT
    plate, grid = currents(stage, volts)
    swing = stage.plate_ohm * (idle(stage)[0] - plate)
    # Slopes by central differences of fourth order: far below the table's own error.
    slopes = (8 * (swing[3:-1] - swing[1:-3]) - (swing[4:] - swing[:-4])) / 12
    middle = round(-first * CELLS_A_VOLT)
    values = swing[2:-2] - swing[2 + middle]
    slopes[0] = slopes[-1] = 0.0
    # Eight columns make a row one line of the cache.
    rows = np.zeros((points + 1, 8))
    rows[:, :5] = tables.cubic_table(values, slopes, float(middle))
    rows[0, 5], rows[1:, 5] = grid[2], grid[2:-2]
    rows[1:-1, 6] = np.diff(grid[2:-2])
    gain = float(slopes[middle]) * CELLS_A_VOLT
    return StageTable(rows, first, float(CELLS_A_VOLT), gain)


class Line:
    """One channel on its way through a stage, stretch after stretch, from rest.

    `ahead` are sections, at `rate` times `factor`, from the stage's input to M's open volts.
    """

    def __init__(self, stage: Stage, ahead: Sections, rate: float, factor: int):
        self._table, self._ahead, self._factor = table(stage), ahead, factor
        self._moves = stage.cathode_farad > 0 or stage.coupling_farad > 0
        self._memory = np.zeros((len(ahead), 2))
        self._last = np.zeros(1)
        self._state = np.zeros(6)
        self._state[0] = -self._table.first * self._table.per_volt
        self._numbers = np.array(
            (
                self._table.first,
                self._table.per_volt,
                1.0 / stage.plate_ohm,
                *_charging(stage.cathode_farad, stage.cathode_ohm, 1.0, rate),
                1.0 + 1.0 / MU,
                *_charging(
                    stage.coupling_farad, stage.coupling_ohm + stage.leak_ohm, stage.share, rate
                ),
                stage.share,
            )
        )

    def shape(self, volts: Volts) -> None:
        """Change a stretch of volts at the stage's input into the plate's swing, in place."""
        from simchain.kernels import tables

        rows, ahead, memory = self._table.rows, self._ahead, self._memory
        if self._moves:
            frames = volts.reshape(-1, self._factor)
            tables.filter_and_shape_under_bias(
                frames, ahead, memory, rows, self._numbers, self._state
            )
        else:
            first, per_volt = self._table.first, self._table.per_volt
            tables.filter_and_shape(volts, ahead, memory, rows, first, per_volt, self._last)


def _charging(farad: float, ohm: float, share: float, rate: float) -> tuple[float, float]:
    """Return volts that an ampere adds to a capacitor in a frame, and the part `ohm` takes."""
    if farad == 0:
        return 0.0, 0.0
    return share / (farad * rate), 1.0 / (ohm * farad * rate)
