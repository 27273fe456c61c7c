"""Each cause by itself: how much single changes leak into the others (judging.md §3); and what the
numbers are, by theory.

Medians over the project's clips. The table was made with a trial's clips, reverb and delay. Where
the change is told well enough to be made again, sizes are asserted within 15 or 25 % of it. Of the
tails only this: longer by half, within a third; 3 dB more or less of what is wet, between three
quarters of the table's figure and the 3 dB themselves, which no floor and no programme hides here.
Leaks are asserted below what judging.md §4, 10 allows. Noise is off but in its own probe, as it is
where a board is judged.
"""

import math
from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest

from simchain import clips
from simchain.decide.causes import (
    CAUSES,
    Cause,
    Character,
    causes,
    hiss_db,
    movement_of,
    tail_of,
    tone_change,
    touch_of,
    width_of,
)
from simchain.decide.difference import difference
from simchain.decide.dirt import more_dirt_db
from simchain.decide.ear import Ear, Heard
from simchain.measure.excitation import BANDS, CENTRES_HZ, ear_weight_db, frames_in
from simchain.measure.tail import GROUPS, moments_of
from tests.decide.test_must_hold_swaps import louder_mix, mix_changed
from tests.references.graded_pairs import (
    BEFORE_S,
    RATE,
    REVERB,
    TAKES,
    Chain,
    Sound,
    filtered,
    in_silence,
    played,
    shares,
    shelf,
    soft_clip,
    through,
)

LEAK_CEILINGS = {
    "tone": 0.3, "dirt": 0.5, "noise": 0.5, "tail": 0.2, "movement": 0.1, "touch": 0.5,
}  # fmt: skip


class Side(NamedTuple):
    """One sound: as it comes (takes), dry and still, still, silent with noise; what bends tones."""

    live: list[Sound]
    dry: Sound
    held: Sound
    quiet: Sound
    bends: Callable[[Sound], Sound]


def plain(sound: Sound, dry: Sound | None = None) -> Side:
    calm = sound if dry is None else dry
    return Side([sound], calm, calm, np.zeros((1, RATE)), lambda wave: wave)


def character(name: str, side: Side) -> Character:
    """What `decide.character` does, for sounds that no board made."""
    ends = round(BEFORE_S * RATE) + played(name).shape[1]
    clip = in_silence(played(name))
    moments = moments_of(clip, RATE, frames_in(clip.shape[1], RATE))
    ears = [Ear(take, RATE) for take in side.live]
    return Character(
        tone=Ear(side.dry, RATE).heard(),
        touch_lu=touch_of(side.dry[:, :ends], RATE),
        movement_db=movement_of(ears, Ear(side.held, RATE)) if len(ears) > 1 else 0.0,
        tail_db=tail_of(side.live[0], side.dry, RATE, moments),
        noise_db=hiss_db(side.quiet, RATE, ears[0].gain),
        width_db=width_of(side.live[0]),
    )


def found(name: str, a: Side, b: Side) -> dict[str, float]:
    trim_lu = difference(a.live[0], b.live[0], RATE).trim_lu
    dirt = more_dirt_db(shares(name, a.bends), shares(name, b.bends))
    one, other = character(name, a), character(name, b)
    told = causes(one, other, trim_lu=trim_lu, more_dirt_db=dirt)
    return {cause: abs(told[cause].difference or 0.0) for cause in CAUSES}


def swaying(sound: Sound, depth: float) -> Side:
    def made(turn: float = 0.0, **still: float) -> Sound:
        chain: Chain = [("modulation", {"shape": "tremolo", "depth": depth, **still})]
        return through(sound, chain, turn=turn)

    held = made(rate_hz=0.0)
    return plain(held)._replace(live=[made(k / TAKES) for k in range(TAKES)], held=held)


