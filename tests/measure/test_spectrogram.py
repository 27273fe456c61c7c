"""Spectrogram: sines, a glide, a click, and columns of long sounds."""

import math

import numpy as np
import pytest
from scipy.signal import ShortTimeFFT, chirp

from simchain.measure.spectrogram import spectrogram
from simchain.signal import Signal
from simchain.units import DBU_VOLTS

RATE = 48_000


def test_a_sine_reads_its_level_on_its_line() -> None:
    time = np.arange(2 * RATE) / RATE
    found = spectrogram(Signal(math.sqrt(1.2) * np.sin(2 * math.pi * 1000.0 * time), RATE))
    assert found.dbu.shape == (found.hz.size, found.seconds.size)
    assert found.hz[1] == 25.0
    assert found.seconds[:3] == pytest.approx([0.0, 0.01, 0.02])
    inside = found.dbu[:, 3:-3]
    assert (np.argmax(inside, axis=0) == 40).all()
    np.testing.assert_allclose(inside[40], 0.0, atol=1e-3)
    assert inside[44:].max() < -55.0


def test_a_glide_is_where_it_is_when_it_is() -> None:
    time = np.arange(4 * RATE) / RATE
    found = spectrogram(Signal(chirp(time, 200.0, 4.0, 8200.0), RATE))
    loudest = found.hz[np.argmax(found.dbu, axis=0)]
    expected = 200.0 + 2000.0 * found.seconds
    inside = slice(5, -5)
    worst = np.abs(loudest - expected)[inside].max()
    print(f"glide: within {worst:.1f} Hz, lines {found.hz[1]:.0f} Hz apart")
    assert worst <= found.hz[1]


def test_a_click_stands_in_its_column() -> None:
    volts = np.zeros(RATE)
    volts[24_000] = 1.0
    found = spectrogram(Signal(volts, RATE))
    loudest = np.argmax(found.dbu.max(axis=0))
    assert found.seconds[loudest] == 0.5
    assert (found.dbu[:, np.abs(found.seconds - 0.5) > 0.02] == -200.0).all()


def test_against_short_time_fft_of_scipy() -> None:
    volts = np.random.default_rng(2).standard_normal((2, 20_011))
    found = spectrogram(Signal(volts, RATE))
    length = 2 * (found.hz.size - 1)
    taper = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
    judge = ShortTimeFFT(taper, length // 4, RATE, fft_mode="onesided", scale_to="magnitude")
    powers = 2.0 * np.mean(np.abs(judge.stft(volts, 0, found.seconds.size)) ** 2, axis=0)
    expected = 10.0 * np.log10(powers / DBU_VOLTS**2)
    np.testing.assert_allclose(found.dbu[1:-1], expected[1:-1], atol=1e-6)


def test_columns_of_a_long_sound_are_means_of_power() -> None:
    """A short burst is in its column, softer by what it fills of it; a steady sine as loud."""
    time = np.arange(20 * RATE) / RATE
    sine = np.sin(2 * math.pi * 1000.0 * time)
    fine = spectrogram(Signal(sine * (time < 7.0), RATE), most_columns=10_000)
    coarse = spectrogram(Signal(sine * (time < 7.0), RATE), most_columns=50)
    assert fine.seconds.size == 2000
    assert coarse.seconds.size == 50
    power = (10.0 ** (fine.dbu / 10.0)).reshape(fine.hz.size, 50, 40).mean(axis=2)
    np.testing.assert_allclose(10.0 ** (coarse.dbu / 10.0), power, rtol=1e-9, atol=1e-18)
    np.testing.assert_allclose(
        coarse.seconds, fine.seconds.reshape(50, 40).mean(axis=1), atol=1e-12
    )


@pytest.mark.parametrize("frames", [0, 1, 479, 480, 481, 5_000])
def test_any_length_and_silence(frames: int) -> None:
    found = spectrogram(Signal(np.zeros((2, frames)), RATE))
    assert found.dbu.shape == (found.hz.size, -(-frames // 480))
    assert (found.dbu == -200.0).all()
    assert found.seconds.size == found.dbu.shape[1]


def test_no_columns_are_refused() -> None:
    with pytest.raises(ValueError, match="1 column or more, not 0"):
        spectrogram(Signal(np.zeros((1, 10)), RATE), most_columns=0)
