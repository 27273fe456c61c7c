"""Correlation, width, loss and comb of a fold, against closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simchain.measure.excitation import erb_hz
from simchain.measure.stereo import (
    LEAST_DIP_DB,
    fold_dips,
    fold_loss,
    fold_spectrum_db,
    stereo_of,
)

RATE = 48_000
SECONDS = 2.0
TIME = np.arange(round(SECONDS * RATE)) / RATE
# Whole cycles, so that sums over it are closed forms.
SINE = np.sin(2 * np.pi * 250 * TIME)


def noise(seconds: float = 5.0, rate: int = RATE, channels: int = 1) -> np.ndarray:
    return np.random.default_rng(11).standard_normal((channels, round(seconds * rate)))


def late(line: np.ndarray, frames: int) -> np.ndarray:
    return np.concatenate((np.zeros(frames), line))[: line.size]


def db(power: float) -> float:
    return 10 * math.log10(power)


@pytest.mark.parametrize("gain", [1.0, 0.1, 3.0])
def test_the_same_sound_at_any_two_levels_is_correlated(gain: float) -> None:
    """Correlation 1; the side's share is (1 - g)^2 / (2 (1 + g^2))."""
    found = stereo_of(np.stack((SINE, gain * SINE)))
    print(f"gain {gain}: {found}")
    assert found.correlation == pytest.approx(1.0, abs=1e-12)
    assert found.width == pytest.approx((1 - gain) ** 2 / (2 * (1 + gain**2)), abs=1e-12)


def test_a_mono_pair_loses_nothing() -> None:
    for volts in (SINE[np.newaxis], np.stack((SINE, SINE))):
        assert stereo_of(volts).correlation == pytest.approx(1.0, abs=1e-12)
        assert stereo_of(volts).width == 0.0
        assert fold_loss(volts, RATE).level_db == pytest.approx(0.0, abs=1e-12)
        assert np.nanmax(np.abs(fold_spectrum_db(volts, RATE)[1])) < 1e-9
        assert fold_dips(volts, RATE) == ()


def test_opposite_sides_cancel() -> None:
    volts = np.stack((SINE, -SINE))
    loss = fold_loss(volts, RATE)
    assert stereo_of(volts).correlation == pytest.approx(-1.0, abs=1e-12)
    assert stereo_of(volts).width == 1.0
    assert (loss.level_db, loss.most_db) == (-math.inf, -math.inf)
    assert fold_dips(volts, RATE) == ()


def test_independent_noise_loses_three_decibels() -> None:
    """Correlation 0, width 1/2, 10 log10(1/2): within four standard errors, 4 / sqrt(frames)."""
    volts = noise(channels=2)
    found, loss = stereo_of(volts), fold_loss(volts, RATE)
    error = 4 / math.sqrt(volts.shape[1])
    print(f"{found}, {loss}, within {error:.4f}")
    assert found.correlation == pytest.approx(0.0, abs=error)
    assert found.width == pytest.approx(0.5, abs=error)
    assert loss.level_db == pytest.approx(db(0.5), abs=-db(1 - 2 * error))
    assert fold_dips(volts, RATE) == ()


@pytest.mark.parametrize("degrees", [0, 15, 30, 45, 60, 90])
def test_a_panned_sine(degrees: float) -> None:
    """cos a on the left, sin a on the right: width (1 - sin 2a) / 2, fold (1 + sin 2a) / 2."""
    turn = math.radians(degrees)
    volts = np.stack((math.cos(turn) * SINE, math.sin(turn) * SINE))
    found, loss = stereo_of(volts), fold_loss(volts, RATE)
    known_db = db((1 + math.sin(2 * turn)) / 2)
    print(f"{degrees} degrees: width {found.width:.4f}, loss {loss.level_db:.3f} ({known_db:.3f})")
    assert found.width == pytest.approx((1 - math.sin(2 * turn)) / 2, abs=1e-12)
    assert loss.level_db == pytest.approx(known_db, abs=1e-9)


