"""Dirt of tones: closed forms."""

import math

import numpy as np
import pytest

from simchain.decide.dirt import (
    TONES_HZ,
    more_dirt_db,
    residual_share,
    tone_peaks,
)
from simchain.measure.excitation import ear_weight_db
from simchain.signal import tone

RATES = [44_100, 48_000, 96_000]


def weight(hz: float) -> float:
    return float(10 ** (ear_weight_db(np.array(hz)) / 10))


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("hz", TONES_HZ)
def test_a_clean_tone_has_none(rate: int, hz: int) -> None:
    for volts in (1e-3, 5.0):
        assert residual_share(tone(hz, volts, 2 * rate, rate), rate, hz) < 1e-20


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("hz", TONES_HZ)
def test_a_harmonic_counts_by_its_power_and_the_ear(rate: int, hz: int) -> None:
    """Within what the ear weight bends over the 3 Hz that a tone fills."""
    for order, part in ((2, 0.1), (3, 0.01), (7, 0.3)):
        output = tone(hz, 1.0, rate, rate) + tone(order * hz, part, rate, rate)
        harmonic = part**2 * weight(order * hz)
        expected = harmonic / (harmonic + weight(hz))
        assert residual_share(output, rate, hz) == pytest.approx(expected, rel=1e-4)


def test_a_cubic_in_closed_form() -> None:
    """x - k x^3 of a sine of peak 1: (1 - 3k/4) sin + k/4 sin of three times."""
    k, rate, hz = 0.2, 48_000, 220
    wave = tone(hz, 1.0, rate, rate)
    third, first = (k / 4) ** 2 * weight(3 * hz), (1 - 3 * k / 4) ** 2 * weight(hz)
    found = residual_share(wave - k * wave**3, rate, hz)
    assert found == pytest.approx(third / (third + first), rel=1e-4)


def test_dc_and_what_came_before_the_last_second_do_not_count() -> None:
    rate = 48_000
    output = np.concatenate((np.ones((1, rate)), 3.0 + tone(108, 1.0, rate, rate)), axis=1)
    assert residual_share(output, rate, 108) < 1e-20


def test_the_dirtier_channel_counts_and_silence_has_none() -> None:
    rate = 48_000
    clean = tone(220, 1.0, rate, rate)
    dirty = clean + tone(660, 0.1, rate, rate)
    both = residual_share(np.concatenate((clean, dirty)), rate, 220)
    assert both == residual_share(dirty, rate, 220)
    assert residual_share(np.zeros((2, rate)), rate, 220) == 0.0


def test_less_than_a_second_is_refused() -> None:
    with pytest.raises(ValueError, match="48000 frames"):
        residual_share(np.zeros((1, 47_999)), 48_000, 220)


def test_the_difference_of_two_chains() -> None:
    """10 log10 of the ratio; what is under 10^-3.5 of the power counts for little; one sign."""
    assert more_dirt_db([0.0] * 9, [0.0] * 9) == 0.0
    assert more_dirt_db([0.01] * 9, [0.1] * 9) == pytest.approx(
        10 * math.log10((0.1 + 10**-3.5) / (0.01 + 10**-3.5))
    )
    assert more_dirt_db([0.1, 0.3], [0.0, 0.02]) == -more_dirt_db([0.0, 0.02], [0.3, 0.1])
    assert 0.0 < more_dirt_db([0.0], [10**-5.5]) < 0.05


def test_peaks_of_a_clip() -> None:
    """A hundred pieces of 10 ms with peaks 1 to 100 mV, in any order, in either channel."""
    rate = 48_000
    peaks = np.random.default_rng(0).permutation(np.arange(1, 101) / 1000)
    clip = np.zeros((2, rate))
    clip[np.arange(100) % 2, np.arange(100) * 480 + 17] = -peaks
    expected = np.quantile(np.arange(1, 101) / 1000, (0.5, 0.9, 0.99))
    assert tone_peaks(clip, rate) == pytest.approx(tuple(expected))
    assert tone_peaks(np.zeros((1, 0)), rate) == (0.0, 0.0, 0.0)
    assert tone_peaks(np.full((1, 5), 0.2), rate) == pytest.approx((0.2, 0.2, 0.2))
