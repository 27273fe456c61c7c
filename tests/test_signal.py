"""Sound files in and out, other rates, and what is refused."""

import io
import math
import struct
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from simchain.errors import ClipError
from simchain.signal import (
    Signal,
    flac_16_bit,
    float_wav,
    read_clip,
    resampled,
    twins,
    write_float_wav,
)


def sine(hz: float, rate: int, frames: int, phase: float = 0.0) -> np.ndarray:
    return np.sin(2.0 * math.pi * hz * np.arange(frames) / rate + phase)


def noise(channels: int, frames: int) -> np.ndarray:
    return 0.2 * np.random.default_rng(5).standard_normal((channels, frames))


def test_a_signal_is_float64_rows() -> None:
    signal = Signal(np.ones(480, dtype=np.float32), 48_000)
    assert signal.volts.dtype == np.float64
    assert signal.volts.shape == (1, 480)
    assert (signal.channels, signal.frames, signal.seconds) == (1, 480, 0.01)
    columns = np.asfortranarray(np.ones((2, 7)))
    assert Signal(columns, 48_000).volts.flags.c_contiguous


@pytest.mark.parametrize("shape", [(3, 10), (0, 10), (1, 2, 10)])
def test_a_signal_refuses_other_shapes(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="shape"):
        Signal(np.zeros(shape), 48_000)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_signal_says_where_it_is_not_finite(bad: float) -> None:
    volts = np.zeros((2, 10))
    volts[1, 7] = bad
    with pytest.raises(ValueError, match="not a finite number at frame 7 of channel 2"):
        Signal(volts, 48_000)