@pytest.mark.parametrize("degrees", [10, 60, 90, 120, 170])
def test_a_sine_turned_in_phase(degrees: float) -> None:
    """Correlation cos p, width sin^2(p / 2), the fold 20 log10 cos(p / 2)."""
    turn = math.radians(degrees)
    volts = np.stack((SINE, np.sin(2 * np.pi * 250 * TIME + turn)))
    found, loss = stereo_of(volts), fold_loss(volts, RATE)
    known_db = 2 * db(math.cos(turn / 2))
    print(f"{degrees} degrees: {found}, loss {loss.level_db:.3f} ({known_db:.3f})")
    assert found.correlation == pytest.approx(math.cos(turn), abs=1e-9)
    assert found.width == pytest.approx(math.sin(turn / 2) ** 2, abs=1e-9)
    assert loss.level_db == pytest.approx(known_db, abs=1e-7)


def test_one_side_alone() -> None:
    """Half the amplitude of one side is -3.01 dB of the mean power; the left alone +3.01."""
    volts = np.stack((SINE, np.zeros(SINE.size)))
    assert math.isnan(stereo_of(volts).correlation)
    assert stereo_of(volts).width == pytest.approx(0.5, abs=1e-12)
    assert fold_loss(volts, RATE).level_db == pytest.approx(db(0.5), abs=1e-9)
    assert fold_loss(volts, RATE, "left").level_db == pytest.approx(db(2.0), abs=1e-9)
    assert fold_loss(volts[::-1], RATE, "left").level_db == -math.inf


@pytest.mark.parametrize("frames", [0, 1, RATE])
def test_silence_has_no_sides(frames: int) -> None:
    volts = np.zeros((2, frames))
    found, loss = stereo_of(volts), fold_loss(volts, RATE)
    assert math.isnan(found.correlation)
    assert math.isnan(found.width)
    assert all(map(math.isnan, (loss.level_db, loss.most_db, loss.most_at_s)))
    assert np.isnan(fold_spectrum_db(volts, RATE)[1]).all()
    assert fold_dips(volts, RATE) == ()


def test_one_frame() -> None:
    volts = np.array([[1.0], [0.5]])
    assert stereo_of(volts).correlation == pytest.approx(1.0)
    assert fold_loss(volts, RATE).level_db == pytest.approx(db(0.75**2 / 0.625))


def test_correlation_is_numpys_for_sounds_without_dc() -> None:
    mixed = np.array([[1.0, 0.4], [-0.3, 0.8]]) @ noise(channels=2)
    mixed -= mixed.mean(axis=1, keepdims=True)
    assert stereo_of(mixed).correlation == pytest.approx(np.corrcoef(mixed)[0, 1], abs=1e-12)


# The square of anything smaller has lost digits, or is 0: float64 has no room for it.
GAINS = st.floats(-10, 10).filter(lambda gain: gain == 0.0 or abs(gain) > 1e-140)


@given(st.lists(GAINS, min_size=4, max_size=4))
def test_loss_and_width_are_one_figure(gains: list[float]) -> None:
    """(P(L) + P(R)) / 2 = P(M) + P(S), so the mean's loss is 10 log10(1 - width)."""
    volts = np.array(gains).reshape(2, 2) @ np.stack((SINE, np.cos(2 * np.pi * 400 * TIME)))
    width, loss = stereo_of(volts).width, fold_loss(volts, RATE)
    assert 10 ** (loss.level_db / 10) == pytest.approx(1 - width, abs=1e-12, nan_ok=True)


