"""Loudness against ITU-R BS.1770-5, EBU Tech 3341 and two libraries that share no code with it."""

import math

import numpy as np
import pyebur128
import pyloudnorm
import pytest
from scipy.signal import sosfreqz

from simchain.measure.loudness import (
    integrated_lufs,
    k_weighting,
    loudness_or_rms,
    ungated_lufs,
)

RATE = 48_000

# ITU-R BS.1770-5 Annex 1, Tables 1 and 2; 44.1 kHz as references compute it from the prototype.
TABLE_48_000 = [
    *(1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241),
    *(0.73248077421585, 1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621),
]
TABLE_44_100 = [
    *(1.53084123005035, -2.65097999515473, 1.16907907992159, 1.0, -1.66365511325602),
    *(0.71259542807323, 1.0, -2.0, 1.0, 1.0, -1.98916967362980, 0.98919903578704),
]


def sine(hz: float, dbfs: float, seconds: float, rate: int = RATE) -> np.ndarray:
    turns = hz * np.arange(round(seconds * rate)) / rate
    return 10.0 ** (dbfs / 20.0) * np.sin(2.0 * math.pi * turns)


def twice(line: np.ndarray) -> np.ndarray:
    return np.stack((line, line))


def segments(*parts: tuple[float, float], hz: float = 1000.0) -> np.ndarray:
    """Stereo sine of several levels one after the other: (seconds, dBFS), phase continuous."""
    gain = np.concatenate([np.full(round(s * RATE), 10.0 ** (db / 20.0)) for s, db in parts])
    return twice(gain * np.sin(2.0 * math.pi * hz * np.arange(gain.size) / RATE))


def outside_meter(samples: np.ndarray, rate: int) -> float:
    """Integrated loudness by libebur128."""
    state = pyebur128.R128State(samples.shape[0], rate, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples.T).ravel(), samples.shape[1])
    return float(pyebur128.get_loudness_global(state))


def plucked(rate: int) -> np.ndarray:
    """Something like a guitar: bright decaying notes with rests, on two unequal channels."""
    rng = np.random.default_rng(7)
    time = np.arange(3 * rate) / rate
    sound = np.zeros((2, time.size))
    for start, hz in ((0.0, 82.4), (0.6, 146.8), (1.1, 246.9)):
        note = np.clip(time - start, 0.0, None)
        for n in range(1, 12):
            phase = rng.uniform(0, 2 * math.pi, (2, 1))
            decay = np.exp(-note * (1.5 + 0.3 * n)) * (note > 0) / n
            sound += 0.1 * decay * np.sin(2 * math.pi * hz * n * note + phase)
    return sound


def test_coefficients_of_the_standard() -> None:
    for rate, table in ((48_000, TABLE_48_000), (44_100, TABLE_44_100)):
        worst = np.abs(k_weighting(rate).ravel() - table).max()
        print(f"K-weighting at {rate}: within {worst:.1e} of the table")
        assert worst < 1e-12


def test_k_gain() -> None:
    """dB at 25 .. 10000 Hz, computed from the standard's coefficients (references)."""
    hz = np.array([25, 100, 500, 997, 1000, 2000, 10_000.0])
    gain = 20.0 * np.log10(np.abs(sosfreqz(k_weighting(RATE), hz, fs=RATE)[1]))
    expected = [-10.3928, -1.1335, 0.0425, 0.6910, 0.6977, 3.0713, 4.0419]
    np.testing.assert_allclose(gain, expected, atol=1e-4)


def test_the_anchor_of_997_hz() -> None:
    """BS.1770-5: 0 dBFS at 997 Hz in one channel is -3.01 LKFS; in both 0.0."""
    one = sine(997.0, 0.0, 20.0)
    assert integrated_lufs(one[None, :], RATE) == pytest.approx(-3.0103, abs=0.001)
    assert integrated_lufs(twice(one), RATE) == pytest.approx(0.0, abs=0.001)
    assert integrated_lufs(np.stack((one, 0 * one)), RATE) == pytest.approx(-3.0103, abs=0.001)


@pytest.mark.parametrize(
    ("name", "parts", "expected", "within"),
    [
        ("case 1", [(20, -23)], -23.0, 0.1),
        ("case 2", [(20, -33)], -33.0, 0.1),
        ("case 3", [(10, -36), (60, -23), (10, -36)], -23.0, 0.1),
        ("case 4", [(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)], -23.0, 0.1),
        ("case 5", [(20, -26), (20.1, -20), (20, -26)], -23.0, 0.1),
        ("clause 2.9", [(20, -18)], -18.0, 0.1),
        ("case 1, computed", [(20, -23)], -22.9933, 0.001),
        ("case 3, computed", [(10, -36), (60, -23), (10, -36)], -23.0139, 0.001),
        ("case 5, computed", [(20, -26), (20.1, -20), (20, -26)], -22.9787, 0.001),
        ("3342 case 1", [(20, -20), (20, -30)], -22.590, 0.001),
        ("3342 case 2", [(20, -20), (20, -15)], -16.810, 0.001),
        ("3342 case 3", [(20, -40), (20, -20)], -20.026, 0.001),
        ("3342 case 4", [(20, -50), (20, -35), (20, -20), (20, -35), (20, -50)], -24.492, 0.001),
        ("inside the gate", [(10, -20), (10, -29)], -22.4886, 0.001),
        ("outside the first", [(10, -20), (10, -31)], -22.6716, 0.001),
        ("outside", [(30, -30), (30, -60)], -30.0150, 0.001),
        ("then silence", [(10, -23), (10, -400)], -23.0589, 0.001),
    ],
)
def test_tech_3341_and_gates(
    name: str, parts: list[tuple[float, float]], expected: float, within: float
) -> None:
    """EBU Tech 3341 (v4, 2023) Table 1 with its tolerance of 0.1 LU; the rest as computed twice
    over with libebur128 and pyloudnorm (references 1a, 1b, 1d). 1000 Hz is not 997: -22.9933."""
    read = integrated_lufs(segments(*parts), RATE)
    print(f"{name}: {read:.4f}, expected {expected}")
    assert read == pytest.approx(expected, abs=within)


