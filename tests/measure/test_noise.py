"""Noise floor and signal to noise: sines, white noise, an ideal quantiser."""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from simchain.measure.noise import noise_floor, signal_to_noise
from simchain.signal import Signal
from simchain.units import DBU_VOLTS, dbu_to_peak_volts, volts_to_dbu

RATE = 48_000


def sine(hz: float, dbu: float, seconds: float = 5.0, rate: int = RATE) -> np.ndarray:
    turns = hz * np.arange(round(seconds * rate)) / rate
    return dbu_to_peak_volts(dbu) * np.sin(2.0 * math.pi * turns)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize(
    ("hz", "a_db"), [(50.1187, -30.2), (100.0, -19.1), (1000.0, 0.0), (2511.8864, 1.3)]
)
def test_sines_read_their_level_and_weight(hz: float, a_db: float, rate: int) -> None:
    """A-weights of IEC 61672-1:2013 Table 3, which is rounded to 0.1 dB; cut out at any phase,
    beside a DC of 0.1 V."""
    line = sine(hz, -60.0, 1.7, rate)[777:] + 0.1
    (floor,) = noise_floor(Signal(line, rate))
    print(f"{hz:.0f} Hz at {rate}: {floor.dbu:.3f} dBu, A-weighted {floor.a_weighted_dbu:.3f}")
    assert floor.dbu == pytest.approx(-60.0, abs=0.01)
    assert floor.a_weighted_dbu == pytest.approx(-60.0 + a_db, abs=0.06)


def a_gain(hz: float) -> float:
    """Power gain of A-weighting from its four poles, 0 dB at 1 kHz (IEC 61672-1, Annex E)."""

    def response(f: float) -> float:
        s, poles = 1j * f, (20.598997, 20.598997, 12194.217, 12194.217, 107.65265, 737.86223)
        return float(abs(s**4 / math.prod(s + p for p in poles)) ** 2)

    return response(hz) / response(1000.0)


@pytest.mark.parametrize("rate", [44_100, 48_000, 192_000])
def test_white_noise_of_one_density(rate: int) -> None:
    """100 nV/sqrt(Hz) over 19.98 kHz is 14.13 uV; its A-weighted level by the integral."""
    density = 100e-9
    rng = np.random.default_rng(2)
    noise = density * math.sqrt(rate / 2) * rng.standard_normal((2, 10 * rate))
    plain = volts_to_dbu(density * math.sqrt(19_980.0))
    weighted = volts_to_dbu(density * math.sqrt(quad(a_gain, 20.0, 20_000.0, limit=200)[0]))
    for floor in noise_floor(Signal(noise, rate)):
        print(
            f"at {rate}: {floor.dbu:.3f} dBu, asked {plain:.3f}; "
            f"A-weighted {floor.a_weighted_dbu:.3f}, asked {weighted:.3f}"
        )
        assert floor.dbu == pytest.approx(plain, abs=0.05)
        assert floor.a_weighted_dbu == pytest.approx(weighted, abs=0.05)


def test_what_lies_outside_20_hz_to_20_khz_does_not_count() -> None:
    """60 dB louder at 5.3 Hz and 22 kHz: a Hann window leaks 76 dB down from there to 20 Hz, so
    0.1 dB is left of it. DC counts nowhere, in short sounds either."""
    for loud in (sine(5.3, 0.0), sine(21_999.4, 0.0)):
        (beside,) = noise_floor(Signal(sine(1000.0, -60.0) + loud, RATE))
        print(f"beside a tone out of the band, 60 dB louder: {beside.dbu:.3f} dBu, asked -60")
        assert beside.dbu == pytest.approx(-60.0, abs=0.2)
    for seconds in (0.5, 5.0):
        line = sine(1000.0, -60.0, seconds)
        (beside,) = noise_floor(Signal(line + 100.0, RATE))
        assert beside.dbu == pytest.approx(noise_floor(Signal(line, RATE))[0].dbu, abs=1e-6)


@pytest.mark.parametrize("bits", [12, 16, 20])
def test_an_ideal_quantiser(bits: int) -> None:
    """6.0206 N + 1.7609 dB over half the rate; noise of 20 Hz to 20 kHz is 0.80 dB less.
    The sine's period shares no factor with the rate, so the error is as good as white."""
    tone = np.sin(2.0 * math.pi * 996.78901 * np.arange(10 * RATE) / RATE)
    step = 2.0 / 2**bits
    error = np.rint(tone / step) * step - tone
    (found,) = signal_to_noise(Signal(tone, RATE), Signal(error, RATE))
    asked = 20.0 * bits * math.log10(2.0) + 10.0 * math.log10(1.5 * 24_000.0 / 19_980.0)
    print(f"{bits} bits: {found.db:.2f} dB, asked {asked:.2f}")
    assert found.db == pytest.approx(asked, abs=0.1)


def test_signal_to_noise_is_the_difference_of_two_levels() -> None:
    noise = 1e-4 * np.random.default_rng(3).standard_normal((2, 5 * RATE))
    played = Signal(np.stack((sine(440.0, 0.0), sine(440.0, -20.0))), RATE)
    floors = noise_floor(Signal(noise, RATE))
    for level, found, floor in zip(
        (0.0, -20.0), signal_to_noise(played, Signal(noise, RATE)), floors, strict=True
    ):
        assert found.db == pytest.approx(level - floor.dbu, abs=0.02)
        assert found.a_weighted_db == pytest.approx(level - floor.a_weighted_dbu, abs=0.02)
        assert found.a_weighted_db > found.db


def test_short_sounds_and_silence() -> None:
    """Shorter than a second: whole, ends and all. A click of 1 V in 5,000 frames is flat."""
    (click,) = noise_floor(Signal(np.eye(1, 5_000, 50), RATE))
    flat = 19_980.0 / 24_000.0 / 5_000.0
    assert click.dbu == pytest.approx(10.0 * math.log10(flat / DBU_VOLTS**2), abs=0.01)
    for frames in (0, 1, RATE):
        (silent,) = noise_floor(Signal(np.zeros((1, frames)), RATE))
        assert silent.dbu == silent.a_weighted_dbu == -math.inf
    tone, silence = Signal(sine(440.0, 0.0), RATE), Signal(np.zeros((1, 100)), RATE)
    assert signal_to_noise(tone, silence)[0].db == math.inf
    assert signal_to_noise(silence, tone)[0].db == -math.inf
    assert math.isnan(signal_to_noise(silence, silence)[0].a_weighted_db)
    with pytest.raises(ValueError, match="a programme of 1 channels, noise of 2"):
        signal_to_noise(tone, Signal(np.zeros((2, 10)), RATE))