def test_twins() -> None:
    one = noise(1, 100)
    assert twins(np.broadcast_to(one, (2, 100)))
    assert twins(np.concatenate((one, one)))
    assert not twins(noise(2, 100))
    assert not twins(one)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("rate", [8_000, 22_050, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(
    ("form", "subtype"),
    [
        *(("WAV", "PCM_U8"), ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "PCM_32")),
        *(("WAV", "FLOAT"), ("WAV", "DOUBLE"), ("WAVEX", "PCM_24"), ("RF64", "PCM_24")),
        *(("FLAC", "PCM_16"), ("FLAC", "PCM_24"), ("AIFF", "PCM_16"), ("W64", "FLOAT")),
    ],
)
def test_reads_sample_for_sample(
    form: str, subtype: str, rate: int, channels: int, tmp_path: Path
) -> None:
    """Written by the sound library in whole steps, as any other program would."""
    bits = {"PCM_U8": 8, "PCM_16": 16, "PCM_32": 32}.get(subtype, 24)
    steps = np.rint(np.clip(noise(channels, 1000), -0.9, 0.9) * 2 ** (bits - 1))
    written = (steps * 2 ** (32 - bits)).astype(np.int32)
    path = tmp_path / "clip"
    if subtype in ("FLOAT", "DOUBLE"):
        soundfile.write(path, steps.T / 2**23, rate, format=form, subtype=subtype)
    else:
        soundfile.write(path, written.T, rate, format=form, subtype=subtype)
    clip = read_clip(path)
    assert clip.rate == rate
    np.testing.assert_array_equal(clip.volts, steps / 2 ** (bits - 1))


def test_reads_ogg(tmp_path: Path) -> None:
    """Ogg loses something: a tone comes back within a tenth of a dB and of a per cent."""
    sound = 0.5 * sine(440.0, 48_000, 48_000)
    path = tmp_path / "clip.ogg"
    soundfile.write(path, np.stack((sound, sound), axis=1), 48_000, format="OGG")
    clip = read_clip(path)
    assert clip.volts.shape == (2, 48_000)
    middle = slice(4800, -4800)
    assert np.sqrt(np.mean((clip.volts[0] - sound)[middle] ** 2)) < 0.005


def test_float_wav_keeps_volts(tmp_path: Path) -> None:
    volts = noise(2, 500) * 40.0
    path = tmp_path / "points.wav"
    write_float_wav(path, Signal(volts, 44_100))
    again = read_clip(path)
    assert again.rate == 44_100
    np.testing.assert_array_equal(again.volts, volts.astype(np.float32))


# Other rates. The judge is the sine itself, computed at the new rate.


@pytest.mark.parametrize(
    ("old", "new"),
    [
        *((44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (48_000, 96_000)),
        *((22_050, 48_000), (192_000, 44_100), (47_999, 48_000)),
    ],
)
def test_a_sine_at_another_rate(old: int, new: int) -> None:
    frames = old // 2
    worst_db, worst_late = 0.0, 0.0
    for share in (0.003, 0.1, 0.5, 0.9):
        hz = share * min(old, new) / 2
        out = resampled(Signal(sine(hz, old, frames, 0.3), old), new)
        assert out.rate == new
        assert out.frames == math.ceil(frames * new / old)
        inside = slice(out.frames // 4, -out.frames // 4)
        turns = 2.0 * math.pi * hz / new * np.arange(out.frames)[inside] + 0.3
        basis = np.stack((np.sin(turns), np.cos(turns)), axis=1)
        (in_phase, across), *_ = np.linalg.lstsq(basis, out.volts[0, inside], rcond=None)
        left = out.volts[0, inside] - basis @ (in_phase, across)
        assert 20 * math.log10(np.abs(left).max()) < -100.0, f"images at {hz:.0f} Hz"
        worst_db = max(worst_db, abs(20 * math.log10(math.hypot(in_phase, across))))
        worst_late = max(worst_late, abs(math.atan2(across, in_phase)) * new / (2 * math.pi * hz))
    print(f"{old} to {new}: level within {worst_db:.1e} dB, delay within {worst_late:.1e} samples")
    assert worst_db < 0.001
    assert worst_late < 1e-4


@pytest.mark.parametrize("hz", [24_100.0, 26_000.0, 35_000.0, 47_000.0])
def test_what_lies_above_the_new_half_rate_is_gone(hz: float) -> None:
    out = resampled(Signal(sine(hz, 96_000, 48_000), 96_000), 48_000)
    middle = out.volts[0, 6000:-6000]
    assert 20 * math.log10(np.abs(middle).max() + 1e-30) < -100.0


def test_the_same_rate_is_the_same_signal() -> None:
    signal = Signal(noise(1, 100), 48_000)
    assert resampled(signal, 48_000) is signal


@pytest.mark.parametrize("frames", [1, 2, 3, 441])
def test_channels_stay_apart_and_short_clips_work(frames: int) -> None:
    volts = np.zeros((2, frames))
    volts[0] = 1.0
    out = resampled(Signal(volts, 44_100), 48_000)
    assert out.frames == math.ceil(frames * 48_000 / 44_100)
    assert np.abs(out.volts[1]).max() == 0.0
    assert np.abs(out.volts[0]).max() > 0.5


# What is refused: one plain line that names the file.


def refused(path: Path, words: str) -> str:
    with pytest.raises(ClipError, match=words) as caught:
        read_clip(path)
    line = str(caught.value)
    assert line.startswith(f"clip {path}: ")
    assert "\n" not in line
    print(line.replace(str(path.parent), ""))
    return line


def test_missing_folder_and_hopeless_names(tmp_path: Path) -> None:
    refused(tmp_path / "none.wav", "there is no such file")
    refused(tmp_path, "is a folder, not a sound file")
    refused(tmp_path / ("x" * 300 + ".wav"), "cannot be read: .*too long")
    (tmp_path / "file.wav").write_bytes(b"RIFF")
    refused(tmp_path / "file.wav" / "inside.wav", "there is no such file")


def test_empty_and_other_files(tmp_path: Path) -> None:
    for name, content, words in (
        ("empty.wav", b"", r"is empty \(0 bytes\)"),
        ("empty.flac", b"", r"is empty \(0 bytes\)"),
        ("letter.wav", b"Dear diary,\ntoday I practised.\n" * 40, "cannot be read as sound"),
        ("zeros.flac", bytes(5000), "cannot be read as sound"),
        ("start.wav", b"RIFF\x24\x00\x00\x00WAVE", "cannot be read as sound"),
    ):
        (tmp_path / name).write_bytes(content)
        refused(tmp_path / name, words)


@pytest.mark.parametrize("share", [0.3, 0.6, 0.95])
@pytest.mark.parametrize("form", ["WAV", "WAVEX", "FLAC", "AIFF", "OGG", "RF64", "W64"])
def test_cut_off_in_the_middle(form: str, share: float, tmp_path: Path) -> None:
    whole = io.BytesIO()
    soundfile.write(whole, noise(2, 48_000).T, 48_000, format=form)
    path = tmp_path / "cut"
    path.write_bytes(whole.getvalue()[: int(share * len(whole.getvalue()))])
    refused(path, "is cut off|cannot be read as sound|holds no sound")


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_numbers_that_are_not_finite(bad: float, subtype: str, tmp_path: Path) -> None:
    sound = noise(2, 100).T.copy()
    sound[42, 1] = bad
    soundfile.write(tmp_path / "bad.wav", sound, 48_000, subtype=subtype)
    refused(tmp_path / "bad.wav", "not a finite number at frame 42 of channel 2")


def test_channels_frames_rates_and_kinds(tmp_path: Path) -> None:
    path = tmp_path / "odd.wav"
    soundfile.write(path, np.zeros((100, 3)), 48_000)
    refused(path, "has 3 channels; one or two are read")
    soundfile.write(path, np.zeros((0, 1)), 48_000)
    refused(path, r"holds no sound \(0 frames\)")
    for rate in (7_999, 384_001):
        soundfile.write(path, np.zeros(100), rate)
        refused(path, f"has {rate} frames a second; 8000 to 384000 are read")
    for rate in (8_000, 384_000):
        soundfile.write(path, np.zeros(100), rate)
        assert read_clip(path).rate == rate
    soundfile.write(path, np.zeros(100), 48_000, format="CAF")
    refused(path, "is CAF; WAV, FLAC, AIFF and Ogg are read")


def test_longer_than_ten_minutes(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    soundfile.write(path, np.zeros(8_000 * 600 + 800), 8_000, subtype="PCM_U8")
    refused(path, "is 600.1 s long; 600 s .10 minutes. are the most")
    soundfile.write(path, np.zeros(8_000 * 600), 8_000, subtype="PCM_U8")
    assert read_clip(path).seconds == 600.0


@pytest.mark.parametrize("claimed", [4_000_000_000, 0xFFFFFFFF, 0x7FFFFFF0, 5_000])
def test_a_header_that_claims_more_than_there_is(claimed: int, tmp_path: Path) -> None:
    """A WAV of 200 bytes whose header claims up to 4 GB: no crash, no wait, no memory taken."""
    import tracemalloc

    body = bytes(156)
    fields = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 2, 48_000, 192_000, 4, 16)
    riff = struct.pack("<4sI4s", b"RIFF", min(claimed + 36, 0xFFFFFFFF), b"WAVE")
    path = tmp_path / "hostile.wav"
    path.write_bytes(riff + fields + struct.pack("<4sI", b"data", claimed) + body)
    tracemalloc.start()
    begun = time.perf_counter()
    refused(path, f"is cut off: its header promises {claimed} bytes of sound, 156 are there")
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 1_000_000
    assert time.perf_counter() - begun < 1.0


# A FLAC header keeps its frames in the low 36 bits of bytes 18 to 25 (RFC 9639, section 8.2).
@pytest.mark.parametrize("claimed", [20_000_000, 2**36 - 1])
def test_a_flac_header_that_claims_more_than_there_is(claimed: int, tmp_path: Path) -> None:
    whole = io.BytesIO()
    soundfile.write(whole, noise(1, 4096).T, 48_000, format="FLAC")
    content = bytearray(whole.getvalue())
    packed = int.from_bytes(content[18:26], "big") >> 36 << 36 | claimed
    content[18:26] = packed.to_bytes(8, "big")
    path = tmp_path / "hostile.flac"
    path.write_bytes(content)
    refused(path, "cut off|cannot be read as sound|are the most")


# 16-bit FLAC.


def decoded(content: bytes) -> np.ndarray:
    return soundfile.read(io.BytesIO(content), dtype="int16", always_2d=True)[0].T


def test_flac_decodes_to_rounded_samples_with_dither_of_one_step_each_way() -> None:
    samples = np.clip(noise(2, 48_000), -0.9, 0.9)
    steps = decoded(flac_16_bit(samples, 48_000))
    assert steps.shape == samples.shape
    assert np.abs(steps - samples * 32768.0).max() < 1.5
    np.testing.assert_array_equal(steps, decoded(flac_16_bit(samples, 48_000)))
    assert not np.array_equal(steps, decoded(flac_16_bit(samples, 48_000, seed=1)))


def test_dither_has_no_bias_and_its_noise_does_not_follow_the_sound() -> None:
    """Triangular dither of two steps: total error of variance 1/4 step squared (1/12 rounding and
    2/12 dither), mean 0, at any level. Source: Lipshitz, Wannamaker, Vanderkooy, Quantization and
    Dither, J. Audio Eng. Soc. 40(5), 1992, from memory."""
    frames = 400_000
    for level in (0.0, 0.25, 0.5, 0.7):
        line = np.full((1, frames), (100.0 + level) / 32768.0)
        error = decoded(flac_16_bit(line, 48_000, seed=3))[0] - (100.0 + level)
        print(f"at {level} of a step: mean {error.mean():+.4f}, variance {error.var():.4f}")
        assert abs(error.mean()) < 4 * 0.5 / math.sqrt(frames)
        assert error.var() == pytest.approx(0.25, rel=0.01)


def test_dither_is_white_and_apart_in_two_channels() -> None:
    samples = noise(2, 200_000) * 0.1
    error = decoded(flac_16_bit(samples, 48_000)) - samples * 32768.0
    for a, b in ((error[0, 1:], error[0, :-1]), (error[0], error[1])):
        assert abs(np.corrcoef(a, b)[0, 1]) < 4 / math.sqrt(200_000)


def test_twin_channels_stay_twins() -> None:
    steps = decoded(flac_16_bit(np.broadcast_to(noise(1, 5000), (2, 5000)), 44_100))
    np.testing.assert_array_equal(steps[0], steps[1])


def test_full_scale_clips_and_does_not_wrap() -> None:
    samples = np.array([[1.0, 1.5, 100.0, -1.0, -1.5, -100.0] * 100])
    steps = decoded(flac_16_bit(samples, 48_000)).reshape(-1, 6)
    assert (steps[:, :3] >= 32766).all()
    assert (steps[:, 3:] <= -32767).all()


def test_a_flac_that_promises_more_than_is_read(tmp_path: Path) -> None:
    """Half a gigabyte of samples behind a few bytes (STREAMINFO, RFC 9639, 8.2): not decoded."""
    path = tmp_path / "bomb.flac"
    soundfile.write(path, np.zeros((4_800, 2)), 384_000, subtype="PCM_16")
    content = bytearray(path.read_bytes())
    frames = 384_000 * 590
    packed = (384_000 << 44) | (1 << 41) | (15 << 36) | frames
    content[18:26] = packed.to_bytes(8, "big")
    path.write_bytes(content)
    with pytest.raises(ClipError, match="holds 453 million samples, 115 million are the most"):
        read_clip(path)


def test_a_wav_does_not_say_when_it_was_written(tmp_path: Path) -> None:
    """The same sound is the same bytes, whenever: the time in the PEAK chunk is 0."""
    sound = Signal(noise(2, 1000), 48_000)
    write_float_wav(tmp_path / "a.wav", sound)
    for content in ((tmp_path / "a.wav").read_bytes(), float_wav(sound.volts, 48_000)):
        at = content.index(b"PEAK")
        assert content[at + 12 : at + 16] == bytes(4)