def sides(name: str, change: str) -> tuple[Side, Side]:
    sound = in_silence(played(name))
    room = through(sound, REVERB)

    def other(*chain: tuple[str, dict[str, float]]) -> Side:
        return plain(through(sound, list(chain)), sound)

    if change.startswith("soft clip"):
        bent, clipper = soft_clip(played(name), float(change.split()[2]) / 100.0)
        return plain(sound), plain(in_silence(bent))._replace(bends=clipper)
    if change == "noise at -50 dB":
        level = math.sqrt(np.mean(played(name) ** 2)) * 10 ** (-50 / 20)
        under = level * np.random.default_rng(1).standard_normal((1, RATE))
        return plain(sound), plain(sound)._replace(quiet=under)
    if change == "tremolo depth .6 to .7":
        return swaying(sound, 0.6), swaying(sound, 0.7)
    pairs = {
        "level +3 dB": (plain(sound), plain(10 ** (3 / 20) * sound)),
        "shelf +2 dB": (plain(sound), plain(filtered(shelf(1000, 0.707, 2))(sound))),
        "T60 +50 %": (plain(room, sound), other(("reverb", {"decay_s": 2.7}))),
        "reverb mix +3 dB": (plain(room, sound), other(("reverb", {"mix": louder_mix(3)}))),
        "repeats -3 dB": (other(("delay", {})), other(("delay", {"mix": mix_changed(0.25, -3)}))),
    }
    return pairs[change]


# Clipping that leaves 10 % beside the tone rounds off the loudest notes by 1 LU: that is evenness
# and tone, and no leak (judging.md excepts the tone).
BY_NATURE = {("soft clip 10 %", "tone"), ("soft clip 10 %", "touch")}


@pytest.mark.parametrize(
    ("change", "cause", "low", "high"),
    [
        ("level +3 dB", "level", 2.99, 3.01),
        ("shelf +2 dB", "tone", 0.85 * 0.85, 0.85 * 1.15),
        pytest.param("soft clip 3 %", "dirt", 8.9 * 0.75, 8.9 * 1.25, marks=pytest.mark.soak),
        ("soft clip 10 %", "dirt", 18.8 * 0.75, 18.8 * 1.25),
        ("noise at -50 dB", "noise", 11.3 * 0.75, 11.3 * 1.25),
        ("T60 +50 %", "tail", 4.4 * 0.67, 4.4 * 1.33),
        ("reverb mix +3 dB", "tail", 1.15 * 0.75, 3.0),
        ("repeats -3 dB", "tail", 1.60 * 0.75, 3.0),
        pytest.param(
            "tremolo depth .6 to .7", "movement", 0.75 * 0.75, 0.75 * 1.25, marks=pytest.mark.soak
        ),
    ],
)
def test_a_single_cause_is_told_and_leaks_little(
    change: str, cause: str, low: float, high: float
) -> None:
    each = [found(name, *sides(name, change)) for name in clips.names()]
    row = {name: float(np.median([one[name] for one in each])) for name in CAUSES}
    print(f"{change}: " + ", ".join(f"{name} {value:.2f}" for name, value in row.items()))
    assert low <= row[cause] <= high
    for other, ceiling in LEAK_CEILINGS.items():
        if other != cause and (change, other) not in BY_NATURE:
            assert row[other] < ceiling


def white_hiss_db(density: float) -> float:
    """What white noise of so many (20 µPa)^2 / Hz is above the ear's own noise, by integrals.

    The ear weight and internal noise of BS.1387-1 and the filters of Glasberg and Moore (1990),
    typed in once more; the mean weighted by N^0.23 ((1 + E / N)^0.23 - 1).
    """

    def erb_number(hz: float) -> float:
        return 21.4 * math.log10(0.00437 * hz + 1.0)

    hz = np.arange(1.0, 20_000.0)
    khz = hz / 1000.0
    weight_db = -2.184 * khz**-0.8 + 6.5 * np.exp(-0.6 * (khz - 3.3) ** 2) - 0.001 * khz**3.6
    found, total, number = 0.0, 0.0, erb_number(60.0)
    while number < erb_number(14_000.0):
        centre = (10.0 ** (number / 21.4) - 1.0) / 0.00437
        reach = 4.0 * np.abs(hz - centre) / (24.7 * (0.00437 * centre + 1.0))
        through = (1.0 + reach) * np.exp(-reach) * 10.0 ** (weight_db / 10.0)
        own = 10.0 ** (1.456 * (centre / 1000.0) ** -0.8 / 10.0)
        over = 1.0 + density * float(through.sum()) / own
        loudness = own**0.23 * (over**0.23 - 1.0)
        found += loudness * 10.0 * math.log10(over)
        total += loudness
        number += 0.5
    return found / total


