"""The wah against the closed form of its band-pass (references §6, computed independently)."""

import numpy as np
import pytest
from pydantic import ValidationError
from scipy.optimize import brentq, minimize_scalar
from scipy.signal import freqs

from simchain.blocks.base import Moment
from simchain.blocks.wah import Wah

RATE = 48_000
HZ = np.geomspace(30, 10_000, 80)


def impulse_response(unit: Wah, rate: int = RATE) -> np.ndarray:
    volts = np.zeros((1, rate // 2))
    volts[0, 0] = 1
    return unit.process(volts, Moment(rate))[0]


def level_db(response: np.ndarray, hz: float, rate: int = RATE) -> float:
    turns = np.exp(-2j * np.pi * hz * np.arange(response.size) / rate)
    return 20 * np.log10(abs(response @ turns))


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(("position", "q"), [(0, 2), (0.5, 4), (1, 10)])
def test_it_is_the_analogue_band_pass(position: float, q: float, rate: int) -> None:
    """scipy.signal.freqs of H(s) = G (s w/q) / (s^2 + s w/q + w^2), 30 Hz to 10 kHz."""
    unit = Wah(position=position, q=q, gain_db=11)
    w = 2 * np.pi * 400 * 5**position
    band = 10 ** (11 / 20) * w / q
    truth = 20 * np.log10(np.abs(freqs([band, 0], [1, w / q, w * w], 2 * np.pi * HZ)[1]))
    response = impulse_response(unit, rate)
    off = max(abs(level_db(response, hz, rate) - true) for hz, true in zip(HZ, truth, strict=True))
    print(f"{rate} Hz, position {position:g}, q {q:g}: worst {off:.4f} dB")
    assert off < 0.05


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_centre_edges_and_octave_of_the_handbook(rate: int) -> None:
    """References §6: 800 Hz, Q 5: edges 723.9900 and 883.9900 Hz, -17.5778 dB at 2 f."""
    position = float(np.log(2) / np.log(5))
    response = impulse_response(Wah(position=position, q=5, gain_db=0), rate)

    def level(hz: float) -> float:
        return level_db(response, hz, rate)

    centre = minimize_scalar(lambda hz: -level(hz), bounds=(700, 900), method="bounded").x
    half_db = 10 * np.log10(0.5)
    below = brentq(lambda hz: level(hz) - half_db, 600, 790)
    above = brentq(lambda hz: level(hz) - half_db, 810, 1000)
    print(f"{rate} Hz: centre {centre:.3f}, edges {below:.3f} {above:.3f}, 2f {level(1600):.4f} dB")
    assert centre == pytest.approx(800, rel=1e-3)
    assert below == pytest.approx(723.9900, rel=1e-3)
    assert above == pytest.approx(883.9900, rel=1e-3)
    assert level(centre) == pytest.approx(0, abs=0.01)
    assert level(1600) == pytest.approx(-17.5778, abs=0.03)


@pytest.mark.parametrize(("position", "hz"), [(0, 400), (0.25, 598.14), (0.5, 894.43), (1, 2000)])
def test_equal_steps_of_the_pedal_are_equal_steps_of_pitch(position: float, hz: float) -> None:
    """low (high / low)^position: at the middle the geometric mean, sqrt(400 2000) = 894.43 Hz."""
    unit = Wah(position=position, gain_db=6)
    response = impulse_response(unit)
    centre = minimize_scalar(
        lambda at: -level_db(response, at), bounds=(hz * 0.9, hz * 1.1), method="bounded"
    ).x
    assert centre == pytest.approx(hz, rel=1e-3)
    assert level_db(response, centre) == pytest.approx(6, abs=0.01)


def test_a_sweep_that_runs_backwards_is_refused() -> None:
    with pytest.raises(ValidationError, match="low_hz = 600 must be below high_hz = 500"):
        Wah(low_hz=600, high_hz=500)
    with pytest.raises(ValidationError, match="low_hz = 2500 must be below high_hz = 2000"):
        Wah(low_hz=2500)
    with pytest.raises(ValidationError, match="position"):
        Wah(position=1.01)


def test_two_outputs_carry_the_same() -> None:
    volts = np.random.default_rng(1).normal(size=(1, 200))
    out = Wah(outputs=2).process(volts, Moment(RATE))
    assert np.array_equal(out[0], out[1])
    assert Wah(inputs=2, outputs=2).process(np.repeat(volts, 2, axis=0), Moment(RATE)) == (
        pytest.approx(out)
    )


def test_electrical_data() -> None:
    unit = Wah()
    assert (unit.input_ohm, unit.output_ohm, unit.current_ma) == (100e3, 10e3, 2)
    assert (unit.noise_nv, unit.bypass) == (20, "true")
    assert {"position", "level_db"} == Wah.movable()
    assert unit.is_lti()
