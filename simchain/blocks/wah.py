"""The wah: a resonance under the foot."""

import math
from typing import ClassVar, Self

import numpy as np
from pydantic import model_validator

from simchain import units
from simchain.blocks._moving import ladder
from simchain.blocks._paths import to_channels
from simchain.blocks.base import Block, Curve, Moment, current_ma, input_ohm, noise_nv, output_ohm
from simchain.filters import run_sections
from simchain.filters.resonance import resonance_sections
from simchain.settings import control
from simchain.signal import Volts

DESIGNS_AN_OCTAVE, RUNGS_AN_OCTAVE = 6, 64


class Wah(Block):
    """A band-pass of `gain_db` at its centre, which the pedal sweeps by equal steps of pitch.

    Centre f = low_hz (high_hz / low_hz)^position; with w = 2 pi f,
    H(s) = 10^(gain_db/20) (s w/q) / (s^2 + s w/q + w^2).

    While the pedal moves, it is the loop of two integrators that has this H at rest, w moving
    under its feet: see `simchain.kernels.sweep`.
    """

    kind: ClassVar[str] = "wah"
    about: ClassVar[str] = (
        "One narrow range of pitch made loud, which the pedal sweeps from dark to bright.\n"
        "Before a drive it colours the dirt like a vowel; after it, it filters the dirt."
    )
    checked_against: ClassVar[str] = (
        "closed form of the band-pass: centre, edges f (sqrt(1 + 1/4Q^2) -+ 1/2Q), level at 2 f"
    )

    position: float = control(
        0.5, "pedal, from heel (0) to toe (1)", ge=0, le=1, usual=(0, 1), movable=True
    )
    low_hz: float = control(
        400, "centre with the heel down", unit="Hz", ge=20, le=10e3, usual=(250, 600)
    )
    high_hz: float = control(
        2000, "centre with the toe down", unit="Hz", ge=20, le=10e3, usual=(1200, 3000)
    )
    q: float = control(4, "how narrow; the band is centre / q wide", ge=1, le=50, usual=(2, 10))
    gain_db: float = control(6, "gain at the centre", unit="dB", ge=-60, le=80, usual=(0, 20))
    input_ohm: float = input_ohm(100e3, (50e3, 1e6))
    output_ohm: float = output_ohm(10e3, (1e3, 20e3))
    current_ma: float = current_ma(2, (0.5, 10))
    noise_nv: float = noise_nv(20)

    @model_validator(mode="after")
    def _sweeps_upwards(self) -> Self:
        if not self.low_hz < self.high_hz:
            raise ValueError(f"low_hz = {self.low_hz:g} must be below high_hz = {self.high_hz:g}")
        return self

    @property
    def centre_hz(self) -> float:
        """Where the resonance stands now."""
        return self._centre_hz(self.position)

    def _centre_hz(self, position: float) -> float:
        return float(self.low_hz * (self.high_hz / self.low_hz) ** position)

    def is_lti(self) -> bool:
        """Always, as long as the pedal rests: one filter."""
        return True

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """See `Block.process_over`."""
        curve = dict(now.curves).get("position")
        if curve is None:
            swept = run_sections(
                resonance_sections(self.centre_hz, self.q, now.rate), volts, out=volts
            )
        else:
            swept = self._swept(volts, curve, now.rate)
        swept *= units.db_to_ratio(self.gain_db)
        return to_channels(swept, self.outputs)

    def _swept(self, volts: Volts, curve: Curve, rate: int) -> Volts:
        """Return what the loop makes of `volts`, over them, while the pedal follows `curve`."""
        from simchain.kernels import sweep

        octaves = math.log2(self.high_hz / self.low_hz)
        frames = volts.shape[1]
        designed = ladder(curve, frames, 1.0 / (DESIGNS_AN_OCTAVE * octaves)).settings
        rungs = ladder(curve, frames, 1.0 / (RUNGS_AN_OCTAVE * octaves))
        fits = self._fitted(designed, rate)
        fits = np.stack([np.interp(rungs.settings, designed, fit) for fit in fits.T], axis=1)
        w = np.array([2 * math.pi * self._centre_hz(at) / rate for at in rungs.settings])
        table = sweep.rows(w, self.q, fits)
        if len(table) == 1:
            table = np.repeat(table, 2, axis=0)
        for line in volts:
            sweep.swept(line, table, rungs.places, float(self.q), line)
        return volts

    def _fitted(self, positions: Volts, rate: int) -> Volts:
        """Return `sweep.fitted` at each of `positions`, a row each."""
        from simchain.kernels import sweep

        found = []
        for position in positions:
            hz = self._centre_hz(position)
            sections = resonance_sections(hz, self.q, rate)
            found.append(sweep.fitted(sections, 2 * math.pi * hz / rate))
        longest = max(fit.size for fit in found)
        return np.stack([np.pad(fit, (0, longest - fit.size)) for fit in found])
