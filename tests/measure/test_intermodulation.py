"""Intermodulation: worked values of references 4, within 0.01 dB, and a circuit-like shape."""

import math

import numpy as np
import pytest

from simchain.measure.intermodulation import difference_distortion, modulation_distortion
from simchain.measure.tones import Tones, difference_tones, smpte_tones
from simchain.units import SQRT2, volts_to_dbu

WITHIN_DB = 0.01
# A sine of 1 V peak, so that the tones' peaks add up to 1 V.
ONE_VOLT_DBU = volts_to_dbu(1.0 / SQRT2)


def bent(x: np.ndarray) -> np.ndarray:
    return x + 0.01 * x**2 + 0.01 * x**3


def tell(what: str, read: float, asked: float) -> None:
    off = 20.0 * math.log10(read / asked)
    print(f"{what}: {100 * read:.6f} %, asked {100 * asked:.6f} %: {off:+.6f} dB")
    assert abs(off) <= WITHIN_DB


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_worked_smpte_pair(rate: int) -> None:
    """0.8 V at 60 Hz, 0.2 V at 7 kHz through x + 0.01 x^2 + 0.01 x^3: f_H 0.20198, sidebands
    a2 A B = 0.0016 and 0.75 a3 A^2 B = 0.00096 V each; together 1.847613 %."""
    tones = smpte_tones(ONE_VOLT_DBU, rate)
    (found,) = modulation_distortion(bent(tones.volts(0.0)), tones)
    tell(f"SMPTE second order at {rate}", found.second, 2 * 0.0016 / 0.20198)
    tell(f"SMPTE third order at {rate}", found.third, 2 * 0.00096 / 0.20198)
    tell(f"SMPTE at {rate}", found.total, 0.01847613)


@pytest.mark.parametrize("rate", [48_000, 96_000, 192_000])
def test_worked_difference_tones(rate: int) -> None:
    """0.5 V at 19 and 20 kHz: d2 0.248602 %, d3 0.186451 %."""
    tones = difference_tones(ONE_VOLT_DBU, rate)
    (found,) = difference_distortion(bent(tones.volts(0.0)), tones)
    tell(f"difference tone, second order at {rate}", found.second, 0.00248602)
    tell(f"difference tone, third order at {rate}", found.third, 0.00186451)


def test_a_pair_below_the_speakers_limit() -> None:
    """The same closed form at 2 and 2.3 kHz: 0.0025 / 1.005625 and 0.001875 / 1.005625."""
    tones = difference_tones(ONE_VOLT_DBU, 48_000, 2_000.0, 2_300.0)
    (found,) = difference_distortion(bent(tones.volts(0.0)), tones)
    tell("2 and 2.3 kHz, second order", found.second, 0.0025 / 1.005625)
    tell("2 and 2.3 kHz, third order", found.third, 0.001875 / 1.005625)


def test_amplitude_modulation_is_its_depth() -> None:
    """A high tone modulated by m cos: sidebands m/2 each, hence d2 = m, d3 = 0."""
    tones = smpte_tones(0.0, 48_000)
    low, high = tones.cycles
    turn = 2.0 * math.pi * np.arange(tones.frames) / tones.frames
    volts = (1.0 + 0.1 * np.cos(low * turn)) * np.sin(high * turn)
    (found,) = modulation_distortion(volts[None, :], tones)
    assert found.second == pytest.approx(0.1, rel=1e-10)
    assert found.third < 1e-12
    assert found.total == found.second


def test_each_product_counts_once() -> None:
    """Products put there one by one, each 1 % of the high tone or of both tones."""
    pair, near = smpte_tones(0.0, 48_000), difference_tones(0.0, 48_000, 2_000.0, 2_300.0)
    (low, high), (first, second) = pair.cycles, near.cycles
    added = [
        (pair, modulation_distortion, pair.peaks[1], (high - low, high + low), (1, 0)),
        (pair, modulation_distortion, pair.peaks[1], (high - 2 * low, high + 2 * low), (0, 1)),
        (near, difference_distortion, sum(near.peaks), (second - first,), (1, 0)),
        (near, difference_distortion, sum(near.peaks), (2 * first - second, 2 * second - first),
         (0, 1)),
    ]  # fmt: skip
    for tones, measure, whole, lines, orders in added:
        for line in lines:
            product = Tones((line,), (0.01 * whole,), tones.frames, tones.rate).volts(0.0)
            (found,) = measure(tones.volts(0.0) + product, tones)
            assert (found.second, found.third) == pytest.approx(
                (0.01 * orders[0], 0.01 * orders[1]), abs=1e-9
            )


def test_a_wire_has_none_and_order_of_the_tones_is_free() -> None:
    for tones, measure in (
        (smpte_tones(0.0, 48_000), modulation_distortion),
        (difference_tones(0.0, 48_000), difference_distortion),
    ):
        assert measure(tones.volts(), tones)[0].total < 1e-12
        turned = Tones(tones.cycles[::-1], tones.peaks[::-1], tones.frames, tones.rate)
        volts = bent(tones.volts())
        assert measure(volts, turned) == measure(volts, tones)


def test_silence_and_what_is_refused() -> None:
    tones = smpte_tones(0.0, 48_000)
    first, second = modulation_distortion(np.zeros((2, tones.frames)), tones)
    assert math.isnan(first.second)
    assert math.isnan(second.third)
    with pytest.raises(ValueError, match="with two tones, not 1"):
        modulation_distortion(np.zeros((1, 64)), Tones((3,), (1.0,), 64, 48_000))
    wide = difference_tones(0.0, 48_000, 1_000.0, 3_000.0)
    with pytest.raises(ValueError, match="products of 1000 and 3001 Hz leave the band"):
        difference_distortion(np.zeros((1, wide.frames)), wide)
    close = smpte_tones(0.0, 48_000, 5_000.0, 7_000.0)
    with pytest.raises(ValueError, match="leave the band at 48000 frames"):
        modulation_distortion(np.zeros((1, close.frames)), close)
