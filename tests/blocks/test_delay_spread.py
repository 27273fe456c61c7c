"""Repeats from side to side, in every voice of the delay."""

import numpy as np
import pytest
from pydantic import ValidationError

from simchain.blocks.base import Moment
from simchain.blocks.delay import Delay

every_voice = pytest.mark.parametrize("voice", ["clean", "bucket-brigade", "tape"])


def wet(voice: str, **given: float) -> Delay:
    """A delay, its repeats alone, that runs steadily."""
    still = {"flutter": 0.0} if voice == "tape" else {}
    return Delay.model_validate({"voice": voice, "mix": 1.0, **still, **given})


def bursts(rate: int = 48_000) -> np.ndarray:
    x = np.zeros((1, 2 * rate))
    x[0, :4800] = 0.3 * np.sin(2 * np.pi * 500 * np.arange(4800) / rate) * np.hanning(4800)
    return x


@every_voice
@pytest.mark.parametrize("spread", [0.3, 0.7, 1.0])
def test_repeats_change_sides_at_equal_power(voice: str, spread: float) -> None:
    """Odd repeats stand left, even right: gains 2^(1/2) cos and sin of 45 (1 - spread) degrees."""
    now, given = Moment(48_000), {"time_ms": 250, "feedback": 0.7}
    both = wet(voice, **given, spread=spread, outputs=2).process(bursts(), now)
    mono = wet(voice, **given).process(bursts(), now)[0]
    for k in range(1, 6):
        here = slice(12_000 * k, 12_000 * (k + 1))
        left, right, one = (np.sqrt(np.mean(row[here] ** 2)) for row in (*both, mono))
        near, far = (left, right) if k % 2 else (right, left)
        turn = np.pi / 4 * (1 - spread)
        slack = 1e-9 if voice == "clean" else 0.05
        assert near / one == pytest.approx(np.sqrt(2) * np.cos(turn), rel=slack)
        assert far / one == pytest.approx(np.sqrt(2) * np.sin(turn), abs=slack)


def test_from_side_to_side_and_folded_again() -> None:
    """Practice §2 row 10: folded to their mean, repeats lie 3 to 6 dB lower against the dry."""
    now, given = Moment(48_000), {"time_ms": 250, "feedback": 0.7}
    sides = wet("clean", **given, spread=1, outputs=2).process(bursts(), now).mean(axis=0)
    lower_db = 20 * np.log10(np.std(sides) / np.std(wet("clean", **given).process(bursts(), now)))
    assert lower_db == pytest.approx(-3.0103, abs=1e-4)


@every_voice
def test_a_little_spread_is_nearly_none(voice: str) -> None:
    x, now = np.random.default_rng(2).normal(size=(1, 48_000)), Moment(48_000)
    none = Delay(voice=voice, outputs=2).process(x, now)
    assert np.array_equal(none[0], none[1])
    assert np.array_equal(none[:1], Delay(voice=voice).process(x, now))
    little = Delay(voice=voice, outputs=2, spread=1e-6).process(x, now)
    assert np.abs(little - none).max() < 1e-5


@every_voice
def test_two_inputs_and_spread(voice: str) -> None:
    """Each side's first repeat stays there; at spread 1 the second comes on the other."""
    x = np.concatenate((bursts(), np.zeros((1, 96_000))))
    made = wet(voice, time_ms=250, feedback=0.7, inputs=2, outputs=2, spread=1)
    left, right = made.process(x, Moment(48_000))
    assert np.abs(right[12_000:23_000]).max() == 0.0
    assert np.abs(left[12_000:23_000]).max() > 0.1
    assert np.abs(right[24_000:35_000]).max() > 0.05
    assert np.abs(left[24_500:35_000]).max() < 1e-3


@pytest.mark.parametrize("inputs", [1, 2])
def test_clean_and_spread_is_linear_and_time_invariant(inputs: int) -> None:
    """Superposition and time shift at -200 dB."""
    rng, now = np.random.default_rng(3), Moment(48_000)
    made = Delay(spread=0.6, inputs=inputs, outputs=2, time_ms=30.01, feedback=0.9)
    one, other = rng.normal(size=(2, inputs, 20_000))
    apart = 0.5 * made.process(one, now) - 3 * made.process(other, now)
    assert np.abs(apart - made.process(0.5 * one - 3 * other, now)).max() < 1e-10
    late = np.concatenate((np.zeros((inputs, 777)), one), axis=1)
    shifted = made.process(late, now)
    assert not shifted[:, :777].any()
    assert np.abs(shifted[:, 777:] - made.process(one, now)).max() < 1e-10
    assert made.is_lti()


@pytest.mark.parametrize("inputs", [1, 2])
def test_one_output_has_no_sides(inputs: int) -> None:
    with pytest.raises(ValidationError, match=r"spread = 0\.5 needs outputs = 2"):
        Delay(spread=0.5, inputs=inputs)
