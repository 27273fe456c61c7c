"""The score as a whole: words, thresholds, signs, odd sounds. judging.md §4: test_must_hold.py."""

import dataclasses
import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, sosfilt

from simchain.board.wishes import Judging
from simchain.decide.difference import Difference, difference
from simchain.decide.ear import Ear
from simchain.decide.score import PARTS, Score, scored
from simchain.measure.excitation import CENTRES_HZ, LONG_FRAME_S, excitation, internal_noise_db
from simchain.signal import Signal, resampled

RATE = 48_000


def sound(seed: int = 0, channels: int = 1, seconds: float = 1.0, rate: int = RATE) -> np.ndarray:
    """Coloured noise struck four times a second."""
    frames = round(seconds * rate)
    noise = np.random.default_rng(seed).standard_normal((channels, frames))
    low = sosfilt(butter(1, 400.0, fs=rate, output="sos"), noise, axis=1)
    return 0.3 * low * np.exp(-6.0 * (np.arange(frames) / rate % 0.25))


def brighter(a: np.ndarray, part: float, rate: int = RATE) -> np.ndarray:
    return a + part * sosfilt(butter(1, 2000.0, "highpass", fs=rate, output="sos"), a, axis=1)


def score(
    a: np.ndarray,
    b: np.ndarray,
    rate: int = RATE,
    judging: Judging | None = None,
    dirt_db: float = 0.0,
) -> Score:
    facts = difference(a, b, rate)
    return scored([Ear(a, rate)], [Ear(b, rate)], facts, judging=judging, dirt_db=dirt_db)


def made_up(**changes: float) -> Difference:
    """Facts of a pair that is not the same."""
    facts = {"trim_lu": 0.0, "null_db": -20.0, "max_band_change_db": 0.0, "max_band_hz": 1e3}
    return Difference(**(facts | changes), band_change_db=np.zeros(30))


def by_dirt(value: float, judging: Judging | None = None, **changes: float) -> Score:
    ear = Ear(sound(), RATE)
    facts = made_up(**changes)
    return scored([ear], [ear], facts, dirt_db=3.0 * value, judging=judging)


# Words.


@pytest.mark.parametrize(
    ("value", "verdict", "borderline"),
    [
        (0.0, "free", False),
        (0.79, "free", False),
        (0.81, "free", True),
        (0.999, "free", True),
        (1.0, "subtle", True),
        (1.24, "subtle", True),
        (1.26, "subtle", False),
        (3.59, "subtle", False),
        (3.61, "subtle", True),
        (4.499, "subtle", True),
        (4.501, "clear", True),
        (5.6, "clear", True),
        (5.7, "clear", False),
        (100.0, "clear", False),
    ],
)
def test_the_words(value: float, verdict: str, borderline: bool) -> None:
    found = by_dirt(value)
    assert (found.verdict, found.borderline) == (verdict, borderline)
    assert found.score == pytest.approx(value)
    assert value == 0 or found.decided_by == "dirt"


def test_same_needs_a_deep_null_and_no_trim() -> None:
    assert by_dirt(0.0, null_db=-80.0).verdict == "same"
    assert by_dirt(0.0, null_db=-79.9).verdict == "free"
    assert by_dirt(0.0, null_db=-300.0, trim_lu=0.1).verdict == "same"
    assert by_dirt(0.0, null_db=-300.0, trim_lu=-0.11).verdict == "free"
    assert not by_dirt(0.9, null_db=-300.0).borderline


def test_thresholds_are_settings() -> None:
    strict = Judging(free_below=0.5, clear_above=2.0, same_null_db=-100, same_trim_lu=0.0)
    assert by_dirt(0.6, strict).verdict == "subtle"
    assert by_dirt(0.6, strict).borderline
    assert by_dirt(2.4, strict).verdict == "clear"
    assert by_dirt(0.0, strict, null_db=-90.0).verdict == "free"
    assert by_dirt(0.0, strict, null_db=-110.0, trim_lu=0.01).verdict == "free"


def test_a_narrow_band_is_never_free() -> None:
    """A notch where there is little to hear pools away among all the other bands."""
    a = sosfilt(butter(1, 700.0, fs=RATE, output="sos"), sound(seconds=4.0), axis=1)
    notch = butter(1, [6250.0, 6750.0], "bandstop", fs=RATE, output="sos")
    found = score(a, sosfilt(notch, a, axis=1))
    print(f"score {found.score:.2f}, {found.max_erb_change_db:.1f} dB over 2 ERB")
    assert found.score < 1.0
    assert found.max_erb_change_db > 1.5
    assert found.max_erb_change_hz == pytest.approx(6500, rel=0.05)
    assert (found.verdict, found.raised_by_band) == ("subtle", True)


