"""What rings on, against what exponentials give."""

import numpy as np
import pytest

from simchain.measure.excitation import frames_in
from simchain.measure.tail import GROUPS, moments_of, tail_db

RATE = 48_000


def noise(seconds: float, seed: int = 3) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal((1, round(seconds * RATE)))


def note_of(seconds: float, whole_s: float) -> np.ndarray:
    """A clip with one note at its beginning."""
    clip = np.zeros((1, round(whole_s * RATE)))
    clip[:, : round(seconds * RATE)] = 0.3
    return clip


def found(sound: np.ndarray, clip: np.ndarray) -> np.ndarray | None:
    return tail_db(sound, RATE, moments_of(clip, RATE, frames_in(sound.shape[1], RATE)))


@pytest.mark.parametrize("t60_s", [0.5, 1.0, 2.0])
def test_a_tail_that_falls_evenly(t60_s: float) -> None:
    """Steady noise, then the same falling 60 dB in T: on average what it falls in half a second.

    Down to -55 dB, where it stays. The mean of noise in dB reads low, the more so the fewer cycles
    a frame has of it: the lowest group, some 150 Hz wide, by a dB.
    """
    sound = noise(3.0)
    sound[:, RATE:] *= 10.0 ** (-3.0 * np.arange(2 * RATE) / RATE / t60_s)
    levels = found(sound, note_of(1.0, 3.0))
    assert levels is not None
    frames = np.arange(0.03, 1.0, 0.01)
    expected = np.mean(np.maximum(-60.0 * frames / t60_s, -55.0))
    print(f"T60 {t60_s} s: {np.round(levels, 2)}, expected {expected:.2f} dB")
    assert levels[1:] == pytest.approx(np.full(GROUPS.size - 1, expected), abs=0.7)
    assert levels[0] == pytest.approx(expected - 1.0, abs=0.8)


def test_a_tail_lower_by_3_db_reads_3_db_lower_and_the_level_of_all_does_not_matter() -> None:
    sound, clip = noise(3.0), note_of(1.0, 3.0)
    sound[:, RATE:] *= 0.05
    lower = sound.copy()
    lower[:, RATE:] *= 10 ** (-3 / 20)
    one, other, louder = (found(each, clip) for each in (sound, lower, 7.0 * sound))
    assert one is not None
    assert other is not None
    assert one - other == pytest.approx(np.full(GROUPS.size, 3.0), abs=0.01)
    assert louder == pytest.approx(one)


def test_silence_after_the_note_reads_the_floor_and_no_rest_reads_nothing() -> None:
    sound = np.concatenate((noise(1.0), np.zeros((1, RATE))), axis=1)
    levels = found(sound, note_of(1.0, 2.0))
    assert levels is not None
    assert set(levels) == {-55.0}
    assert found(sound, note_of(1.85, 2.0)) is None
    assert found(np.zeros((1, 2 * RATE)), note_of(1.0, 2.0)) is None
    assert found(sound, np.zeros((1, 2 * RATE))) is None


def test_bands_in_which_nothing_was_played_say_nothing() -> None:
    t = np.arange(2 * RATE) / RATE
    low = np.sin(2 * np.pi * 200 * t)[np.newaxis] * np.where(t < 1.0, 1.0, 0.01)
    levels = found(low, note_of(1.0, 2.0))
    assert levels is not None
    assert np.isnan(levels).sum() >= 3
    assert np.nanmax(levels) == pytest.approx(-40.0, abs=0.5)


def test_which_frames_are_rests() -> None:
    """1 V to 0.5 s, 70 mV (23 dB less) to 0.7 s, 30 mV (30 dB less) to 1 s, then 1 V to 1.2 s."""
    t = np.arange(3 * RATE) / RATE
    size = np.select([t < 0.1, t < 0.5, t < 0.7, t < 1.0, t < 1.2], [0, 1.0, 0.07, 0.03, 1.0], 0.0)
    clip = (size * np.sin(2 * np.pi * 1000 * t))[np.newaxis]
    notes, rests = moments_of(clip, RATE, frames_in(3 * RATE, RATE))
    places = np.flatnonzero(rests) / 100
    inside = places[places < 1.1]
    after = places[places > 1.1]
    assert (inside[0], inside[-1]) == pytest.approx((0.73, 0.97), abs=0.011)
    assert (after[0], after[-1]) == pytest.approx((1.23, 2.18), abs=0.011)
    both = np.concatenate((np.zeros_like(clip), clip))
    assert np.array_equal(moments_of(both, RATE, rests.size).rests, rests)
    assert np.flatnonzero(notes)[[0, -1]] / 100 == pytest.approx((0.1, 1.19), abs=0.011)
    assert not (notes & rests).any()