@pytest.mark.parametrize("level_db", [-10.0, 10.0, 30.0, 60.0])
def test_hiss_against_integrals(level_db: float) -> None:
    """White noise, its level over all of 24 kHz; played by a gain of 10 times."""
    noise = np.random.default_rng(2).standard_normal((1, 600_000))
    volts = 10.0 ** (level_db / 20.0) / 10.0 * noise
    expected = white_hiss_db(10.0 ** (level_db / 10.0) / 24_000.0)
    found = hiss_db(volts, RATE, 10.0)
    print(f"hiss of {level_db} dB SPL: {found:.3f}, expected {expected:.3f} dB")
    assert found == pytest.approx(expected, rel=0.01, abs=0.02)
    for two in ((0.1 * volts, volts), (volts, 0.1 * volts)):
        assert hiss_db(np.concatenate(two), RATE, 10.0) == found, "the louder channel"
    assert hiss_db(np.concatenate((volts, volts)), RATE, 10.0) == found


def test_silence_does_not_hiss() -> None:
    assert hiss_db(np.zeros((2, RATE)), RATE, 1e6) == 0.0


@pytest.mark.parametrize(
    ("sides", "expected"),
    [
        (((1.0, 0.0), (1.0, 0.0)), -40.0),
        (((1.0, 0.0), (0.0, 1.0)), 0.0),
        (((1.0, 0.0), (0.0, 0.0)), 0.0),
        (((1.0, 0.0), (-1.0, 0.0)), 40.0),
        (((1.0, 0.1), (1.0, -0.1)), -20.0),
        (((0.1, 1.0), (0.1, -1.0)), 20.0),
        (((1.0, 1e-3), (1.0, -1e-3)), -40.0),
    ],
)
def test_width_is_side_over_mid(
    sides: tuple[tuple[float, float], tuple[float, float]], expected: float
) -> None:
    """Left and right of two independent noises: their sum and difference, by hand."""
    noises = np.linalg.qr(np.random.default_rng(3).standard_normal((RATE, 2)))[0].T
    assert width_of(np.array(sides) @ noises) == pytest.approx(expected, abs=1e-9)
    assert math.isnan(width_of(np.zeros((2, 9))))


def stairs(*levels_db: float, each_s: float = 4.0) -> Sound:
    t = np.arange(round(each_s * RATE)) / RATE
    return np.concatenate([10 ** (db / 20) * np.sin(2000 * np.pi * t) for db in levels_db])[None]


@pytest.mark.parametrize(
    ("levels_db", "expected"),
    [
        ((0.0, 0.0), 0.0),
        ((-6.0, 0.0), 6.0),
        # A rest is left out, whether silence or 25 dB down; what is 18 dB down is a soft note.
        ((0.0, -25.0, -6.0), 6.0),
        ((0.0, -300.0, -6.0), 6.0),
        ((0.0, -18.0, 0.0), 18.0),
    ],
)
def test_touch_of_stairs(levels_db: tuple[float, ...], expected: float) -> None:
    """Windows that hang over a step are less than a tenth of all, and so decide nothing."""
    sound = stairs(*levels_db)
    assert touch_of(sound, RATE) == pytest.approx(expected, abs=0.1)
    assert touch_of(0.01 * sound, RATE) == pytest.approx(expected, abs=0.1)


def test_touch_is_of_the_90_and_10_percent_quantiles() -> None:
    """A ramp of 10 dB in 20 s, in dB: a straight line, of which four fifths are left."""
    t = np.arange(20 * RATE) / RATE
    ramp = 10 ** ((0.5 * t - 10.0) / 20.0) * np.sin(2000 * np.pi * t)
    windows_db = 0.5 * 19.6
    assert touch_of(ramp[None], RATE) == pytest.approx(0.8 * windows_db, abs=0.02)


def heard(change_db: float | np.ndarray = 0.0, loudness: float | np.ndarray = 1.0) -> Heard:
    """What has 40 dB in all bands, and the change; the rest does not matter."""
    other = Ear(stairs(0.0, each_s=0.5), RATE).heard()[0]
    level_db, weights = (np.broadcast_to(each, BANDS) for each in (change_db, loudness))
    return replace(other, loudness=weights, long_term_db=40.0 + level_db)