def beside_a_band(
    low_hz: float, high_hz: float, above_noise_db: float, spl: float
) -> tuple[np.ndarray, np.ndarray]:
    """A struck sound up to 2 kHz that plays at `spl`, and hiss struck with it in one band, which at
    its loudest place lies so far above the ear's own noise (means over time)."""
    struck = sosfilt(butter(12, 2000.0, fs=RATE, output="sos"), sound(seconds=3.0), axis=1)
    band = butter(4, [low_hz, high_hz], "bandpass", fs=RATE, output="sos")
    hiss = sosfilt(band, sound(9, seconds=3.0), axis=1)
    played = Ear(struck, RATE, spl).gain * hiss[0]
    level_db = 10 * np.log10(excitation(played, RATE, LONG_FRAME_S).mean(axis=0))
    over_db = (level_db - internal_noise_db(CENTRES_HZ)).max()
    return struck, hiss * 10 ** ((above_noise_db - over_db) / 20)


def at_level(a: np.ndarray, b: np.ndarray, spl: float) -> Score:
    return scored([Ear(a, RATE, spl)], [Ear(b, RATE, spl)], difference(a, b, RATE))


def test_a_band_that_is_heard_is_never_free() -> None:
    """3 dB more or less in 2 ERB that are clearly audible, however much louder the rest plays: at
    90 dB SPL such a band may have a thirtieth of the loudest one's loudness, and pools away."""
    raised = []
    for spl, band, above_noise_db, db in itertools.product(
        (60.0, 75.0, 90.0), ((5700, 7300), (9000, 11_500)), (20.0, 30.0), (-3.0, 3.0)
    ):
        struck, hiss = beside_a_band(*band, above_noise_db, spl)
        found = at_level(struck + hiss, struck + 10 ** (db / 20) * hiss, spl)
        print(
            f"{spl:g} dB SPL, {band} Hz, {above_noise_db:g} dB above the ear's noise, {db:+g} dB:"
        )
        print(f"   score {found.score:.2f}, {found.max_erb_change_db:.2f} dB over 2 ERB")
        assert found.verdict in ("subtle", "clear")
        assert found.max_erb_change_db > 1.5
        assert found.raised_by_band == (found.score < 1.0)
        raised.append(found.raised_by_band)
    assert any(raised)


@pytest.mark.parametrize("spl", [60.0, 75.0, 90.0])
@pytest.mark.parametrize("above_noise_db", [-5.0, 5.0])
def test_a_band_that_is_hardly_heard_raises_no_word(spl: float, above_noise_db: float) -> None:
    """8 to 14 kHz, 5 dB under the ear's own noise, and 5 dB above: 3 dB more or less there, or
    nothing at all."""
    struck, hiss = beside_a_band(8000, 14_000, above_noise_db, spl)
    for share in (0.0, 10**-0.15, 10**0.15):
        found = at_level(struck + hiss, struck + share * hiss, spl)
        print(f"x {share:.2f}: score {found.score:.2f}, {found.max_erb_change_db:.2f} dB")
        assert not found.raised_by_band
        assert found.max_erb_change_db < 0.5
        if above_noise_db < 0:
            assert found.verdict in ("same", "free")


def test_the_part_that_decides_is_named() -> None:
    a = sound(seconds=3.0)
    assert score(a, brighter(a, 0.5)).decided_by == "distribution"
    click = a.copy()
    click[0, 60_000] += 0.5
    assert score(a, click).decided_by == "event"
    times = np.arange(a.shape[1]) / RATE
    hum = 0.1 * np.sin(2 * math.pi * 200 * times)[None]
    slow, fast = (hum * (1 + 0.4 * np.sin(2 * math.pi * hz * times)) for hz in (2.0, 8.0))
    assert score(slow, fast).decided_by == "movement"
    assert score(a, brighter(a, 0.1), dirt_db=20.0).decided_by == "dirt"
    both, against = np.concatenate((a, a)), np.concatenate((a, -a))
    assert score(both, against).decided_by == "width"
    assert PARTS == ("distribution", "movement", "event", "dirt", "width")


# Signs and channels.


