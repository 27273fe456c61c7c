"""Equalizer bands against closed forms of their analogue prototypes.

Prototypes: R. Bristow-Johnson, Audio EQ Cookbook (W3C note, 2021), from memory. References §6
lists its digital (bilinear) values; they serve here where the warp is negligible.
"""

import numpy as np
import pytest
from scipy.signal import freqs_zpk, sosfreqz

from simchain.filters import SHAPES, Shape, band_circuit, band_sections

RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
HZ = np.geomspace(20.0, 10_000.0, 200)


def analogue_db(shape: Shape, hz: float, db: float, q: float, at: list[float]) -> np.ndarray:
    h = freqs_zpk(*band_circuit(shape, hz, db, q), 2 * np.pi * np.array(at))[1]
    return np.asarray(20 * np.log10(np.abs(h)))


def digital_db(
    shape: Shape, hz: float, db: float, q: float, rate: int, at: list[float]
) -> np.ndarray:
    h = sosfreqz(band_sections(shape, hz, db, q, rate), at, fs=rate)[1]
    return np.asarray(20 * np.log10(np.maximum(np.abs(h), 1e-12)))


@pytest.mark.parametrize("db", [-15.0, -6.0, 3.0, 12.0])
@pytest.mark.parametrize("q", [0.3, 0.7071, 4.0])
def test_gains_at_the_places_that_define_a_band(db: float, q: float) -> None:
    far = [1e-3, 1e9]
    assert analogue_db("peak", 800, db, q, [800.0]) == pytest.approx([db], abs=1e-9)
    assert analogue_db("peak", 800, db, q, far) == pytest.approx([0, 0], abs=1e-6)
    assert analogue_db("low_shelf", 800, db, q, far) == pytest.approx([db, 0], abs=1e-4)
    assert analogue_db("high_shelf", 800, db, q, far) == pytest.approx([0, db], abs=1e-4)
    for shelf in ("low_shelf", "high_shelf"):
        assert analogue_db(shelf, 800, db, q, [800.0]) == pytest.approx([db / 2], abs=1e-9)
    for cut in ("low_cut", "high_cut"):
        assert analogue_db(cut, 800, db, q, [800.0]) == pytest.approx([20 * np.log10(q)], abs=1e-9)


def test_peak_bandwidth_at_half_its_decibels() -> None:
    """Between the points of half its decibels a peak is f0/q wide (the cookbook's Q)."""
    f0, q = 1000.0, 2.0
    edges = f0 * (np.sqrt(1 + 1 / (4 * q * q)) + np.array([-1, 1]) / (2 * q))
    assert analogue_db("peak", f0, 9.0, q, list(edges)) == pytest.approx([4.5, 4.5], abs=1e-9)


def test_cut_slopes_are_those_of_butterworth() -> None:
    """References §6: Butterworth, two poles, at twice the corner: -12.3045 dB."""
    q = np.sqrt(0.5)
    assert analogue_db("high_cut", 1000, 0, q, [2000.0]) == pytest.approx([-12.3045], abs=1e-4)
    assert analogue_db("low_cut", 1000, 0, q, [500.0]) == pytest.approx([-12.3045], abs=1e-4)


def test_low_bands_meet_the_cookbooks_digital_values() -> None:
    """References §6, computed there: at 80 and 100 Hz the bilinear transform does not warp yet."""
    low_cut = [0.992622542756, -1.98524508551, 0.992622542756, 1, -1.9851906579, 0.985299513128]
    shelf = [1.00321789574, -1.98436443078, 0.981386698749, 1, -1.98442432914, 0.984544696124]
    at = [20.0, 60.0, 100.0, 200.0, 500.0]
    for row, ours in (
        (low_cut, digital_db("low_cut", 80, 0, np.sqrt(0.5), 48_000, at)),
        (shelf, digital_db("low_shelf", 100, 6, np.sqrt(0.5), 48_000, at)),
    ):
        theirs = 20 * np.log10(np.abs(sosfreqz(np.array([row]), at, fs=48_000)[1]))
        assert ours == pytest.approx(theirs, abs=0.005)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("shape", SHAPES)
def test_digital_is_the_analogue_one_to_10_khz(shape: Shape, rate: int) -> None:
    worst = 0.0
    for hz in (20.0, 80.0, 1000.0, 8000.0, 16_000.0):
        for db in (-15.0, 6.0, 15.0):
            for q in (0.3, 0.7071, 1.0, 8.0):
                at = HZ[np.abs(HZ / hz - 1) > 1e-3] if shape == "notch" else HZ
                off = digital_db(shape, hz, db, q, rate, at) - analogue_db(shape, hz, db, q, at)
                worst = max(worst, float(np.max(np.abs(off))))
    print(f"{shape} at {rate}: worst {worst:.4f} dB")
    assert worst < 0.03


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("hz", [60.0, 997.0, 8000.0, 15_000.0])
def test_notch_takes_its_frequency_out(hz: float, rate: int) -> None:
    assert digital_db("notch", hz, 0, 10.0, rate, [hz])[0] < -100


def test_no_gain_is_a_wire() -> None:
    for shape in ("peak", "low_shelf", "high_shelf"):
        assert band_sections(shape, 500, 0.0, 1.0, 48_000).shape == (0, 6)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("dip", 500, 0, 1), "no band shape 'dip' .there are: peak, low_shelf"),
        (("peak", 0, 0, 1), "above 0, not hz = 0"),
        (("peak", 500, 0, 0), "q = 0"),
    ],
)
def test_refusals(arguments: tuple[Shape, float, float, float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        band_circuit(*arguments)


def test_beyond_nyquist_is_refused() -> None:
    with pytest.raises(ValueError, match="hz = 24000 must be below half of rate = 48000"):
        band_sections("peak", 24_000, 3, 1, 48_000)