def test_tone_is_the_weighted_deviation() -> None:
    """A step of 4 dB in half of the loudness: 2 dB. More or less of everything is no tone."""
    assert tone_change((heard(),), (heard(3.0),)).difference == pytest.approx(0.0, abs=1e-12)
    low = CENTRES_HZ < 1000
    weights = np.where(low, 1.0 / low.sum(), 1.0 / (~low).sum())
    for a, b in ((weights, weights), (2.0 * weights, 0.0)):
        found = tone_change((heard(0.0, a),), (heard(4.0 * low, b),))
        assert found.difference == pytest.approx(2.0, abs=1e-12)
        assert abs(found.band_db) == pytest.approx(2.0, abs=1e-12)
    assert tone_change((heard(0.0, 0.0),), (heard(4.0 * low, 0.0),)) == Cause(0.0)


def test_the_band_that_is_named_is_heard() -> None:
    """One band of 73 rises by 6 dB, one that is 30 dB less loud by 9."""
    bands = np.arange(BANDS)
    change = np.where(bands == 30, 6.0, np.where(bands == 60, 9.0, 0.0))
    weights = np.where(bands == 60, 0.001, 1.0)
    a, b = heard(0.0, weights), heard(change, weights)
    found, back = tone_change((a,), (b,)), tone_change((b,), (a,))
    assert found.hz == CENTRES_HZ[30]
    assert found.band_db == pytest.approx(6.0 - 6.0 / 72, abs=0.001)
    assert back == found._replace(band_db=-found.band_db)


def test_of_two_channels_that_which_changes_more() -> None:
    low = np.where(CENTRES_HZ < 1000, 1.0, 0.0)
    one, two, mono = heard(2.0 * low), heard(4.0 * low), heard()
    most = tone_change((mono,), (two,))
    assert tone_change((mono, mono), (one, two)) == most
    assert tone_change((mono, mono), (two, one)) == most
    assert tone_change((mono,), (one, two)) == most
    assert tone_change((one, two), (mono,)) == most._replace(band_db=-most.band_db)


A_CHARACTER = Character((heard(),), 6.0, 0.5, np.array([1.0, math.nan, 3.0]), 2.0, -10.0)


def test_causes_are_b_less_a() -> None:
    """Groups of which one has no tail say nothing of it."""
    tail_db = np.array([2.0, 5.0, 7.0])
    other = Character((heard(),), 7.0, 0.25, tail_db, 5.0, -40.0)
    found = causes(A_CHARACTER, other, trim_lu=1.5, more_dirt_db=-2.5)
    assert list(found) == list(CAUSES)
    assert {name: cause.difference for name, cause in found.items()} == {
        "level": 1.5, "tone": 0.0, "dirt": -2.5, "touch": 1.0, "movement": -0.25, "tail": 2.5,
        "noise": 3.0, "width": -30.0,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("touch", {"touch_lu": math.nan}),
        ("tail", {"tail_db": None}),
        ("tail", {"tail_db": np.array([math.nan, 4.0, math.nan])}),
        ("noise", {"noise_db": None}),
        ("width", {"width_db": math.nan}),
    ],
)
def test_what_one_of_them_does_not_know_cannot_be_told(
    name: str, change: dict[str, float | np.ndarray | None]
) -> None:
    other = replace(A_CHARACTER, **change)
    for pair in ((A_CHARACTER, other), (other, A_CHARACTER)):
        found = causes(*pair, trim_lu=0.0, more_dirt_db=0.0)
        unknown = [each for each, cause in found.items() if cause == Cause(None)]
        assert unknown == [name]
    silent = causes(A_CHARACTER, other, trim_lu=math.inf, more_dirt_db=0.0)
    assert silent["level"] == Cause(None)


def ears(*sounds: Sound) -> list[Ear]:
    return [Ear(sound, RATE) for sound in sounds]


def test_movement_is_of_the_channel_that_sways_more() -> None:
    sound = in_silence(played("riff"))
    less, more = (swaying(sound, depth) for depth in (0.3, 0.8))

    def movement(*parts: Side) -> float:
        takes = [np.concatenate(each) for each in zip(*(part.live for part in parts), strict=True)]
        return movement_of(ears(*takes), *ears(np.concatenate([part.held for part in parts])))

    found = movement(less), movement(more), movement(less, more), movement(more, less)
    print(f"movement {np.round(found, 2)} dB")
    assert 0.1 < found[0] < found[1] - 0.5
    assert found[2] == pytest.approx(found[1], abs=0.3)
    assert found[3] == pytest.approx(found[2], abs=1e-9)
    assert movement_of(ears(more.held), *ears(more.held)) == 0.0