@settings(max_examples=12, deadline=None)
@given(
    st.integers(0, 1000),
    st.sampled_from([1, 2]),
    st.floats(-20.0, 20.0),
    st.integers(-900, 900),
    st.floats(0.0, 2.0),
    st.sampled_from([44_100, 48_000, 96_000]),
)
def test_the_same_both_ways(
    seed: int, channels: int, gain_db: float, late: int, part: float, rate: int
) -> None:
    """Everything, to the last digit but one of the sums."""
    a = np.pad(sound(seed, channels, 0.6, rate), ((0, 0), (1000, 1000)))
    b = 10 ** (gain_db / 20) * np.roll(brighter(a, part, rate), late, axis=1)
    there, back = (dataclasses.asdict(found) for found in (score(a, b, rate), score(b, a, rate)))
    for name, value in there.items():
        if isinstance(value, float):
            assert back[name] == pytest.approx(value, rel=1e-6, abs=1e-6), name
        elif there["score"] > 1e-6:
            assert back[name] == value, name


def test_takes_the_same_both_ways() -> None:
    a = [Ear(sound(k, seconds=0.6), RATE) for k in range(3)]
    b = [Ear(brighter(sound(k + 5, seconds=0.6), 0.3), RATE) for k in range(3)]
    facts = difference(a[0].samples, b[0].samples, RATE)
    back = difference(b[0].samples, a[0].samples, RATE)
    there, again = scored(a, b, facts), scored(b, a, back)
    assert there == dataclasses.replace(again, score=there.score)
    assert there.score == pytest.approx(again.score, rel=1e-12)


def test_the_worse_channel_decides() -> None:
    """What is done to one channel reads as if it were done to a sound of that channel alone."""
    a = sound(1, channels=2, seconds=2.0)
    a[1] *= math.sqrt(np.mean(a[0] ** 2) / np.mean(a[1] ** 2))
    b = a.copy()
    b[1] = brighter(a, 0.5)[1]
    found = score(a, b)
    assert found.verdict != "free"
    assert score(a[::-1], b[::-1]) == found
    alone = score(a[1:], b[1:])
    assert found.distribution_db == pytest.approx(alone.distribution_db, rel=0.35)


def test_mono_against_stereo() -> None:
    a = sound(2, seconds=1.5)
    pair = np.concatenate((a, a))
    assert score(a, pair).verdict == "same"
    wide = np.concatenate((a, brighter(a, 0.8)))
    assert score(a, wide) == score(pair, wide)
    assert score(a, wide).verdict != "free"


def pair_of(wide: float, frames: int = 3 * RATE) -> np.ndarray:
    """Two channels whose side has the share `wide` of the energy: M and S are two noises at right
    angles, of powers 1 - w and w; L and R are their sum and difference."""
    mid, side = np.linalg.qr(np.random.default_rng(8).standard_normal((frames, 2)))[0].T
    mid, side = 20.0 * math.sqrt(1.0 - wide) * mid, 20.0 * math.sqrt(wide) * side
    return np.stack((mid + side, mid - side))


@pytest.mark.parametrize(("wide", "score_is"), [(0.5, 10.0), (0.04, 0.8), (0.06, 1.2), (1.0, 20.0)])
def test_width_counts_in_shares_of_the_energy(wide: float, score_is: float) -> None:
    """In units of 0.05; against one channel, and against two that are alike."""
    pair = pair_of(wide)
    for mono in (pair_of(0.0), pair_of(0.0)[:1]):
        found, back = score(mono, pair), score(pair, mono)
        print(f"width {wide}: {found}")
        assert found.width_share == pytest.approx(wide, abs=1e-9)
        assert found.score == pytest.approx(score_is, abs=1e-6)
        assert found.decided_by == "width"
        expected = "free" if score_is < 1.0 else "subtle" if score_is < 4.5 else "clear"
        assert found.verdict == expected
        assert (back.width_share, back.score) == pytest.approx((wide, score_is), abs=1e-6)


def test_one_channel_is_as_wide_as_two_equal_ones() -> None:
    mono = pair_of(0.0)
    assert score(mono[:1], mono).width_share == 0.0
    assert score(mono[:1], mono).score == 0.0
    assert score(pair_of(0.3), pair_of(0.3)[::-1]).width_share == pytest.approx(0.0, abs=1e-12)


def test_width_is_the_mean_of_the_takes() -> None:
    """0.1 and 0.5 against 0.2 throughout: 0.1 apart, whatever single takes are."""
    swaying, steady = [Ear(pair_of(wide), RATE) for wide in (0.1, 0.5)], Ear(pair_of(0.2), RATE)
    for a, b in ((swaying, [steady]), ([steady] * 2, swaying)):
        assert scored(a, b, made_up()).width_share == pytest.approx(0.1, abs=1e-9)


