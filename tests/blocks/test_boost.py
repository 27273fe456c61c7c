"""The boost against the closed form of its gain and corners."""

import numpy as np
import pytest

from simchain.blocks.base import Moment
from simchain.blocks.boost import Boost

RATE = 48_000


def level_db(unit: Boost, hz: float, rate: int = RATE) -> float:
    """Gain in decibels for a sine, by projection on the last half of a second."""
    t = np.arange(rate) / rate
    turned = np.exp(-2j * np.pi * hz * t)
    volts = 0.1 * np.cos(2 * np.pi * hz * t)
    out = unit.process(volts[np.newaxis], Moment(rate))[0]
    half = slice(rate // 2, None)
    return float(20 * np.log10(abs(np.sum((out * turned)[half]) / np.sum((volts * turned)[half]))))


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("hz", [40.0, 100.0, 1000.0, 6000.0, 10_000.0])
def test_gain_and_first_order_corners(hz: float, rate: int) -> None:
    """|H|^2 = gain^2 / ((1 + (low/f)^2) (1 + (f/high)^2)), two RC networks."""
    unit = Boost(gain_db=12, low_cut_hz=100, high_cut_hz=6000)
    truth = 12 - 10 * np.log10((1 + (100 / hz) ** 2) * (1 + (hz / 6000) ** 2))
    assert level_db(unit, hz, rate) == pytest.approx(truth, abs=0.03)


def test_a_cut_at_0_is_off() -> None:
    volts = np.random.default_rng(2).normal(size=(1, 400))
    out = Boost(gain_db=20, low_cut_hz=0, high_cut_hz=0).process(volts, Moment(RATE))
    assert np.array_equal(out, 10 * volts)


def test_defaults_are_those_of_practice() -> None:
    """Common practice, no source: the project's own table of defaults."""
    unit = Boost()
    assert (unit.gain_db, unit.low_cut_hz, unit.high_cut_hz) == (6, 20, 20e3)
    assert (unit.input_ohm, unit.output_ohm, unit.current_ma, unit.noise_nv) == (1e6, 600, 5, 8)
    assert "gain_db" in Boost.movable()
    assert level_db(unit, 1000) == pytest.approx(6, abs=0.02)


def test_two_outputs_are_equal() -> None:
    out = Boost(outputs=2).process(np.ones((1, 50)), Moment(RATE))
    assert out.shape == (2, 50)
    assert np.array_equal(out[0], out[1])