def test_the_most_is_found_where_only_one_side_sounds() -> None:
    """A mono note at 0 s, an echo on the left alone and 12 dB softer from 1.2 to 1.5 s."""
    volts = np.zeros((2, TIME.size))
    volts[:, : RATE // 2] = SINE[: RATE // 2]
    volts[0, round(1.2 * RATE) : round(1.5 * RATE)] = 0.25 * SINE[: round(0.3 * RATE)]
    loss = fold_loss(volts, RATE)
    # P(L) = 0.5 + 0.3/16, P(R) = 0.5; the fold 0.5 + 0.3/64.
    known_db = db((0.5 + 0.3 / 64) / (0.5 + 0.3 / 32))
    print(f"whole {loss.level_db:.4f} dB ({known_db:.4f}), most {loss.most_db:.3f}")
    assert loss.level_db == pytest.approx(known_db, abs=1e-6)
    assert loss.most_db == pytest.approx(db(0.5), abs=1e-6)
    assert 1.15 < loss.most_at_s < 1.45


def test_what_is_too_soft_does_not_count_for_the_most() -> None:
    volts = np.stack((SINE, SINE))
    volts[1, RATE:] = 0.0
    volts[:, RATE:] *= 0.02
    assert fold_loss(volts, RATE).most_db == pytest.approx(0.0, abs=1e-9)


def power_of_a_late_copy(hz: np.ndarray, T: float) -> np.ndarray:
    """The fold of a copy late by T under the ear's weights, against the power of both.

    The rounded exponential (1 + a|x|) exp(-a|x|), a = 4 / ERB, has the transform
    1 / (1 + (2 pi T / a)^2)^2, so it is (1 + cos(w T) / (1 + (pi T ERB / 2)^2)^2) / 2.
    """
    coherence = 1 / (1 + (np.pi * T * erb_hz(hz) / 2) ** 2) ** 2
    return (1 + np.cos(2 * np.pi * hz * T) * coherence) / 2


def lowest_hz(T: float, count: int) -> list[float]:
    """Where that has its least, about each odd multiple of 1 / (2 T)."""
    found = []
    for odd in 2 * np.arange(count) + 1:
        hz = np.linspace(0.97, 1.03, 20_001) * odd / (2 * T)
        found.append(float(hz[np.argmin(power_of_a_late_copy(hz, T))]))
    return found


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("late_ms", [0.5, 1.0, 1.5])
def test_a_late_copy_folds_to_the_closed_form(rate: int, late_ms: float) -> None:
    """|1 + exp(-j w T)|^2 / 4 under the ear's weights, whose transform is a closed form too."""
    frames = round(late_ms / 1e3 * rate)
    line = np.zeros(rate)
    line[rate // 2] = 1.0
    volts = np.stack((line, late(line, frames)))
    hz, found_db = fold_spectrum_db(volts, rate)
    T = frames / rate
    known_db = 10 * np.log10(power_of_a_late_copy(hz, T))
    heard = hz > 60
    off_db = np.abs(found_db - known_db)[heard].max()
    dips = fold_dips(volts, rate)
    odd = (2 * np.arange(len(dips)) + 1) / (2 * T)
    told = ", ".join(f"{dip.hz:.0f} Hz {dip.db:.1f} dB" for dip in dips)
    print(f"{late_ms} ms at {rate}: within {off_db:.4f} dB; dips {told}; odd/2T {odd.round()}")
    assert off_db < 0.02
    assert len(dips) >= 3
    assert [dip.hz for dip in dips] == pytest.approx(odd, rel=0.005)
    assert [dip.hz for dip in dips] == pytest.approx(lowest_hz(T, len(dips)), rel=0.0005)


def test_what_the_left_alone_takes_has_no_comb() -> None:
    line = noise()[0]
    volts = np.stack((line, late(line, 72)))
    hz, found_db = fold_spectrum_db(volts, RATE, "left")
    assert np.abs(found_db[hz > 60]).max() < 0.3
    assert fold_dips(volts, RATE, "left") == ()


def test_an_echo_is_no_comb() -> None:
    line = noise()[0]
    volts = np.stack((line, late(line, round(0.38 * RATE))))
    assert fold_dips(volts, RATE) == ()


def test_sides_that_sway_in_turn_have_no_comb() -> None:
    """Two tremolos in opposite phases add up to the steady sound: 3/2 of it is in both.

    The side bands between the partials are gone in the fold, which is no dip of the sound.
    """
    partials = sum(np.sin(2 * np.pi * 110 * n * TIME) / n for n in range(1, 20))
    sway = 0.5 * np.cos(2 * np.pi * 5 * TIME)
    volts = np.stack(((0.5 + sway) * partials, (0.5 - sway) * partials))
    loss = fold_loss(volts, RATE)
    print(f"fold {loss.level_db:.4f} dB ({db(2 / 3):.4f}); dips {fold_dips(volts, RATE)}")
    assert loss.level_db == pytest.approx(db(2 / 3), abs=1e-3)
    assert fold_dips(volts, RATE) == ()


def test_bands_without_sound_say_nothing() -> None:
    hz, found_db = fold_spectrum_db(np.stack((SINE, -SINE)), RATE)
    assert np.isnan(found_db[hz > 2000]).all()
    assert found_db[np.argmin(np.abs(hz - 250))] < 10 * LEAST_DIP_DB


def test_the_ears_bandwidth() -> None:
    """Glasberg and Moore, Hearing Research 47 (1990) 103-138: Hz at 100 Hz, 1 and 10 kHz."""
    known = [35.4939, 132.639, 1104.09]
    assert erb_hz(np.array([100.0, 1e3, 1e4])) == pytest.approx(known, abs=0.005)
