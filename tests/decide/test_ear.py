"""What is kept of one sound: its playing level, quantiles, movement and events."""

import math

import numpy as np
import pytest

from simchain.decide.ear import FLOOR, JUST_HEARD, MODULATION_HZ, MOVEMENT_GROUPS, Ear, Heard
from simchain.measure.excitation import (
    BANDS,
    CENTRES_HZ,
    INTERNAL_NOISE,
    LONG_FRAME_S,
    SHORT_FRAME_S,
    excitation,
    specific_loudness,
)
from simchain.measure.loudness import integrated_lufs

RATE = 48_000


def noise(seed: int = 0, channels: int = 1, seconds: float = 2.0) -> np.ndarray:
    return 0.1 * np.random.default_rng(seed).standard_normal((channels, round(seconds * RATE)))


def times(seconds: float = 4.0, rate: int = RATE) -> np.ndarray:
    return np.arange(round(seconds * rate)) / rate


def assert_alike(one: Heard, other: Heard, tolerance: float = 1e-9) -> None:
    for name in Heard.__dataclass_fields__:
        np.testing.assert_allclose(getattr(one, name), getattr(other, name), atol=tolerance)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("spl", [60.0, 75.0, 90.0])
@pytest.mark.parametrize("volts", [0.02, 3.0])
def test_a_1_khz_tone_plays_at_the_listening_level(rate: int, spl: float, volts: float) -> None:
    """Whatever its volts: at 1 kHz BS.1770's K-weighting and its -0.691 cancel, within 0.01 dB."""
    tone = volts * np.sin(2 * math.pi * 1000 * times(rate=rate))
    played = tone * 10 ** (spl / 20) / math.sqrt(np.mean(tone**2))
    smooth = smoothed_slowly(excitation(played, rate, LONG_FRAME_S))
    heard = Ear(tone[None], rate, spl).heard()[0]
    band = int(np.argmin(np.abs(CENTRES_HZ - 1000)))
    assert heard.levels_db[5, band] == pytest.approx(
        10 * math.log10(np.median(smooth[:, band])), abs=0.02
    )


def test_two_channels_share_the_level() -> None:
    """One channel alone plays 3 dB louder than it would beside another like it: the mean of both
    channels' powers is what plays at the listening level."""
    tone = 0.1 * np.sin(2 * math.pi * 1000 * times())
    both = Ear(np.stack((tone, tone)), RATE).heard()
    assert len(both) == 1, "channels that are alike are one"
    assert_alike(both[0], Ear(tone[None], RATE).heard()[0])
    left, right = Ear(np.stack((tone, 0 * tone)), RATE).heard()
    band = int(np.argmin(np.abs(CENTRES_HZ - 1000)))
    apart = left.levels_db[5, band] - both[0].levels_db[5, band]
    assert apart == pytest.approx(10 * math.log10(2), abs=1e-3)
    np.testing.assert_allclose(right.levels_db, 10 * np.log10(np.tile(FLOOR, (10, 1))))


def test_gain_and_sign_do_not_matter() -> None:
    sound = noise(channels=2)
    for one, other in zip(Ear(sound, RATE).heard(), Ear(-20 * sound, RATE).heard(), strict=True):
        assert_alike(one, other)


def test_nor_where_a_sound_dies_away_through_the_gate() -> None:
    """BS.1770's absolute gate lies at -70 LUFS: of what dies away to there slowly, less is left out
    the louder it is, and its loudness does not grow by as much as its level."""
    sound = noise(seconds=12.0) * 10 ** (-np.minimum(times(12.0) * 15, 57) / 20)
    both = np.broadcast_to(sound, (2, sound.shape[1]))
    apart = integrated_lufs(4 * both, RATE) - integrated_lufs(both, RATE) - 20 * math.log10(4)
    assert abs(apart) > 0.1
    assert_alike(Ear(4 * sound, RATE).heard()[0], Ear(sound, RATE).heard()[0])


def smoothed_slowly(power: np.ndarray) -> np.ndarray:
    """60 ms and 2 ERB, one value at a time; beyond the outermost bands these go on."""
    over_time = np.array([power[i : i + 6].mean(axis=0) for i in range(len(power) - 5)])
    smooth = np.zeros_like(over_time)
    for band in range(BANDS):
        for step, weight in zip(range(-2, 3), (1, 2, 2, 2, 1), strict=True):
            smooth[:, band] += weight / 8 * over_time[:, min(max(band + step, 0), BANDS - 1)]
    return smooth


def test_levels_are_quantiles_over_time_of_what_is_smoothed() -> None:
    sound = noise(1) * np.sin(2 * math.pi * 0.7 * times(2.0))
    ear = Ear(sound, RATE)
    scale = 10 ** ((75.0 - integrated_lufs(sound, RATE)) / 20)
    power = excitation(scale * sound[0], RATE, LONG_FRAME_S)
    smooth = smoothed_slowly(power)
    expected = np.quantile(smooth, np.arange(5, 100, 10) / 100, axis=0)
    floored = 10 * np.log10(np.maximum(expected, 1.5 * INTERNAL_NOISE))
    heard = ear.heard()[0]
    np.testing.assert_allclose(heard.levels_db, floored, atol=1e-6)
    np.testing.assert_allclose(heard.loudness, specific_loudness(power).mean(axis=0), rtol=1e-6)
    long_term = 10 * np.log10(np.maximum(smooth.mean(axis=0), FLOOR))
    np.testing.assert_allclose(heard.long_term_db, long_term, atol=1e-6)
    short = specific_loudness(excitation(scale * sound[0], RATE, SHORT_FRAME_S))
    groups = [short[:, 8 * i : 8 * i + 8].sum(axis=1) for i in range(8)]
    groups.append(short[:, 64:].sum(axis=1))
    np.testing.assert_allclose(heard.events, np.stack(groups, axis=1), rtol=1e-6)


