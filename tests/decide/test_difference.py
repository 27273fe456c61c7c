"""The plain difference: closed forms, outside meters, and the claims of its own definition."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, sosfilt, sosfreqz

from simchain.decide.difference import Difference, difference
from simchain.measure.bands import CENTRES_HZ

RATE = 48_000


def sound(seed: int = 0, channels: int = 2, seconds: float = 1.0, rate: int = RATE) -> np.ndarray:
    """Pink-like noise that swells and dies away, with silence about it, unlike in its channels."""
    frames = round(seconds * rate)
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((channels, frames))
    coloured = sosfilt(butter(1, 300.0, fs=rate, output="sos"), noise, axis=1)
    coloured *= np.sin(math.pi * np.arange(frames) / frames) ** 2
    silence = np.zeros((channels, rate // 20))
    return np.concatenate((silence, 0.3 * coloured, silence), axis=1)


def late(samples: np.ndarray, frames: float) -> np.ndarray:
    """Delay by any part of a sample, by the phase of a spectrum long enough not to wrap."""
    length = 4 * samples.shape[1]
    turns = np.fft.rfftfreq(length) * frames
    turned = np.fft.rfft(samples, length) * np.exp(-2j * math.pi * turns)
    return np.fft.irfft(turned, length)[:, : samples.shape[1]]


def assert_mirrored(one: Difference, other: Difference) -> None:
    """A against B says the same as B against A, but for the signs."""
    assert one.trim_lu == -other.trim_lu
    assert one.null_db == pytest.approx(other.null_db, abs=1e-9)
    assert one.max_band_change_db == pytest.approx(other.max_band_change_db, abs=1e-9)
    np.testing.assert_allclose(one.band_change_db, -other.band_change_db, rtol=0, atol=1e-9)


def test_identical() -> None:
    a = sound()
    found = difference(a, a.copy(), RATE)
    assert (found.trim_lu, found.null_db, found.max_band_change_db) == (0.0, -400.0, 0.0)
    assert (found.band_change_db == 0.0).all()


def test_arguments_stay_as_they_are() -> None:
    a, b = sound(1), sound(2)
    kept = a.copy(), b.copy()
    difference(a, b, RATE)
    np.testing.assert_array_equal(a, kept[0])
    np.testing.assert_array_equal(b, kept[1])


@pytest.mark.parametrize("gain_db", [-30.0, -0.1, 0.3, 1.0, 3.0, 6.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_gain_and_polarity(gain_db: float, sign: float) -> None:
    """Only the loudness differs, by the gain itself; the null is left with rounding alone."""
    a = sound()
    found = difference(a, sign * 10 ** (gain_db / 20) * a, RATE)
    assert found.trim_lu == pytest.approx(gain_db, abs=1e-9)
    assert found.null_db < -290.0
    assert found.max_band_change_db < 1e-9


def test_two_linear_blocks_swapped_null_below_minus_200() -> None:
    """Linear and time-invariant: the order cannot matter but for rounding."""
    a = sound(channels=1, seconds=10.0)
    first = butter(2, [80.0, 3000.0], "bandpass", fs=RATE, output="sos")
    second = butter(4, 1200.0, fs=RATE, output="sos")
    found = difference(
        sosfilt(second, sosfilt(first, a)), 2.0 * sosfilt(first, sosfilt(second, a)), RATE
    )
    print(f"two filters swapped: null {found.null_db:.1f} dB")
    assert found.null_db < -200.0


@pytest.mark.parametrize("left_db", [-10.0, -40.0, -80.0, -120.0, -200.0, -260.0])
def test_a_known_part_that_does_not_cancel(left_db: float) -> None:
    """B is A with another sound added, made orthogonal to it at every delay by lying in other
    bands; the null is sin of the angle between them: r / sqrt(1 + r^2)."""
    time = np.arange(RATE) / RATE
    window = np.sin(math.pi * time) ** 8
    a = window * np.sin(2 * math.pi * 500.0 * time)
    other = window * np.sin(2 * math.pi * 5000.0 * time)
    ratio = 10 ** (left_db / 20)
    found = difference(a[None, :], (a + ratio * other)[None, :], RATE)
    expected = 20 * math.log10(ratio / math.sqrt(1 + ratio**2))
    print(f"expected {expected:.3f} dB, null {found.null_db:.3f} dB")
    assert found.null_db == pytest.approx(expected, abs=0.01)


def test_unrelated_tones_null_to_nothing() -> None:
    time = np.arange(RATE) / RATE
    a, b = (np.sin(2 * math.pi * hz * time)[None, :] for hz in (300.0, 700.0))
    assert difference(a, b, RATE).null_db == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("frames", [1, 5, 48, 240, 960])
def test_whole_delays_null_exactly(frames: int) -> None:
    """1 ms, 5 ms and up to the limit of 20 ms, either way, turned over and at another level. The
    loudness moves a little, because BS.1770's blocks of 400 ms begin elsewhere in the sound."""
    a = sound()
    b = -0.3 * np.roll(a, frames, axis=1)
    for found in (difference(a, b, RATE), difference(b, a, RATE)):
        assert found.null_db < -290.0
        assert abs(found.trim_lu) == pytest.approx(-20 * math.log10(0.3), abs=0.01)
        assert found.max_band_change_db < 0.01
        assert np.ptp(found.band_change_db) < 1e-9


