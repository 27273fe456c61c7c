"""Long-term spectrum: Parseval, sines, noise, and scipy's Welch beside it."""

import math
import tracemalloc

import numpy as np
import pytest
from scipy.signal import ShortTimeFFT, welch

from simchain.measure.spectrum import (
    long_term_spectrum,
    short_powers,
    steady_spectrum,
    window_length,
)
from simchain.signal import Signal
from simchain.units import DBU_VOLTS

RATE = 48_000


def dbu(mean_square: float) -> float:
    return 10.0 * math.log10(mean_square / DBU_VOLTS**2)


@pytest.mark.parametrize("frames", [1, 7, 300, 9_600, 9_601, 100_001])
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_the_density_adds_up_to_the_mean_square(frames: int, rate: int) -> None:
    """Parseval, for sounds of any length: a sound shorter than a window too."""
    volts = np.random.default_rng(frames).standard_normal((2, frames)) + 0.3
    found = long_term_spectrum(Signal(volts, rate))
    whole = found.mean_square(0.0, rate / 2)
    np.testing.assert_allclose(whole, np.mean(volts**2, axis=1), rtol=1e-12)


def test_a_sine_on_a_line_reads_its_level() -> None:
    """1 V RMS at 1 kHz is +2.2185 dBu; halfway between two lines a Hann window reads 1.42 dB low
    (F. J. Harris, Proc. IEEE 66, 1978, Table 1)."""
    time = np.arange(20 * RATE) / RATE
    for hz, asked in ((1000.0, 0.0), (1002.5, -1.42)):
        found = long_term_spectrum(Signal(math.sqrt(2) * np.sin(2 * math.pi * hz * time), RATE))
        assert found.line_hz == 5.0
        peak = float(found.tone_dbu.max())
        print(f"{hz} Hz: {peak:.3f} dBu, asked {dbu(1.0) + asked:.3f}")
        assert peak == pytest.approx(dbu(1.0) + asked, abs=0.03)
    (whole,) = found.mean_square(900.0, 1100.0)
    assert dbu(whole) == pytest.approx(dbu(1.0), abs=0.01)


def test_noise_has_its_density() -> None:
    """White noise of 1 V RMS: 1 / 24,000 V^2/Hz; 30 s average some 600 windows."""
    noise = np.random.default_rng(3).standard_normal(30 * RATE)
    found = long_term_spectrum(Signal(noise, RATE))
    density = 10.0 * np.log10(found.density[0] * RATE / 2)
    assert abs(float(density[1:-1].mean())) < 0.05
    assert float(np.abs(density[1:-1]).max()) < 1.5


def test_against_welch_of_scipy() -> None:
    """Between the ends, which scipy leaves out, the same windows: a sound with silent ends."""
    volts = np.zeros(10 * RATE)
    volts[RATE:-RATE] = np.random.default_rng(4).standard_normal(8 * RATE).cumsum() * 0.01
    found = long_term_spectrum(Signal(volts, RATE))
    length = window_length(0.2, RATE)
    hz, density = welch(volts, RATE, "hann", length, length * 3 // 4, detrend=False)
    np.testing.assert_allclose(found.hz, hz)
    windows = (volts.size - length) // (length // 4) + 1
    density *= windows * (length // 4) / volts.size
    np.testing.assert_allclose(found.density[0], density, rtol=1e-9, atol=1e-25)


@pytest.mark.parametrize("frames", [9_600, 9_601, 50_000])
def test_a_steady_sound_without_its_ends_against_welch_of_scipy(frames: int) -> None:
    volts = np.random.default_rng(7).standard_normal((2, frames)) + 2.0
    found = steady_spectrum(Signal(volts, RATE))
    _, density = welch(volts, RATE, "hann", 9_600, 7_200, detrend=False)
    np.testing.assert_allclose(found.density, density, rtol=1e-9)


def test_a_cut_out_tone_clicks_at_its_ends_unless_taken_as_steady() -> None:
    """1.3 s of 50 Hz, cut at a crest: its power above 1 kHz."""
    hum = Signal(np.cos(2 * math.pi * 50.0 * np.arange(62_400) / RATE), RATE)
    clicks, steady = (
        dbu(f(hum).mean_square(1000.0, 20_000.0)[0]) for f in (long_term_spectrum, steady_spectrum)
    )
    print(f"above 1 kHz: {clicks:.0f} dBu with its ends, {steady:.0f} without")
    assert steady < clicks - 60.0


def test_a_steady_sound_shorter_than_a_window_is_taken_whole() -> None:
    short = Signal(np.random.default_rng(8).standard_normal(9_599), RATE)
    found, whole = steady_spectrum(short), long_term_spectrum(short)
    np.testing.assert_array_equal(found.density, whole.density)


def test_against_short_time_fft_of_scipy() -> None:
    """Every window, the ones over the ends too."""
    volts, length = np.random.default_rng(5).standard_normal(5_003), 512
    taper = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
    judge = ShortTimeFFT(taper, length // 4, RATE, fft_mode="onesided", scale_to=None)
    expected = np.abs(judge.stft(volts, judge.p_min, judge.p_max(volts.size))) ** 2
    powers = np.concatenate(list(short_powers(volts, length))).T
    powers[1:-1] /= 2.0
    sounding = powers.sum(axis=0) > 0
    np.testing.assert_allclose(
        powers[:, sounding] * 1.5 * length, expected[:, expected.sum(axis=0) > 0], atol=1e-9
    )


def test_weighting_counts_line_by_line() -> None:
    """A low cut of 20 dB below 1 kHz takes 20 dB off a 500 Hz sine and nothing off 2 kHz; the
    clicks of beginning and end spread 0.02 % of the power."""
    time = np.arange(2 * RATE) / RATE
    tones = Signal(np.stack([np.sin(2 * math.pi * hz * time) for hz in (500.0, 2000.0)]), RATE)
    found = long_term_spectrum(tones)
    gain_db = np.where(found.hz < 1000.0, -20.0, 0.0)
    weighted = found.mean_square(20.0, 20_000.0, gain_db)
    np.testing.assert_allclose(weighted, [0.005, 0.5], rtol=2e-3)


def test_silence_and_windows_too_short() -> None:
    for frames in (0, 1, 1000):
        found = long_term_spectrum(Signal(np.zeros((2, frames)), RATE))
        assert not found.density.any()
        assert (found.tone_dbu == -math.inf).all()
    with pytest.raises(ValueError, match="under eight frames"):
        long_term_spectrum(Signal(np.zeros((1, 10)), RATE), window_s=1e-4)


def test_memory_does_not_grow_with_the_sound() -> None:
    sound = Signal(np.random.default_rng(1).standard_normal(60 * RATE), RATE)
    long_term_spectrum(Signal(np.ones((1, 10)), RATE))
    tracemalloc.start()
    long_term_spectrum(sound)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    print(f"beside a sound of {sound.volts.nbytes / 1e6:.0f} MB: {peak / 1e6:.0f} MB")
    assert peak < 20e6