def test_movement_of_what_is_longer_held_still_or_live() -> None:
    """Whichever is shorter is silent after its end."""
    side = swaying(in_silence(played("riff"))[:, : 3 * RATE], 0.8)
    held, *takes = (np.pad(each, ((0, 0), (0, RATE))) for each in (side.held, *side.live))
    expected = movement_of(ears(*takes), *ears(held))
    assert movement_of(ears(*takes), *ears(side.held)) == pytest.approx(expected, rel=1e-9)
    assert movement_of(ears(*side.live), *ears(held)) == pytest.approx(expected, rel=1e-9)


def test_tail_of_what_one_of_two_says_nothing_of() -> None:
    clip = np.zeros((1, 2 * RATE))
    clip[:, : RATE // 2] = stairs(0.0, each_s=0.5)
    moments = moments_of(clip, RATE, frames_in(2 * RATE, RATE))
    assert tail_of(clip, 0.0 * clip, RATE, moments) is None
    assert tail_of(0.0 * clip, clip, RATE, moments) is None
    other = np.zeros((1, 2 * RATE))
    other[:, : RATE // 2] = np.sin(2 * np.pi * 5000 * np.arange(RATE // 2) / RATE)
    assert tail_of(clip, other, RATE, moments) is None, "no group in both"
    found = tail_of(clip, clip, RATE, moments)
    assert found is not None
    assert set(found[~np.isnan(found)]) == {0.0}


def rests_of(rest_s: float, after_db: float, hz: float = 1000.0) -> tuple[Sound, Sound]:
    """A clip with one note of a second, and the same tone that goes on softer in a rest."""
    t = np.arange(round((1.0 + rest_s) * RATE)) / RATE
    wave = np.sin(2.0 * np.pi * hz * t)
    sizes = (0.0, 10.0 ** (after_db / 20.0))
    clip, sound = (np.where(t < 1.0, wave, size * wave)[None] for size in sizes)
    return clip, sound


def tail_between(live: Sound, dry: Sound, clip: Sound) -> np.ndarray | None:
    return tail_of(live, dry, RATE, moments_of(clip, RATE, frames_in(clip.shape[1], RATE)))


@pytest.mark.parametrize(("rest_s", "told"), [(0.21, False), (0.22, True)])
def test_a_rest_of_a_fifth_of_a_second_is_one(rest_s: float, told: bool) -> None:
    """20 frames: they stand every 10 ms, the last at the end, and the first 30 ms are left out."""
    clip, sound = rests_of(rest_s, -20.0)
    assert (tail_between(sound, clip, clip) is not None) == told


@pytest.mark.parametrize("loud", [0, 1])
def test_a_tail_in_one_channel_is_one(loud: int) -> None:
    """Powers of both channels are added: over notes in both, a tail in one is 3 dB less."""
    clip, sound = rests_of(1.5, -20.0)
    one_side = np.concatenate((clip, clip))
    one_side[loud] = sound[0]
    both, one = (tail_between(live, clip, clip) for live in (sound, one_side))
    assert both is not None
    assert one is not None
    assert both - one == pytest.approx(
        np.where(np.isnan(both), np.nan, 3.01), abs=0.01, nan_ok=True
    )


@pytest.mark.parametrize(("faint_db", "told"), [(-36.0, True), (-44.0, False)])
def test_groups_40_db_below_the_loudest_say_nothing(faint_db: float, told: bool) -> None:
    """A tone of 5 kHz beside one of 1 kHz, by what the ear has of each."""
    t = np.arange(round(2.5 * RATE)) / RATE
    notes = t < 1.0
    ear_db = ear_weight_db(np.array([1000.0, 5000.0]))
    faint = 10.0 ** ((faint_db + ear_db[0] - ear_db[1]) / 20.0)
    wave = np.sin(2000.0 * np.pi * t) + faint * np.sin(10_000.0 * np.pi * t)
    clip, sound = ((wave * np.where(notes, 1.0, size))[None] for size in (0.0, 0.1))
    found = tail_between(sound, clip, clip)
    assert found is not None
    group = int(np.searchsorted(GROUPS, np.argmin(np.abs(CENTRES_HZ - 5000.0)), side="right")) - 1
    assert np.isfinite(found[group]) == told