@pytest.mark.parametrize("frames", [0.5, -0.1, 0.001, 7.3, -33.333, 959.9, 960.0])
def test_delays_between_samples_null_below_minus_140(frames: float) -> None:
    a = sound()
    found = difference(a, 0.7 * late(a, frames), RATE)
    print(f"{frames} samples late: null {found.null_db:.1f} dB")
    assert found.null_db < -140.0


def test_a_delay_beyond_the_limit_does_not_null() -> None:
    a = sound()
    assert difference(a, np.roll(a, 961 + 20, axis=1), RATE).null_db > -10.0


def test_one_gain_and_one_delay_for_both_channels() -> None:
    """A channel turned over, or late by itself, is a difference that no match takes away. With two
    channels of equal energy, one turned over: no gain helps at all."""
    a = sound()
    a[1] *= math.sqrt(np.sum(a[0] ** 2) / np.sum(a[1] ** 2))
    turned = np.stack((a[0], -a[1]))
    assert difference(a, turned, RATE).null_db > -0.1
    one_late = np.stack((a[0], np.roll(a[1], 10)))
    assert difference(a, one_late, RATE).null_db > -10.0
    louder = np.stack((a[0], 2.0 * a[1]))
    expected = 10 * math.log10(1 - 9 / 10)  # the cosine of (1, 1) and (1, 2), squared
    assert difference(a, louder, RATE).null_db == pytest.approx(expected, abs=0.01)


def slow_null_db(a: np.ndarray, b: np.ndarray, rate: int) -> float:
    """The definition word for word, on a grid of a hundredth of a sample about the best sample."""

    def left(delay: float) -> float:
        moved = late(np.pad(b, ((0, 0), (1000, 1000))), delay)
        whole = np.pad(a, ((0, 0), (1000, 1000)))
        gain = np.sum(whole * moved) / np.sum(moved**2)
        return float(np.sum((whole - gain * moved) ** 2) / np.sum(whole**2))

    reach = int(0.02 * rate)
    halves = np.arange(-2 * reach, 2 * reach + 1) / 2
    best = min(halves, key=left)
    fine = best + np.arange(-50, 51) / 100
    return 10 * math.log10(min(left(delay) for delay in fine if abs(delay) <= reach))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_against_the_definition_searched_slowly(seed: int) -> None:
    rate = 8000
    a = sound(seed, seconds=0.1, rate=rate)
    b = late(sosfilt(butter(2, 900.0, fs=rate, output="sos"), a, axis=1), 3.37 * seed)
    b += 0.1 * sound(seed + 10, seconds=0.1, rate=rate)
    assert difference(a, b, rate).null_db == pytest.approx(slow_null_db(a, b, rate), abs=0.002)


