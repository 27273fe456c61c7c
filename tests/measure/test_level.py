"""Level of sines, squares and silence: closed forms."""

import math

import numpy as np
import pytest

from simchain.measure.level import level_of
from simchain.units import dbu_to_peak_volts


def tone(peak: float, frames: int = 48_000) -> np.ndarray:
    return peak * np.sin(2.0 * math.pi * 997.0 * np.arange(frames) / 48_000)


def test_a_sine_of_4_dbu() -> None:
    """RMS and sine-equivalent peak agree; crest factor sqrt 2; 1.7361635 V peak."""
    (level,) = level_of(tone(dbu_to_peak_volts(4.0))[None, :])
    assert level.rms_dbu == pytest.approx(4.0, abs=1e-9)
    assert level.rms_volts == pytest.approx(1.2276529880, abs=1e-9)
    assert level.peak_dbu == pytest.approx(4.0, abs=2e-5)
    assert level.peak_volts == pytest.approx(1.7361635, rel=2e-6)
    assert level.crest_db == pytest.approx(3.0103, abs=2e-5)
    assert level.mean_volts == pytest.approx(0.0, abs=1e-12)


def test_shapes_against_their_crest_factors() -> None:
    """Square 0 dB, triangle 10 log10(3) = 4.7712 dB, half-wave sine: DC 1/pi, RMS 1/2."""
    square = np.where(np.arange(4800) % 48 < 24, -1.0, 1.0)
    triangle = np.abs((np.arange(48_000) % 4800) / 1200.0 - 2.0) - 1.0
    half_wave = np.maximum(tone(1.0), 0.0)
    square_level, triangle_level, half_level = (
        level_of(line[None, :])[0] for line in (square, triangle, half_wave)
    )
    assert square_level.crest_db == pytest.approx(0.0, abs=1e-12)
    assert triangle_level.crest_db == pytest.approx(10 * math.log10(3), abs=1e-5)
    assert half_level.mean_volts == pytest.approx(1 / math.pi, abs=1e-6)
    assert half_level.rms_volts == pytest.approx(0.5, abs=1e-6)


def test_each_channel_for_itself_and_the_peak_of_either_sign() -> None:
    volts = np.zeros((2, 1000))
    volts[0, 3], volts[1, 4] = 0.25, -3.5
    quiet, loud = level_of(volts)
    assert (quiet.peak_volts, loud.peak_volts) == (0.25, 3.5)
    assert loud.peak_dbu == pytest.approx(10.09, abs=0.005)
    assert loud.mean_volts == -0.0035


def test_dc_counts_as_level() -> None:
    (level,) = level_of(np.full((1, 100), -2.0))
    assert (level.rms_volts, level.peak_volts, level.mean_volts) == (2.0, 2.0, -2.0)
    assert level.crest_db == 0.0


@pytest.mark.parametrize("frames", [0, 1, 1000])
def test_silence(frames: int) -> None:
    first, second = level_of(np.zeros((2, frames)))
    assert first == second
    assert (first.rms_dbu, first.peak_dbu) == (-math.inf, -math.inf)
    assert first.peak_volts == 0.0
    assert math.isnan(first.crest_db)


def test_long_sums_keep_their_digits() -> None:
    """The fast sum of ten minutes against an exactly rounded one."""
    line = 5.0 * np.random.default_rng(2).standard_normal(5_000_000) + 1e-3
    (level,) = level_of(line[None, :])
    exact = math.sqrt(math.fsum(np.square(line)) / line.size)
    assert level.rms_volts == pytest.approx(exact, rel=1e-12)
