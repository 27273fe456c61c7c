"""True peak against EBU Tech 3341 cases 15 to 23 and ITU-R BS.1770-5 Annex 2."""

import math

import numpy as np
import pytest
from scipy.signal import firwin

from simchain.measure.true_peak import between_samples, true_peak_dbtp

RATE = 48_000


def tapered(line: np.ndarray, seconds: float = 0.01) -> np.ndarray:
    ramp = np.linspace(0.0, 1.0, round(seconds * RATE))
    out = line.copy()
    out[: ramp.size] *= ramp
    out[-ramp.size :] *= ramp[::-1]
    return out


def db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


@pytest.mark.parametrize(
    ("case", "divisor", "amplitude", "degrees", "expected"),
    [
        *((15, 4, 0.50, 0.0, -6.0), (16, 4, 0.50, 45.0, -6.0), (17, 6, 0.50, 60.0, -6.0)),
        *((18, 8, 0.50, 67.5, -6.0), (19, 4, 1.41, 45.0, 3.0)),
    ],
)
def test_tech_3341_cases_15_to_19(
    case: int, divisor: int, amplitude: float, degrees: float, expected: float
) -> None:
    """EBU Tech 3341 (v4, 2023) Table 1: tolerance +0.2 / -0.4 dB."""
    turns = np.arange(RATE) / divisor
    line = tapered(amplitude * np.sin(2.0 * math.pi * turns + math.radians(degrees)))
    read = true_peak_dbtp(np.stack((line, line)), RATE)
    print(
        f"case {case}: {read:.4f} dBTP, expected {expected}, samples {db(np.abs(line).max()):.4f}"
    )
    assert expected - 0.4 <= read <= expected + 0.2


@pytest.mark.parametrize("offset", [0, 1, 2, 3])
def test_tech_3341_cases_20_to_23(offset: int) -> None:
    """A tone of 4 fs / 24 with one louder period of 4 fs / 16 spliced in, low-passed, every fourth
    sample taken: the construction and its low-pass are those of references 1c; expected 0 dBTP."""
    slow, fast = np.sin(2 * math.pi * np.arange(24) / 24), np.sin(2 * math.pi * np.arange(16) / 16)
    line = np.concatenate((np.tile(0.5 * slow, 1000), fast, np.tile(0.5 * slow, 1000)))
    low_pass = firwin(2001, 21_600.0, window=("kaiser", 10.0), fs=4 * RATE)
    line = np.convolve(line, low_pass, mode="same")[offset::4]
    line = tapered(line, 0.002)
    read = true_peak_dbtp(line[None, :], RATE)
    print(f"case {20 + offset}: {read:.4f} dBTP, samples {db(np.abs(line).max()):.4f}")
    assert -0.4 <= read <= 0.2


@pytest.mark.parametrize("rate", [44_100, 48_000, 88_200, 96_000, 192_000])
@pytest.mark.parametrize("hz", [100.0, 997.0, 5_000.0, 12_345.0, 16_000.0, 20_000.0])
def test_under_read_of_a_tone(hz: float, rate: int) -> None:
    """BS.1770-5 Annex 2: M points a sample read at most cos(pi f / (M fs)) low; the filter adds
    at most 0.05 dB either way up to 20 kHz."""
    points = max(2, math.ceil(352_800 / rate))
    least = db(math.cos(math.pi * hz / (points * rate)))
    for phase in (0.0, 0.7, 1.9):
        line = np.sin(2.0 * math.pi * hz * np.arange(rate) / rate + phase)
        line *= np.sin(math.pi * np.arange(rate) / rate) ** 2
        read = true_peak_dbtp(line[None, :], rate)
        assert least - 0.05 <= read <= 0.05, f"{read:.3f} at phase {phase}"


def test_the_quick_search_finds_what_the_whole_search_finds() -> None:
    """The stretches left out (over 6 dB under the largest sample) against all stretches."""
    rng = np.random.default_rng(4)
    for share in (0.05, 0.2, 0.5):
        kernel = firwin(301, share)
        for _ in range(20):
            line = np.convolve(rng.standard_normal(3000), kernel, mode="same")
            line /= np.abs(line).max()
            every = np.abs(between_samples(line, np.arange(line.size - 1), 8)).max()
            whole = db(max(1.0, float(every)))
            assert true_peak_dbtp(line[None, :], RATE) == pytest.approx(whole, abs=1e-9)


def test_between_samples_of_a_band_limited_sound() -> None:
    line = np.sin(2 * math.pi * 0.13 * np.arange(400) + 0.4)
    starts = np.arange(100, 300)
    found = between_samples(line, starts, 8)
    exact = np.sin(2 * math.pi * 0.13 * (starts[:, None] + np.arange(1, 8) / 8) + 0.4)
    np.testing.assert_allclose(found, exact, atol=1e-3)


def test_never_under_the_largest_sample_and_the_louder_channel_counts() -> None:
    noise = np.random.default_rng(6).standard_normal((2, 5000))
    noise[1] *= 0.1
    read = true_peak_dbtp(noise, RATE)
    assert read >= db(np.abs(noise).max())
    assert read == true_peak_dbtp(noise[::-1], RATE) == true_peak_dbtp(noise[:1], RATE)
    assert true_peak_dbtp(2.0 * noise, RATE) == pytest.approx(read + 6.0206, abs=1e-4)


def test_one_frame_and_two() -> None:
    """One sample is its own peak; between two equal ones the sinc reaches 4 / pi."""
    assert true_peak_dbtp(np.full((1, 1), -0.5), RATE) == pytest.approx(db(0.5), abs=1e-9)
    read = true_peak_dbtp(np.full((1, 2), -0.5), RATE)
    assert read == pytest.approx(db(0.5 * 4 / math.pi), abs=0.06)


def test_silence() -> None:
    for frames in (0, 1, 1000):
        assert true_peak_dbtp(np.zeros((2, frames)), RATE) == -math.inf