@pytest.mark.parametrize(
    ("rate", "expected"),
    [
        *((44_100, -22.9972), (48_000, -23.0), (88_200, -23.0156), (96_000, -23.0173)),
        (192_000, -23.0270),
    ],
)
def test_the_reading_moves_a_little_with_the_rate(rate: int, expected: float) -> None:
    """The low cut's numerator is 1, -2, 1 at every rate, here as in libebur128 (references, S2)."""
    read = integrated_lufs(twice(sine(997.0, -23.0, 10.0, rate)), rate)
    assert read == pytest.approx(expected, abs=0.001)


@pytest.mark.parametrize("hz", [25.0, 100.0, 500.0, 1000.0, 2000.0, 10_000.0])
def test_tones_at_minus_23(hz: float) -> None:
    """As the tones of ITU-R BS.2217: levelled by the K gain, they read -23 within 0.1."""
    gain = 20.0 * np.log10(np.abs(sosfreqz(np.array([*k_weighting(RATE)]), [hz], fs=RATE)[1][0]))
    line = sine(hz, -23.0 + 0.691 - gain, 10.0)
    assert integrated_lufs(twice(line), RATE) == pytest.approx(-23.0, abs=0.02)


def test_white_noise() -> None:
    """RMS 0.1, one channel: -16.862 expected from the K-weighting's gain for noise, +3.829 dB."""
    noise = 0.1 * np.random.default_rng(1).standard_normal((1, 10 * RATE))
    assert integrated_lufs(noise, RATE) == pytest.approx(-16.862, abs=0.05)


@pytest.mark.parametrize("rate", [22_050, 44_100, 47_999, 48_000, 96_000, 192_000])
def test_against_libebur128(rate: int) -> None:
    rng = np.random.default_rng(3)
    swell = np.linspace(0.0, 1.0, 5 * rate) ** 4
    notes = plucked(rate)
    sounds = {
        "noise": 0.1 * rng.standard_normal((2, 3 * rate)),
        "one channel": 0.1 * rng.standard_normal((1, 2 * rate)),
        "swell": 0.3 * swell * rng.standard_normal((2, 5 * rate)),
        "tone": twice(sine(315.0, -12.0, 3.0, rate)),
        "plucked": notes,
        "quiet": 1e-2 * notes,
    }
    off = {name: integrated_lufs(x, rate) - outside_meter(x, rate) for name, x in sounds.items()}
    print(rate, {name: f"{lu:+.1e}" for name, lu in off.items()})
    assert all(abs(lu) < 0.001 for lu in off.values())


def test_against_pyloudnorm() -> None:
    """With its DeMan filter: the default reads 0.04 LU low (references, S1)."""
    meter = pyloudnorm.Meter(RATE, filter_class="DeMan")
    sound = plucked(RATE)
    assert integrated_lufs(sound, RATE) == pytest.approx(
        meter.integrated_loudness(sound.T), abs=0.001
    )


def test_short_quiet_and_silent_sounds() -> None:
    long_tone = twice(sine(997.0, -20.0, 0.4))
    assert loudness_or_rms(long_tone, RATE)[1] is False
    just_short = long_tone[:, :-1]
    assert math.isnan(integrated_lufs(just_short, RATE))
    lufs, is_rms = loudness_or_rms(just_short, RATE)
    assert is_rms
    assert lufs == pytest.approx(loudness_or_rms(long_tone, RATE)[0], abs=0.01)
    under_the_gate = twice(sine(997.0, -80.0, 2.0))
    assert integrated_lufs(under_the_gate, RATE) == -math.inf
    lufs, is_rms = loudness_or_rms(under_the_gate, RATE)
    assert is_rms
    assert lufs == pytest.approx(-80.0, abs=0.02)
    for frames in (0, 1, 100, 2 * RATE):
        assert loudness_or_rms(np.zeros((2, frames)), RATE) == (-math.inf, True)


def test_ungated_loudness_of_a_steady_tone_is_the_gated_one() -> None:
    tone = twice(sine(997.0, -30.0, 10.0))
    assert ungated_lufs(tone, RATE) == pytest.approx(integrated_lufs(tone, RATE), abs=0.001)


def test_twin_channels_in_one_array_or_two_and_float32() -> None:
    line = plucked(RATE)[0]
    both = integrated_lufs(twice(line), RATE)
    assert integrated_lufs(np.broadcast_to(line, (2, line.size)), RATE) == both
    assert both == pytest.approx(integrated_lufs(line[None, :], RATE) + 3.0103, abs=1e-4)
    nearly = twice(line)
    nearly[1, -1] += 1e-12
    assert integrated_lufs(nearly, RATE) == pytest.approx(both, abs=1e-9)
    assert integrated_lufs(twice(line).astype(np.float32), RATE) == pytest.approx(both, abs=1e-4)
