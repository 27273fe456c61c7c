"""Impulse responses from files, and convolution against scipy."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import butter, fftconvolve, sosfilt, sosfreqz

from simchain.errors import ClipError
from simchain.filters.impulse import convolved, impulse_response

RATES = (44_100, 48_000, 96_000, 192_000)


def write(path: Path, samples: np.ndarray, rate: int = 48_000) -> Path:
    """Write shape (frames,) or (frames, channels)."""
    soundfile.write(path, samples, rate, subtype="DOUBLE")
    return path


@pytest.mark.parametrize(
    ("taps", "frames"),
    [(1, 1), (1, 5000), (9, 3), (2048, 1), (2048, 4096), (2048, 60_000), (24_000, 60_000)],
)
def test_convolution_is_scipy_s(taps: int, frames: int) -> None:
    random = np.random.default_rng(taps + frames)
    response, volts = random.normal(size=taps), random.normal(size=(2, frames))
    before = volts.copy()
    out = convolved(response, volts)
    wanted = np.stack([fftconvolve(line, response)[:frames] for line in volts])
    assert out.shape == volts.shape
    assert out.flags.c_contiguous
    assert np.abs(out - wanted).max() < 1e-13 * np.abs(wanted).max() + 1e-15
    assert np.array_equal(volts, before)


def test_an_impulse_comes_out_as_the_response_at_once() -> None:
    response, volts = np.random.default_rng(1).normal(size=300), np.zeros((1, 9000))
    volts[0, 5000] = 1.0
    out = convolved(response, volts)[0]
    np.testing.assert_allclose(out[5000:5300], response, atol=1e-14)
    assert np.abs(np.delete(out, np.s_[5000:5300])).max() < 1e-14


def test_silence_stays_silence() -> None:
    assert not convolved(np.ones(100), np.zeros((2, 10_000))).any()


def test_at_its_own_rate_the_file_is_read_as_it_is_from_its_onset(tmp_path: Path) -> None:
    line = np.random.default_rng(2).normal(size=500) * np.exp(-np.arange(500) / 80)
    line /= np.abs(line).max()
    line[0] = 0.5
    # 100 frames with a hiss 61 dB down at most: the way to the microphone.
    ahead = 0.0008 * np.random.default_rng(3).uniform(-1, 1, 100)
    path = write(tmp_path / "a.wav", np.concatenate((ahead, line)))
    np.testing.assert_allclose(impulse_response(path, 48_000, 0.5), line, atol=1e-15)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("file_rate", RATES[:3])
def test_resampling_keeps_the_frequency_response(tmp_path: Path, file_rate: int, rate: int) -> None:
    sections = butter(2, (80, 6000), "bandpass", fs=file_rate, output="sos")
    impulse = np.zeros(file_rate // 5)
    impulse[50] = 1.0
    path = write(tmp_path / "a.wav", sosfilt(sections, impulse), file_rate)
    response = impulse_response(path, rate, 0.5)
    hz = np.unique(np.geomspace(40, 12_000, 60).astype(int))
    got = np.abs(np.fft.rfft(response, rate)[hz])
    wanted = np.abs(sosfreqz(sections, hz, fs=file_rate)[1])
    off_db = 20 * np.log10(got / wanted)
    heard = wanted > 0.03
    print(f"{file_rate} at {rate}: within {np.abs(off_db[heard]).max():.3f} dB")
    assert np.abs(off_db[heard]).max() < 0.25


def test_longest_is_allowed_and_longer_is_not(tmp_path: Path) -> None:
    exact = write(tmp_path / "a.wav", np.ones(24_000))
    assert impulse_response(exact, 48_000, 0.5).size == 24_000
    longer = write(tmp_path / "b.wav", np.ones(30_000))
    with pytest.raises(ClipError, match=r"b\.wav: is 0\.625 s long; 0\.5 s are the most"):
        impulse_response(longer, 48_000, 0.5)


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        (np.zeros(100), "is silent"),
        (np.ones((100, 2)), "has 2 channels; one channel is wanted"),
        (np.array([1.0, np.nan, 0.5]), "not a finite number at frame 1"),
        (np.array([1.0, np.inf]), "not a finite number"),
        (np.empty(0), "no sound"),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_line(
    tmp_path: Path, samples: np.ndarray, words: str
) -> None:
    path = write(tmp_path / "bad.wav", samples)
    with pytest.raises(ClipError, match=words) as caught:
        impulse_response(path, 48_000, 0.5)
    assert "bad.wav" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_no_sound_file_and_no_file_are_refused(tmp_path: Path) -> None:
    text = tmp_path / "notes.wav"
    text.write_text("not sound")
    with pytest.raises(ClipError, match=r"notes\.wav: .*WAV, FLAC, AIFF and Ogg are read"):
        impulse_response(text, 48_000, 0.5)
    with pytest.raises(ClipError, match=r"none\.wav: there is no such file"):
        impulse_response(tmp_path / "none.wav", 48_000, 0.5)