def test_the_rate_does_not_matter() -> None:
    """The same two sounds at 44.1, 48 and 96 kHz: frames as long in time, bands the same."""
    a = Signal(sound(3, seconds=2.0), RATE)
    b = Signal(brighter(a.volts, 0.6), RATE)
    scores = {}
    for rate in (44_100, 48_000, 96_000):
        scores[rate] = score(resampled(a, rate).volts, resampled(b, rate).volts, rate).score
    print(scores)
    assert scores[44_100] == pytest.approx(scores[48_000], rel=0.02)
    assert scores[96_000] == pytest.approx(scores[48_000], rel=0.005)


# Odd sounds.


def test_silence_against_silence_is_the_same() -> None:
    for frames in (0, 1, 48_000):
        found = score(np.zeros((1, frames)), np.zeros((2, frames)))
        assert (found.verdict, found.score) == ("same", 0.0)


@pytest.mark.parametrize("gain", [1.0, 1e-9])
@pytest.mark.parametrize("frames", [48_000, 2_000, 10])
def test_silence_against_sound_is_clear(gain: float, frames: int) -> None:
    a = gain * sound()[:, :frames]
    for there in (score(a, 0 * a), score(0 * a, a)):
        assert (there.verdict, there.score, there.borderline) == ("clear", math.inf, False)
        assert math.isfinite(there.distribution_db)


@pytest.mark.parametrize("frames", [1, 2, 480, 2048, 19_199])
def test_under_400_ms_sounds_are_judged_by_rms(frames: int) -> None:
    a = sound(seconds=0.5)[:, :frames]
    for b in (a.copy(), -3.0 * a):
        found = score(a, b)
        assert found.score < 0.01
        assert found.verdict == ("same" if np.array_equal(a, b) else "free")


def test_a_short_sound_that_differs_is_not_free() -> None:
    a = sound(seconds=0.3)
    assert score(a, brighter(a, 1.0)).verdict != "free"


def test_a_short_sound_against_a_long_one() -> None:
    """By itself the short one has no integrated loudness; with silence after it, it has."""
    a = sound(seconds=2.0)
    found, back = score(a, a[:, :12_000]), score(a[:, :12_000], a)
    assert found.verdict == back.verdict == "clear"
    assert found.score == pytest.approx(back.score)


def test_the_shorter_is_silent_after_its_end() -> None:
    a = np.pad(sound(seconds=2.0), ((0, 0), (0, 24_000)))
    assert score(a, a[:, :-12_345]).verdict == "same"
    cut = score(a, a[:, :72_000])
    padded = a.copy()
    padded[:, 72_000:] = 0.0
    assert cut == score(a, padded)
    assert cut.verdict == "clear"


def test_sounds_under_the_absolute_gate() -> None:
    a = 1e-5 * sound(seconds=2.0)
    assert score(a, 2.0 * a).score < 0.01
    found, loud = score(a, brighter(a, 0.5)), score(1e5 * a, brighter(1e5 * a, 0.5))
    assert found.score == pytest.approx(loud.score, rel=0.1)


# Takes.


def test_takes_must_go_together() -> None:
    ear = Ear(sound(), RATE)
    facts = made_up()
    with pytest.raises(ValueError, match="2, 3"):
        scored([ear] * 2, [ear] * 3, facts)
    with pytest.raises(ValueError, match="0, 1"):
        scored([], [ear], facts)
    with pytest.raises(ValueError, match="one listening level"):
        scored([ear], [Ear(sound(), RATE, 60.0)], facts)
    with pytest.raises(ValueError, match="one rate"):
        scored([ear], [Ear(sound(), 44_100)], facts)


def test_one_take_stands_for_all() -> None:
    a, b = Ear(sound(), RATE), Ear(brighter(sound(), 0.4), RATE)
    facts = difference(a.samples, b.samples, RATE)
    once, often = scored([a], [b], facts), scored([a], [b] * 4, facts)
    for name, value in dataclasses.asdict(once).items():
        other = getattr(often, name)
        assert other == (pytest.approx(value) if isinstance(value, float) else value), name


def test_features_are_worked_out_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four orders: four times the features, not twelve."""
    import simchain.decide.ear as module

    counted, original = [], module._heard
    monkeypatch.setattr(module, "_heard", lambda *args: counted.append(1) or original(*args))
    ears = [Ear(brighter(sound(), k / 4), RATE) for k in range(4)]
    for a in ears:
        for b in ears:
            if a is not b:
                scored([a], [b], made_up())
    assert len(counted) == 4
