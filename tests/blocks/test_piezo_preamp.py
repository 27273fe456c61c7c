"""The piezo preamp against closed forms of its analogue bands."""

from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError
from scipy.optimize import brentq
from scipy.signal import freqs

from simchain.blocks.base import Moment
from simchain.blocks.piezo_preamp import PiezoPreamp

RATE = 48_000
HZ = np.geomspace(30, 10_000, 80)


def impulse_response(unit: PiezoPreamp, rate: int = RATE) -> np.ndarray:
    volts = np.zeros((1, rate))
    volts[0, 0] = 1
    return unit.process(volts, Moment(rate))[0]


def level_db(response: np.ndarray, hz: float, rate: int = RATE) -> float:
    turns = np.exp(-2j * np.pi * hz * np.arange(response.size) / rate)
    return float(20 * np.log10(abs(response @ turns)))


def analogue_db(over: list[float], under: list[float], hz: float) -> np.ndarray:
    """Level at HZ of a circuit in units of s / (2 pi hz), by scipy."""
    return 20 * np.log10(np.abs(freqs(over, under, HZ / hz)[1]))


def circuit_db(unit: PiezoPreamp) -> np.ndarray:
    """Audio EQ Cookbook prototypes, typed in here from memory, A = 10^(db/40)."""
    low, mid, high = (10 ** (db / 40) for db in (unit.low_db, unit.mid_db, unit.high_db))
    bend_low, bend_high = np.sqrt(2 * low), np.sqrt(2 * high)
    truth = np.full(HZ.shape, float(unit.gain_db))
    truth += analogue_db([low, low * bend_low, low * low], [low, bend_low, 1], 120)
    truth += analogue_db([1, mid, 1], [1, 1 / mid, 1], unit.mid_hz)
    truth += analogue_db([high * high, high * bend_high, high], [1, bend_high, high], 4000)
    if unit.notch_hz:
        truth += analogue_db([1, 0, 1], [1, 1 / 8, 1], unit.notch_hz)
    return truth


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(
    "given",
    [
        {},
        {"low_db": -9, "mid_db": 6, "high_db": 12, "mid_hz": 2500, "gain_db": -4},
        {"low_db": 15, "mid_db": -15, "high_db": -15, "mid_hz": 250, "notch_hz": 110},
    ],
)
def test_it_is_its_analogue_circuit(given: dict[str, Any], rate: int) -> None:
    unit = PiezoPreamp.model_validate(given)
    response = impulse_response(unit, rate)
    found = np.array([level_db(response, hz, rate) for hz in HZ])
    off = np.max(np.abs(found - circuit_db(unit)))
    print(f"{rate} Hz, {given}: worst {off:.4f} dB")
    assert off < 0.06


def test_each_control_in_decibels() -> None:
    """A shelf at half its decibels at its corner and all of them far away; a peak at its centre."""
    low = impulse_response(PiezoPreamp(low_db=12, gain_db=0))
    assert level_db(low, 120) == pytest.approx(6, abs=0.02)
    assert level_db(low, 5) == pytest.approx(12, abs=0.02)
    high = impulse_response(PiezoPreamp(high_db=-12, gain_db=0))
    assert level_db(high, 4000) == pytest.approx(-6, abs=0.02)
    mid = impulse_response(PiezoPreamp(mid_db=9, gain_db=0))
    assert level_db(mid, 800) == pytest.approx(9, abs=0.02)


@pytest.mark.parametrize("rate", [44_100, 96_000])
@pytest.mark.parametrize("hz", [60.0, 196.0, 400.0])
def test_the_notch(hz: float, rate: int) -> None:
    """Nothing at its note; 3.01 dB down at hz (sqrt(1 + 1/4Q^2) -+ 1/2Q), hz / 8 apart."""
    response = impulse_response(PiezoPreamp(notch_hz=hz, gain_db=0), rate)
    half_db = 10 * np.log10(0.5)
    below = brentq(lambda at: level_db(response, at, rate) - half_db, hz * 0.8, hz * 0.99)
    above = brentq(lambda at: level_db(response, at, rate) - half_db, hz * 1.01, hz * 1.2)
    print(
        f"{rate} Hz: notch {hz:g}: {level_db(response, hz, rate):.0f} dB, {below:.3f} {above:.3f}"
    )
    assert level_db(response, hz, rate) < -100
    assert below == pytest.approx(hz * (np.sqrt(1 + 1 / 256) - 1 / 16), rel=1e-3)
    assert above == pytest.approx(hz * (np.sqrt(1 + 1 / 256) + 1 / 16), rel=1e-3)


def test_at_its_defaults_it_is_ten_decibels_and_nothing_else() -> None:
    volts = np.random.default_rng(3).normal(size=(1, 300))
    assert PiezoPreamp().process(volts, Moment(RATE)) == pytest.approx(10**0.5 * volts, rel=1e-12)


def test_out_of_range() -> None:
    with pytest.raises(ValidationError, match=r"notch_hz = 12 must be 0 \(off\) or from 20"):
        PiezoPreamp(notch_hz=12)
    with pytest.raises(ValidationError, match="mid_hz"):
        PiezoPreamp(mid_hz=16_000)


def test_electrical_data() -> None:
    unit = PiezoPreamp()
    assert (unit.input_ohm, unit.output_ohm, unit.current_ma) == (10e6, 200, 20)
    assert (unit.noise_nv, unit.bypass, unit.ceiling_volts) == (12, "buffered", 3.5)
    assert unit.is_lti()
