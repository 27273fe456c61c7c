"""What is kept of an ear scores like the ear itself."""

from typing import Any

import numpy as np
import pytest

from simchain import clips
from simchain.decide.difference import Difference
from simchain.decide.ear import Ear
from simchain.decide.kept_ear import KeptEar, lines_of, row_bytes, row_of
from simchain.decide.match import UNLIKE
from simchain.decide.score import Score, scored
from simchain.signal import read_clip

RATE = 48_000
SPL = 75.0
# Rows are float32: a level of 60 dB is kept to 4e-6 dB, which is 1e-5 of the score's 0.3 dB. Found:
# 6e-7 at most on
# these pairs, 2e-6 for silence against sound.
TOLERANCE = 1e-5


def struck(seed: int, seconds: float, channels: int = 1, rate: int = RATE) -> np.ndarray:
    """Noise that is struck four times a second."""
    frames = round(seconds * rate)
    noise = np.random.default_rng(seed).standard_normal((channels, frames))
    return 0.1 * noise * np.exp(-6.0 * (np.arange(frames) / rate % 0.25))


def kept(ear: Ear) -> KeptEar:
    row = row_of(ear)
    channels = len(ear.heard(gated=ear.gated()))
    assert row.dtype == np.float32
    assert row.nbytes == channels * row_bytes(ear.length, ear.rate)
    lines = lines_of(row, channels)
    lufs = 0.0
    return KeptEar(ear.rate, SPL, ear.length, ear.gated(), ear.width, lufs, lines)


def both_ways(a: list[np.ndarray], b: list[np.ndarray], **more: Any) -> tuple[Score, Score]:
    """Score takes of two sounds by ears, and by what was kept of them."""
    rate = more.pop("rate", RATE)
    plain = Difference(0.0, UNLIKE.null_db, 0.0, 0.0, np.zeros(0))
    ears = [[Ear(take, rate, SPL) for take in takes] for takes in (a, b)]
    found = (
        scored(*ears, plain, **more),
        scored(*([kept(ear) for ear in takes] for takes in ears), plain, **more),
    )
    print(f"S {found[0].score:.6f} by {found[0].decided_by}, off {found[1].score - found[0].score}")
    return found


def assert_alike(found: tuple[Score, Score]) -> None:
    by_ear, by_row = found
    assert by_row.score == pytest.approx(by_ear.score, abs=TOLERANCE)
    assert by_row.decided_by == by_ear.decided_by
    assert by_row.verdict == by_ear.verdict
    for name in ("distribution_db", "movement_db", "event_phon", "max_erb_change_db"):
        assert getattr(by_row, name) == pytest.approx(getattr(by_ear, name), abs=TOLERANCE), name
    assert by_row.max_erb_change_hz == by_ear.max_erb_change_hz


@pytest.mark.parametrize("rate", [24_000, 48_000])
@pytest.mark.parametrize("channels", [(1, 1), (2, 2), (1, 2)])
@pytest.mark.parametrize("seconds", [1.5, 0.2], ids=["gated", "too short for a gate"])
def test_a_row_scores_like_the_ear(channels: tuple[int, int], seconds: float, rate: int) -> None:
    a, b = (
        struck(seed, seconds, count, rate) for seed, count in zip((1, 2), channels, strict=True)
    )
    assert Ear(a, rate).gated() == (seconds >= 0.4)
    assert_alike(both_ways([a], [b], rate=rate))
    near = a + 0.05 * struck(3, seconds, 1, rate)
    assert_alike(both_ways([a], [near], rate=rate))


@pytest.mark.parametrize("clip", ["riff", "arpeggio"])
def test_a_row_of_music_scores_like_the_ear(clip: str) -> None:
    a = read_clip(clips.path(clip)).volts[:, : 2 * RATE]
    by_ear, by_row = both_ways([a], [np.tanh(4.0 * a / np.abs(a).max())])
    assert by_ear.score > 0.1
    assert_alike((by_ear, by_row))


def test_takes_count_as_they_do_with_ears() -> None:
    a, b = ([struck(seed, 1.0) for seed in seeds] for seeds in ((1, 2, 3), (4, 5, 6)))
    by_takes = both_ways(a, b)
    assert_alike(by_takes)
    assert by_takes[1].score < both_ways(a[:1], b[:1])[1].score


def test_silence_is_kept() -> None:
    assert_alike(both_ways([np.zeros((1, RATE))], [struck(1, 1.0)]))


def test_what_was_not_heard_is_refused() -> None:
    one = kept(Ear(struck(1, 1.0), RATE, SPL))
    assert one.gated()
    assert one.heard(length=one.length) == one.lines
    with pytest.raises(ValueError, match="48000 samples from its start"):
        one.heard(start=1)
    with pytest.raises(ValueError, match="48000 samples from its start"):
        one.gated(length=one.length + 1)