@settings(max_examples=30, deadline=None)
@given(
    st.integers(0, 10_000),
    st.floats(-40.0, 40.0),
    st.floats(-30.0, 30.0),
    st.floats(-8.0, 0.0),
    st.sampled_from([44_100, 48_000, 96_000]),
)
def test_the_same_both_ways(
    seed: int, gain_db: float, frames: float, added: float, rate: int
) -> None:
    a = sound(seed, seconds=0.5, rate=rate)
    b = 10 ** (gain_db / 20) * late(a, frames)
    b += 10**added * np.random.default_rng(seed + 1).standard_normal(a.shape)
    assert_mirrored(difference(a, b, rate), difference(b, a, rate))


def test_the_same_both_ways_where_rounding_is_all_that_is_left() -> None:
    a = sound()
    for b in (0.3 * a, a / 3.0, np.roll(a, 7, axis=1) * 1.1, a + 1e-13 * sound(5)):
        assert_mirrored(difference(a, b, RATE), difference(b, a, RATE))


# Loudness.


def test_trim_is_the_difference_in_integrated_loudness() -> None:
    """Against libebur128."""
    import pyebur128

    def lufs(samples: np.ndarray) -> float:
        state = pyebur128.R128State(2, RATE, pyebur128.MeasurementMode.MODE_I)
        state.add_frames(np.ascontiguousarray(samples.T).ravel(), samples.shape[1])
        return float(pyebur128.get_loudness_global(state))

    a = sound(1, seconds=3.0)
    b = 0.4 * sosfilt(butter(1, 800.0, fs=RATE, output="sos"), a, axis=1)
    assert difference(a, b, RATE).trim_lu == pytest.approx(lufs(b) - lufs(a), abs=0.001)


def test_short_and_very_quiet_sounds_are_matched_by_rms() -> None:
    short = sound(seconds=0.2)
    assert difference(short, 2.0 * short, RATE).trim_lu == pytest.approx(6.0206, abs=1e-4)
    a = sound(seconds=2.0)
    assert difference(a, 1e-4 * a, RATE).trim_lu == pytest.approx(-80.0, abs=1e-6)
    quiet = difference(1e-4 * a, 1e-5 * a, RATE)
    assert quiet.trim_lu == pytest.approx(-20.0, abs=1e-6)


# Silence.


@pytest.mark.parametrize("frames", [0, 1, 48_000])
def test_silence_against_silence(frames: int) -> None:
    found = difference(np.zeros((2, frames)), np.zeros((1, frames)), RATE)
    assert (found.trim_lu, found.null_db, found.max_band_change_db) == (0.0, -400.0, 0.0)


def test_silence_against_sound() -> None:
    a = sound()
    gone, come = difference(a, 0 * a, RATE), difference(0 * a, a, RATE)
    assert (gone.trim_lu, come.trim_lu) == (-math.inf, math.inf)
    assert gone.null_db == come.null_db == 0.0
    assert gone.max_band_change_db == pytest.approx(50.0)
    assert_mirrored(gone, come)


def test_what_has_died_away_is_silence() -> None:
    almost = np.full((2, 48_000), 1e-200)
    assert difference(almost, np.zeros_like(almost), RATE).null_db == -400.0
    assert difference(almost, sound(), RATE).trim_lu == math.inf


# Bands.


def test_a_shelf_shows_in_its_bands() -> None:
    """White noise through a filter: each band changes by the filter's gain at its centre, less the
    change in loudness. Bands in which the filter is steep are left out."""
    rng = np.random.default_rng(3)
    a = 0.1 * rng.standard_normal((1, 20 * RATE))
    sos = butter(1, 2000.0, fs=RATE, output="sos")
    found = difference(a, sosfilt(sos, a, axis=1), RATE)
    gain_db = 20 * np.log10(np.abs(sosfreqz(sos, CENTRES_HZ[:27], fs=RATE)[1]))
    off = found.band_change_db[8:27] + found.trim_lu - gain_db[8:27]
    print(f"bands within {np.abs(off).max():.3f} dB of the filter")
    assert np.abs(off).max() < 0.05


