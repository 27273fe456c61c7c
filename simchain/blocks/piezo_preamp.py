"""The piezo preamp: a high-impedance input stage for acoustic pickups, with its tone controls."""

import math
from collections.abc import Iterable
from functools import partial
from typing import ClassVar, Literal, Self

import numpy as np
from pydantic import model_validator

from simchain.blocks._moving import follow, turn
from simchain.blocks._paths import to_channels
from simchain.blocks.base import Block, Moment, current_ma, input_ohm, noise_nv, output_ohm
from simchain.filters import Sections, band_sections, run_sections
from simchain.settings import control
from simchain.signal import Volts

LOW_SHELF_HZ, HIGH_SHELF_HZ = 120.0, 4000.0
SHELF_Q = math.sqrt(0.5)
BANDS = ("low_db", "mid_db", "high_db")
MID_Q = 1.0
NOTCH_Q = 8.0
LOWEST_NOTCH_HZ = 20.0
# Periods of the peak, and seconds at least, before a moved band is heard.
RUN_IN_PERIODS, SHORTEST_RUN_IN_S = 40.0, 0.3


class PiezoPreamp(Block):
    """Gain, a low shelf at 120 Hz, a peak, a high shelf at 4 kHz and a notch, in series.

    Equations: `simchain.filters.band_circuit`. Shelves have q = 0.71 and half their decibels at
    120 Hz and 4 kHz; the peak has q = 1; the notch has q = 8: 3 dB down over an eighth of it.
    """

    kind: ClassVar[str] = "piezo_preamp"
    about: ClassVar[str] = (
        "First box behind a bridge pickup: its very high input keeps the bass and the sparkle.\n"
        "Three tone controls, and a notch that takes out the one note that howls."
    )
    checked_against: ClassVar[str] = (
        "closed forms of shelves, peak and notch of the Audio EQ Cookbook, within 0.03 dB to 10 kHz"
    )

    gain_db: float = control(10, "gain", unit="dB", ge=-60, le=80, usual=(-10, 30), movable=True)
    low_db: float = control(
        0, "low shelf at 120 Hz", unit="dB", ge=-40, le=40, usual=(-15, 15), movable=True
    )
    mid_db: float = control(
        0, "peak at mid_hz", unit="dB", ge=-40, le=40, usual=(-15, 15), movable=True
    )
    mid_hz: float = control(800, "centre of the peak", unit="Hz", ge=20, le=15e3, usual=(250, 3000))
    high_db: float = control(
        0, "high shelf at 4 kHz", unit="dB", ge=-40, le=40, usual=(-15, 15), movable=True
    )
    notch_hz: float = control(
        0,
        "note that is taken out, 0 = off (else 60 to 400)",
        unit="Hz",
        ge=0,
        le=15e3,
        usual=(0, 400),
    )
    bypass: Literal["true", "buffered"] = control(
        "buffered", "what the footswitch does when off: a straight wire, or a buffer that stays in"
    )
    input_ohm: float = input_ohm(10e6, (1e6, 22e6))
    output_ohm: float = output_ohm(200, (50, 1e3))
    current_ma: float = current_ma(20, (3, 80))
    noise_nv: float = noise_nv(12)

    @model_validator(mode="after")
    def _notches_what_is_heard(self) -> Self:
        if 0 < self.notch_hz < LOWEST_NOTCH_HZ:
            raise ValueError(
                f"notch_hz = {self.notch_hz:g} must be 0 (off) or from {LOWEST_NOTCH_HZ:g}"
            )
        return self

    def nominal_gain_db(self) -> float:
        """See `Block.nominal_gain_db`: the gain control."""
        return self.gain_db

    def is_lti(self) -> bool:
        """Always: gain and filters."""
        return True

    def sections(self, rate: int) -> Sections:
        """Return its filters, without the gain."""
        return self._sections(rate, BANDS)

    def _sections(self, rate: int, at_rest: Iterable[str]) -> Sections:
        """Return the notch and those of the three bands that are `at_rest`."""
        parts = [self._band(band, getattr(self, band), rate) for band in at_rest]
        if self.notch_hz > 0:
            parts.append(band_sections("notch", self.notch_hz, 0.0, NOTCH_Q, rate))
        return np.concatenate(parts) if parts else np.empty((0, 6))

    def _band(self, band: str, db: float, rate: int) -> Sections:
        if band == "low_db":
            return band_sections("low_shelf", LOW_SHELF_HZ, db, SHELF_Q, rate)
        if band == "mid_db":
            return band_sections("peak", self.mid_hz, db, MID_Q, rate)
        return band_sections("high_shelf", HIGH_SHELF_HZ, db, SHELF_Q, rate)

    def _through_band(self, band: str, db: float, volts: Volts, now: Moment) -> Volts:
        return run_sections(self._band(band, db, now.rate), volts, out=volts)

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """See `Block.process_over`."""
        moving = [band for band in BANDS if band in dict(now.curves)]
        at_rest = [band for band in BANDS if band not in moving]
        shaped = run_sections(self._sections(now.rate, at_rest), volts, out=volts)
        run_in_s = max(RUN_IN_PERIODS / self.mid_hz, SHORTEST_RUN_IN_S)
        for band in moving:
            stage = partial(self._through_band, band)
            shaped = follow(self, band, shaped, now, stage, run_in_s)
        turn(shaped, self, "gain_db", now)
        return to_channels(shaped, self.outputs)
