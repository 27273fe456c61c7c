"""A recording is found, put in step and in volts, and what is wrong with one is said."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample_poly

from simchain.errors import ClipError
from simchain.fit.received import given_volts, read_loopback, read_received
from simchain.fit.sent import (
    LEVEL_HZ,
    LEVEL_VOLTS,
    RATE,
    STEP_S,
    STEPS_DBFS,
    playback_dbu,
    sent,
    write_tones,
)
from tests.fit.recorder import Interface

Floats = NDArray[np.float64]


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A unit that doubles, upside down and without a loop-back's faults, on a clock 0.01 % off."""
    folder = tmp_path_factory.mktemp("take")
    interface = Interface(full_scale_volts=6.0, drift=1e-4, inverted=True)
    interface.record(folder / "loop.wav", given_volts(), begins_s=0.412345, seed=1)
    interface.record(folder / "unit.wav", -2.0 * given_volts(), begins_s=0.731, seed=2)
    return folder


def test_what_is_written_is_what_is_said(tmp_path: Path) -> None:
    write_tones(tmp_path / "tones.wav")
    samples, rate = soundfile.read(tmp_path / "tones.wav")
    assert rate == RATE
    assert samples.size == sent().line.size
    assert samples.size / rate <= 60.0
    assert np.abs(samples - sent().line).max() < 2.0**-22
    part = sent().parts["level"]
    steady = samples[part.frames(with_rest=False)][2400:-2400]
    volts = np.sqrt(2.0) * steady  # a sine at full scale is 1 V RMS
    assert np.sqrt(np.mean(volts**2)) == pytest.approx(LEVEL_VOLTS, rel=1e-3)
    assert playback_dbu(LEVEL_VOLTS) == pytest.approx(20.0 * np.log10(1.0 / 0.7745967), abs=1e-3)
    hz = np.fft.rfftfreq(steady.size, 1.0 / rate)[np.argmax(np.abs(np.fft.rfft(steady)))]
    assert hz == pytest.approx(LEVEL_HZ, abs=2.0)


def test_steps_have_the_levels_that_are_said() -> None:
    line = sent().line[sent().parts["steps1"].frames(with_rest=False)]
    step = round(STEP_S * RATE)
    for number, dbfs in enumerate(STEPS_DBFS):
        peak = np.abs(line[number * step + 200 : (number + 1) * step - 200]).max()
        assert 20.0 * np.log10(peak) == pytest.approx(dbfs, abs=0.02)


def test_clock_gain_polarity_and_noise_are_taken_out(take: Path) -> None:
    received = read_received(take / "unit.wav", loopback=read_loopback(take / "loop.wav"))
    assert received.drift == pytest.approx(1e-4, abs=2e-8)
    sounding = slice(round(0.25 * RATE), round(48.4 * RATE))
    off = received.line[sounding] + 2.0 * given_volts()[sounding]
    left_db = 10.0 * np.log10(np.mean(off**2) / np.mean((2.0 * given_volts()[sounding]) ** 2))
    noise_db = 20.0 * np.log10(received.noise_volts / 6.0)
    print(f"drift {received.drift * 1e6:.3f} ppm, {left_db:.1f} dB is left, noise {noise_db:.2f}")
    assert left_db < -45.0  # -80 dB of 6 V under a mean of 0.4 V is -54 dB; the rest is the clock
    assert noise_db == pytest.approx(-80.0, abs=0.5)
    assert received.own_noise_volts < 0.5 * received.noise_volts


def test_without_a_loop_back_the_board_says_how_loud(take: Path) -> None:
    received = read_received(take / "unit.wav", full_scale_dbu=12.0)
    given, heard = received.part("level", with_rest=False)
    # 6 V were full scale; 12 dBu are 4.36 V. Upside down twice is the right way up.
    assert np.dot(given, heard) / np.dot(given, given) == pytest.approx(2.0 * 4.361 / 6.0, rel=2e-3)
    assert not received.calibrated


def test_another_rate_is_read(take: Path, tmp_path: Path) -> None:
    samples, _ = soundfile.read(take / "unit.wav")
    soundfile.write(tmp_path / "44.wav", resample_poly(samples, 147, 160), 44_100, "PCM_24")
    received = read_received(tmp_path / "44.wav", loopback=read_loopback(take / "loop.wav"))
    given, heard = received.part("chord", with_rest=False)
    assert np.corrcoef(given, heard)[0, 1] < -0.999


def clipped(line: Floats) -> Floats:
    return np.clip(line * 30.0, -1.0, 1.0)


FAULTY: dict[str, tuple[Callable[[Floats], Floats], int, str]] = {
    "clipped": (clipped, RATE, "is clipped"),
    "quiet": (lambda line: line * 1e-4, RATE, "too quiet"),
    "cut off": (lambda line: line[: 30 * RATE], RATE, "is cut off: the last 20"),
    "another rate": (
        lambda line: line,
        44_100,
        "says 44100 frames a second, but was recorded at 48",
    ),
    "something else": (
        lambda line: 0.1 * np.random.default_rng(1).standard_normal(line.size),
        RATE,
        "does not hold what was played",
    ),
    "backwards": (lambda line: line[::-1], RATE, "does not hold what was played"),
}


# Where nothing that was played is found, every rate is tried: that takes long.
@pytest.mark.parametrize(
    "fault",
    [pytest.param(one, marks=pytest.mark.soak) if one == "backwards" else one for one in FAULTY],
)
def test_what_is_wrong_is_said(take: Path, tmp_path: Path, fault: str) -> None:
    change, rate, said = FAULTY[fault]
    samples, _ = soundfile.read(take / "unit.wav")
    path = tmp_path / "take.wav"
    soundfile.write(path, change(samples), rate, "PCM_24")
    with pytest.raises(ClipError, match=said) as caught:
        read_received(path)
    assert str(path) in str(caught.value)


def test_a_dead_channel_is_left_out_and_told(take: Path, tmp_path: Path) -> None:
    samples, rate = soundfile.read(take / "unit.wav")
    path = tmp_path / "two.wav"
    soundfile.write(path, np.stack([1e-4 * samples, samples], axis=1), rate)
    received = read_received(path)
    assert "right channel alone" in received.warnings[0]
    soundfile.write(path, np.stack([samples, np.roll(0.5 * samples, 9)], axis=1), rate)
    assert "two channels that differ" in read_received(path).warnings[0]