def test_movement_of_a_tremolo() -> None:
    """A tone whose level moves by a sine of 4 Hz: the filter at 4 Hz lets through that sine of the
    loudness, the filter an octave and more away less, by its Gaussian."""
    level = 1.0 + 0.3 * np.sin(2 * math.pi * 4.0 * times(8.0))
    tone = 0.1 * level * np.sin(2 * math.pi * 1000 * times(8.0))
    heard = Ear(tone[None], RATE).heard()[0]
    group = int(np.searchsorted(MOVEMENT_GROUPS, np.argmin(np.abs(CENTRES_HZ - 1000)), "right")) - 1
    # The loudness goes as level^0.46; its first harmonic over its mean, by direct integration.
    turn = np.linspace(0, 2 * math.pi, 10_000, endpoint=False)
    loudness = (1 + 0.3 * np.sin(turn)) ** 0.46
    first = 2 * np.mean(loudness * np.sin(turn)) / np.mean(loudness) / math.sqrt(2)
    for filter_, hz in enumerate(MODULATION_HZ):
        expected = first * math.exp(-0.25 * (math.log2(4.0 / hz) / 0.5) ** 2)
        found = heard.movement[filter_, group]
        print(f"{hz:.2f} Hz: expected {expected:.4f}, found {found:.4f}")
        if 1.5 < hz < 8:
            assert found == pytest.approx(expected, rel=0.1, abs=0.002)


def test_what_is_hardly_heard_hardly_moves() -> None:
    """Bands with nothing in them have no movement, where the swings over the mean alone would be
    as large as anywhere."""
    tone = 0.1 * np.sin(2 * math.pi * 200 * times()) * (np.sin(2 * math.pi * 4 * times()) > 0)
    heard = Ear(np.pad(tone, (4800, 4800))[None], RATE, 40.0).heard()[0]
    quiet = heard.group_loudness < 0.01 * JUST_HEARD
    assert quiet.any()
    assert heard.movement[:, quiet].max() < 0.02
    assert heard.movement.max() > 0.3


def test_worked_out_once() -> None:
    ear = Ear(noise(), RATE)
    assert ear.heard() is ear.heard()
    assert ear.heard(length=ear.length) is ear.heard()
    assert ear.heard(start=48) is not ear.heard()


def test_a_late_sound_from_its_own_beginning_is_the_sound_itself() -> None:
    """Its loudness too: from 900 samples on, the meter's blocks of 400 ms lie alike."""
    sound = np.pad(noise(3), ((0, 0), (0, 2000)))
    late = np.roll(sound, 900, axis=1)
    assert_alike(Ear(sound, RATE).heard()[0], Ear(late, RATE).heard(start=900)[0], 1e-7)


def test_a_short_sound_in_longer_silence_has_a_loudness() -> None:
    ear = Ear(noise(seconds=0.2), RATE)
    whole = np.pad(noise(seconds=0.2), ((0, 0), (0, 38_400)))
    assert not ear.gated()
    assert ear.gated(48_000)
    assert_alike(ear.heard(length=48_000)[0], Ear(whole, RATE).heard()[0])


@pytest.mark.parametrize("frames", [1, 10, 480, 10_000, 19_199])
def test_sounds_under_400_ms_play_by_their_rms(frames: int) -> None:
    ear = Ear(noise(seconds=0.5)[:, :frames], RATE)
    assert not ear.gated()
    assert np.isfinite(ear.heard(gated=False)[0].levels_db).all()


def test_sounds_under_the_absolute_gate_play_by_their_rms() -> None:
    quiet = Ear(1e-6 * noise(), RATE)
    assert not quiet.gated()
    assert_alike(quiet.heard(gated=False)[0], Ear(noise(), RATE).heard(gated=False)[0], 1e-6)


@pytest.mark.parametrize("frames", [0, 1, 48_000])
@pytest.mark.parametrize("volts", [0.0, 1e-200])
def test_silence(frames: int, volts: float) -> None:
    ear = Ear(np.full((2, frames), volts), RATE)
    assert ear.silent
    assert ear.gated()
    heard = ear.heard()[0]
    assert (heard.loudness == 0).all()
    assert (heard.movement == 0).all()
    assert (heard.events == 0).all()


def test_float32_and_arguments_untouched() -> None:
    sound = noise(4).astype(np.float32)
    kept = sound.copy()
    heard = Ear(sound, RATE).heard()[0]
    np.testing.assert_array_equal(sound, kept)
    assert_alike(heard, Ear(sound.astype(np.float64), RATE).heard()[0], 1e-12)