def test_bands_too_quiet_to_matter_change_nothing() -> None:
    """A tone 80 dB under another comes and goes unnoticed; 40 dB under it counts in full above the
    line of 50 dB. 1 kHz and 3981 Hz: A-weighting 0 and 0.97 dB."""
    time = np.arange(4 * RATE) / RATE
    window = np.sin(math.pi * time / 4.0) ** 4
    loud = window * np.sin(2 * math.pi * 1000.0 * time)
    high = window * np.sin(2 * math.pi * CENTRES_HZ[22] * time)
    faint = difference(loud[None, :], (loud + 1e-4 * high)[None, :], RATE)
    assert faint.max_band_change_db < 0.01
    heard = difference(loud[None, :], (loud + 1e-2 * high)[None, :], RATE)
    assert heard.max_band_hz == pytest.approx(3981.07, abs=0.01)
    assert heard.max_band_change_db == pytest.approx(50.0 - 40.0 + 0.97, abs=0.05)
    bass = window * np.sin(2 * math.pi * CENTRES_HZ[1] * time)
    rumble = difference(loud[None, :], (loud + 0.05 * bass)[None, :], RATE)
    assert rumble.max_band_change_db < 0.05, "31.5 Hz at -26 dB is 65 dB under the tone to the ear"


def test_the_channel_that_changes_more_counts() -> None:
    a = sound(seconds=3.0)
    swapped = difference(a, a[::-1], RATE)
    assert swapped.max_band_change_db > 0.05
    b = a.copy()
    b[1] = sosfilt(butter(1, 1000.0, fs=RATE, output="sos"), b[1])
    found = difference(a, b, RATE)
    assert found.band_change_db[26] < -10.0
    assert found.max_band_hz == pytest.approx(CENTRES_HZ[np.argmax(np.abs(found.band_change_db))])


def test_bands_beyond_half_the_rate_are_missing() -> None:
    found = difference(sound(1, rate=44_100), sound(2, rate=44_100), 44_100)
    assert np.flatnonzero(np.isnan(found.band_change_db)).tolist() == [29]
    assert math.isfinite(found.max_band_change_db)


# Shapes.


def test_mono_in_one_channel_or_two_or_float32() -> None:
    a, b = sound(1, channels=1), sound(2, channels=1)
    one = difference(a, b, RATE)
    for x, y in (
        (np.broadcast_to(a, (2, a.shape[1])), np.concatenate((b, b))),
        (a, np.broadcast_to(b, (2, b.shape[1]))),
    ):
        other = difference(x, y, RATE)
        for name in ("trim_lu", "null_db", "max_band_change_db", "max_band_hz"):
            assert getattr(other, name) == pytest.approx(getattr(one, name), abs=1e-9)
    assert difference(a.astype(np.float32), b, RATE).null_db == pytest.approx(one.null_db, abs=1e-4)


def test_mono_against_stereo_is_the_same_sound_in_both() -> None:
    a, b = sound(1, channels=1), sound(2)
    one, other = difference(a, b, RATE), difference(np.concatenate((a, a)), b, RATE)
    assert dataclasses.astuple(one)[:4] == dataclasses.astuple(other)[:4]


def test_the_shorter_is_silent_after_its_end() -> None:
    a = sound()
    assert difference(a, a[:, :-1000], RATE).null_db == -400.0  # it ends in silence anyway
    half = difference(a, a[:, : a.shape[1] // 2], RATE)
    expected = 10 * math.log10(np.sum(a[:, a.shape[1] // 2 :] ** 2) / np.sum(a**2))
    assert half.null_db == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("frames", [1, 2, 10, 500, 2000])
def test_clips_shorter_than_the_search(frames: int) -> None:
    rng = np.random.default_rng(frames)
    a, b = rng.standard_normal((2, 2, frames))
    assert_mirrored(difference(a, b, RATE), difference(b, a, RATE))
