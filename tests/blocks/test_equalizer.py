"""The equalizer: bands in series, against closed forms of its analogue bands."""

import numpy as np
import pytest
from pydantic import ValidationError
from scipy.signal import freqs_zpk

from simchain.blocks.base import Moment
from simchain.blocks.equalizer import Equalizer
from simchain.filters import band_circuit

RATE = 48_000
HZ = np.geomspace(30, 10_000, 60)


def response_db(unit: Equalizer, rate: int = RATE) -> np.ndarray:
    """Levels at HZ from two seconds of its impulse response."""
    volts = np.zeros((1, 2 * rate))
    volts[0, 0] = 1
    out = unit.process(volts, Moment(rate))[0]
    n = np.arange(out.size)
    return np.array([20 * np.log10(abs(out @ np.exp(-2j * np.pi * f * n / rate))) for f in HZ])


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_bands_in_series_are_the_sum_of_their_decibels(rate: int) -> None:
    bands = [
        {"shape": "low_cut", "hz": 70, "q": 0.71},
        {"shape": "low_shelf", "hz": 150, "db": 4, "q": 0.71},
        {"hz": 800, "db": -7, "q": 1.4},
        {"hz": 3200, "db": 5},
        {"shape": "high_shelf", "hz": 5000, "db": -9, "q": 0.71},
        {"shape": "high_cut", "hz": 9000, "q": 0.71},
    ]
    unit = Equalizer.model_validate({"bands": bands})
    truth = np.zeros_like(HZ)
    for band in unit.bands:
        circuit = band_circuit(band.shape, band.hz, band.db, band.q)
        truth += 20 * np.log10(np.abs(freqs_zpk(*circuit, 2 * np.pi * HZ)[1]))
    off = np.max(np.abs(response_db(unit, rate) - truth))
    print(f"six bands at {rate} Hz: worst {off:.4f} dB")
    assert off < 0.05


def test_a_peak_has_its_decibels_at_its_centre() -> None:
    """Closed form: a peak band has gain db at hz, whatever its q."""
    unit = Equalizer.model_validate({"bands": [{"hz": HZ[40], "db": 9, "q": 3}]})
    assert response_db(unit)[40] == pytest.approx(9, abs=0.01)


def test_without_bands_it_is_a_wire() -> None:
    volts = np.random.default_rng(4).normal(size=(1, 100))
    for bands in ([], [{"hz": 500, "db": 0}]):
        out = Equalizer.model_validate({"bands": bands}).process(volts, Moment(RATE))
        assert np.array_equal(out, volts)
        assert not np.shares_memory(out, volts)


@pytest.mark.parametrize(
    ("band", "words"),
    [
        ({"hz": 100, "gain": 3}, r"bands\.0\.gain\s+Extra inputs"),
        ({"shape": "dip", "hz": 100}, r"bands\.0\.shape\s+Input should be 'peak', 'low_shelf'"),
        ({"db": 3}, r"bands\.0\.hz\s+Field required"),
        ({"hz": 19}, r"bands\.0\.hz\s+Input should be greater than or equal to 20"),
        ({"hz": 20_001}, r"bands\.0\.hz\s+Input should be less than or equal to 20000"),
        ({"hz": 60, "db": 3, "shape": "notch"}, "db = 3 does nothing in a notch; leave it out"),
    ],
)
def test_bands_that_are_refused(band: dict[str, object], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        Equalizer.model_validate({"bands": [band]})


def test_ten_bands_are_the_most() -> None:
    assert len(Equalizer.model_validate({"bands": [{"hz": 100}] * 10}).bands) == 10
    with pytest.raises(ValidationError, match="at most 10"):
        Equalizer.model_validate({"bands": [{"hz": 100}] * 11})


def test_a_band_too_high_for_the_rate_is_named() -> None:
    unit = Equalizer.model_validate({"bands": [{"hz": 500}, {"hz": 19_900}]})
    assert unit.refused_at(48_000) is None
    assert unit.refused_at(44_100) == (
        "bands, entry 2, hz = 19900 is too high for rate = 44100: below 19845 Hz is allowed"
    )


def test_bypass_is_buffered_unless_said() -> None:
    assert Equalizer().bypass == "buffered"
    assert (Equalizer().input_ohm, Equalizer().output_ohm) == (1e6, 500)
    assert (Equalizer().current_ma, Equalizer().noise_nv) == (15, 20)
