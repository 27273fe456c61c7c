"""Intermodulation of two tones: SMPTE pairs and difference tones.

With U(f) the voltage on a line, f1 below f2 (IEC 60268-3:2013, modulation and difference-frequency
distortion; formulas from memory)::

    SMPTE pair        d2 = (U(f2 - f1) + U(f2 + f1)) / U(f2)
                      d3 = (U(f2 - 2 f1) + U(f2 + 2 f1)) / U(f2)
    difference tones  d2 = U(f2 - f1) / (U(f1) + U(f2))
                      d3 = (U(2 f1 - f2) + U(2 f2 - f1)) / (U(f1) + U(f2))

Both orders together are sqrt(d2^2 + d3^2). Sidebands of one order are added as voltages here, so
that a symmetric pair counts as the one modulation it is; the root of the sum of squares of all
four lines, which some meters print, is sqrt(2) less for symmetric pairs.
"""

import math
from dataclasses import dataclass

from simchain.measure.tones import Floats, Tones
from simchain.signal import Volts


@dataclass(frozen=True)
class Intermodulation:
    """Second- and third-order products in one channel, as ratios; NaN where the tones are gone."""

    second: float
    third: float

    @property
    def total(self) -> float:
        """Root of the sum of the squares of both orders."""
        return math.hypot(self.second, self.third)


def modulation_distortion(volts: Volts, tones: Tones) -> tuple[Intermodulation, ...]:
    """Intermodulation of a SMPTE pair in each channel of `volts`, shape (channels, frames).

    Read from the last `tones.frames` frames; `tones` as from `smpte_tones`.
    Raises ValueError for tones whose products leave the band from 0 Hz to half the rate.
    """
    low, high = _pair(tones)
    _refuse_outside(tones, high - 2 * low, high + 2 * low)
    return tuple(
        Intermodulation(
            _ratio(u[high - low] + u[high + low], u[high]),
            _ratio(u[high - 2 * low] + u[high + 2 * low], u[high]),
        )
        for u in tones.spectrum(volts)
    )


def difference_distortion(volts: Volts, tones: Tones) -> tuple[Intermodulation, ...]:
    """Difference-frequency distortion in each channel of `volts`, shape (channels, frames).

    Read from the last `tones.frames` frames; `tones` as from `difference_tones`.
    Raises ValueError for tones whose products leave the band from 0 Hz to half the rate.
    """
    low, high = _pair(tones)
    _refuse_outside(tones, 2 * low - high, 2 * high - low)
    return tuple(
        Intermodulation(
            _ratio(u[high - low], u[low] + u[high]),
            _ratio(u[2 * low - high] + u[2 * high - low], u[low] + u[high]),
        )
        for u in tones.spectrum(volts)
    )


def _pair(tones: Tones) -> tuple[int, int]:
    if len(tones.cycles) != 2:
        raise ValueError(f"intermodulation is measured with two tones, not {len(tones.cycles)}")
    low, high = sorted(tones.cycles)
    return low, high


def _refuse_outside(tones: Tones, lowest: int, highest: int) -> None:
    if lowest <= 0 or highest > tones.frames // 2:
        names = " and ".join(f"{hz:.0f}" for hz in tones.hz)
        raise ValueError(f"products of {names} Hz leave the band at {tones.rate} frames a second")


def _ratio(part: Floats, whole: Floats) -> float:
    return float(part / whole) if whole > 0.0 else math.nan
