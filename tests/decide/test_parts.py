"""Distribution, movement and events of two sounds: closed forms, and the formulas done slowly."""

import math

import numpy as np
import pytest

from simchain.decide.ear import Ear, Heard
from simchain.decide.parts import (
    distribution_db,
    event_phon,
    long_term_change_db,
    movement_db,
)
from simchain.measure.excitation import CENTRES_HZ, internal_noise_db

RATE = 48_000
BANDS, GROUPS, EVENTS, FRAMES = 73, 12, 9, 50


def heard(seed: int, **changes: np.ndarray) -> Heard:
    """Made up, but of the right shapes."""
    random = np.random.default_rng(seed)
    figures = {
        "levels_db": 40 + 10 * random.standard_normal((10, BANDS)),
        "loudness": random.random(BANDS),
        "long_term_db": 40 + 10 * random.standard_normal(BANDS),
        "movement": random.random((10, GROUPS)),
        "group_loudness": random.random(GROUPS),
        "events": random.random((FRAMES, EVENTS)),
    }
    return Heard(**(figures | changes))


def several(seed: int, takes: int) -> list[Heard]:
    return [heard(100 * seed + k) for k in range(takes)]


def ear(sound: np.ndarray) -> list[Heard]:
    return list(Ear(sound, RATE).heard())


@pytest.mark.parametrize("part", [distribution_db, movement_db, event_phon, long_term_change_db])
@pytest.mark.parametrize("takes", [1, 2, 5])
def test_the_same_both_ways_and_nothing_for_nothing(part, takes: int) -> None:
    a, b = several(1, takes), several(2, takes)
    assert part(a, b) == part(b, a)
    assert part(a, b[:1]) == part(b[:1], a)
    alone = part(a, a)
    assert (alone[0] if isinstance(alone, tuple) else alone) == 0.0


def slow_beyond_phase(a: np.ndarray, b: np.ndarray, w: np.ndarray) -> float:
    """judging.md §2, "correction", value by value, the variances over K - 1; and beyond it, what
    takes that go against each other add."""
    takes, w = len(a), w / w.sum()

    def variance(x: np.ndarray) -> float:
        total = 0.0
        for at in np.ndindex(w.shape):
            values = [x[k][at] for k in range(takes)]
            mean = sum(values) / takes
            total += w[at] * sum((value - mean) ** 2 for value in values) / (takes - 1)
        return total

    square = sum((w * (b[k] - a[k]) ** 2).sum() for k in range(takes)) / takes
    of_both, of_a, of_b = variance(b - a), variance(a), variance(b)
    phase = (1 + 2 / takes) * min(of_both, 2 * min(of_a, of_b))
    against = (1 - 1 / takes) * max(0.0, of_both - of_a - of_b)
    return math.sqrt(max(0.0, square - phase - against))


@pytest.mark.parametrize("takes", [2, 3, 5])
def test_what_another_phase_changes_too_is_taken_off(takes: int) -> None:
    a, b = several(3, takes), [heard(900 + k, levels_db=60 + heard(k).levels_db) for k in range(5)]
    b = b[:takes]
    weights = np.mean([t.loudness for t in a], axis=0) + np.mean([t.loudness for t in b], axis=0)
    expected = slow_beyond_phase(
        np.array([t.levels_db for t in a]),
        np.array([t.levels_db for t in b]),
        np.broadcast_to(weights, (10, BANDS)),
    )
    assert expected > 10
    assert distribution_db(a, b) == pytest.approx(expected, rel=1e-9)
    sway_a, sway_b = (np.array([t.movement for t in takes_]) for takes_ in (a, b))
    group = sum(np.mean([t.group_loudness for t in x], axis=0) for x in (a, b))
    weights = group * np.maximum(sway_a.mean(axis=0), sway_b.mean(axis=0))
    in_db_a, in_db_b = (20 * np.log10(sway + 0.01) for sway in (sway_a, sway_b))
    assert movement_db(a, b) == pytest.approx(
        slow_beyond_phase(in_db_a, in_db_b, weights), rel=1e-9
    )


@pytest.mark.parametrize("order", [[0, 1, 2, 3, 4], [1, 2, 3, 4, 0], [4, 3, 2, 1, 0]])
def test_the_same_takes_in_another_order_are_no_difference(order: list[int]) -> None:
    """Not even where each is held against its opposite."""
    pattern = np.random.default_rng(0).standard_normal((10, BANDS))
    a = [heard(1, levels_db=50 + sway * pattern) for sway in (-2, -1, 0, 1, 2)]
    b = [a[k] for k in order]
    assert distribution_db(a, b) == 0.0
    shifted = [heard(1, levels_db=take.levels_db + 10) for take in b]
    assert distribution_db(a, shifted) > 9


def test_one_take_is_a_weighted_rms() -> None:
    a = heard(1)
    change = np.zeros((10, BANDS))
    change[:, 7] = 3.0
    b = heard(1, levels_db=a.levels_db + change)
    expected = 3.0 * math.sqrt(a.loudness[7] / a.loudness.sum())
    assert distribution_db([a], [b]) == pytest.approx(expected)


def test_an_order_without_modulators_hides_no_movement_of_the_other() -> None:
    """A's variance is 0, so nothing is taken off: dry against tremolo."""
    dry, moving = several(4, 1), several(5, 5)
    weights = np.broadcast_to(dry[0].loudness + np.mean([t.loudness for t in moving], 0), (10, 73))
    square = np.mean([(take.levels_db - dry[0].levels_db) ** 2 for take in moving], axis=0)
    expected = math.sqrt((weights * square).sum() / weights.sum())
    assert distribution_db(dry, moving) == pytest.approx(expected)


@pytest.mark.parametrize("db", [0.5, 3.0])
def test_a_step_of_level_in_every_band_reads_as_itself(db: float) -> None:
    a = heard(6)
    b = heard(6, levels_db=a.levels_db - db, long_term_db=a.long_term_db - db)
    assert distribution_db([a], [b]) == pytest.approx(db)
    assert long_term_change_db([a], [b])[0] == pytest.approx(db)


def test_the_band_that_changes_most_in_the_long_term() -> None:
    a = heard(7)
    change = np.linspace(0.0, 1.0, BANDS)
    change[30] = -2.5
    b = heard(7, long_term_db=a.long_term_db + change)
    assert long_term_change_db([a], [b]) == pytest.approx((2.5, CENTRES_HZ[30]))


@pytest.mark.parametrize(("above_noise_db", "counts"), [(14.9, False), (15.1, True)])
@pytest.mark.parametrize("band", [2, 30, 70])
def test_bands_count_that_are_heard(above_noise_db: float, counts: bool, band: int) -> None:
    """In one of the two, however much louder others are."""
    levels = internal_noise_db(CENTRES_HZ) + 80.0
    levels[band] = internal_noise_db(CENTRES_HZ[band]) + above_noise_db
    less = levels.copy()
    less[band] -= 3.0
    pair = heard(7, long_term_db=levels), heard(7, long_term_db=less)
    for a, b in (pair, pair[::-1]):
        found, hz = long_term_change_db([a], [b])
        assert found == pytest.approx(3.0 if counts else 0.0)
        assert not counts or hz == CENTRES_HZ[band]


def test_twice_the_movement_is_6_db() -> None:
    """Where it is large against 0.01."""
    a = heard(8, movement=np.full((10, GROUPS), 0.3))
    b = heard(8, movement=np.full((10, GROUPS), 0.6))
    assert movement_db([a], [b]) == pytest.approx(20 * math.log10(0.61 / 0.31))


def test_an_event_reads_in_phon() -> None:
    """Loudness goes as excitation^0.23; one group loses 6 dB over a longer stretch: 6 phon but for
    20 % of the loudest there: 100 / 0.23 log10((1 + .2) / (10^(-0.6 · 0.23) + .2)) / 10."""
    events = np.full((FRAMES, EVENTS), 0.2)
    events[:, 3] = 1.0
    softer = events.copy()
    softer[20:40, 3] *= 10 ** (-0.6 * 0.23)
    expected = 10 / 0.23 * math.log10(1.2 / (10 ** (-0.6 * 0.23) + 0.2))
    found = event_phon([heard(1, events=events)], [heard(1, events=softer)])
    print(f"6 dB: {found:.2f} phon")
    assert found == pytest.approx(expected)
    assert 4.5 < found < 6.0


def slow_event_phon(a: np.ndarray, b: np.ndarray) -> float:
    """The formula of `event_phon` for one take, value by value."""

    def mean(x: np.ndarray, frame: int, frames: int) -> np.ndarray:
        """Over so many frames about one: of an even number, the one more lies before it."""
        first = frame - frames // 2
        inside = [x[i] for i in range(first, first + frames) if 0 <= i < len(x)]
        return sum(inside, np.zeros(EVENTS)) / frames

    floor, most = 0.05 * max(a.max(), b.max()), 0.0
    for one, other in ((a, b), (b, a)):
        for frame in range(len(a)):
            for frames in (1, 4):
                near = [
                    mean(one, i, frames) for i in range(frame - 2, frame + 3) if 0 <= i < len(a)
                ]
                before, now = np.max(near, axis=0), mean(other, frame, frames)
                hidden = max(floor, 0.2 * max(before.max(), now.max()))
                for group in range(EVENTS):
                    jump = math.log10((now[group] + hidden) / (before[group] + hidden))
                    most = max(most, jump)
    return 10 / 0.23 * most


@pytest.mark.parametrize("seed", range(5))
def test_events_by_the_formula(seed: int) -> None:
    """Of sounds that are alike but for a moment, at the beginning, inside or at the end."""
    random = np.random.default_rng(seed)
    a = random.random((FRAMES, EVENTS)) ** 2
    b = a.copy()
    start, length = [0, 17, 23, 44, 49][seed], [4, 1, 7, 5, 1][seed]
    b[start : start + length] *= [0.0, 20.0, 0.1, 0.0, 9.0][seed]
    expected = slow_event_phon(a, b)
    assert expected > 5
    assert event_phon([heard(1, events=a)], [heard(1, events=b)]) == pytest.approx(expected)


def held(seconds: float = 2.0) -> np.ndarray:
    """A chord that does not die away."""
    at = np.arange(round(seconds * RATE)) / RATE
    partials = [hz * k for hz in (110, 165, 220) for k in range(1, 12)]
    return sum(np.sin(2 * np.pi * hz * at + hz) / (hz / 110) for hz in partials)[None] / 50


def with_a_gap(ms: float, fade_ms: float) -> np.ndarray:
    """Silence in a held chord; its edges, a raised cosine each, count as part of it."""
    sound = held()
    at = np.arange(sound.shape[1]) / RATE * 1e3 - 1000
    inside = np.minimum(at, ms - at)
    if fade_ms:
        depth = 0.5 - 0.5 * np.cos(np.pi * np.clip(inside / fade_ms, 0, 1))
    else:
        depth = (inside >= 0).astype(float)
    return sound * (1 - depth)


def test_a_gap_does_not_hang_on_its_edges() -> None:
    """A gap of 50 ms in a held chord is no free move, cut hard or softly; and longer is worse."""
    dry = ear(held())
    by_edge = [event_phon(dry, ear(with_a_gap(50, fade))) for fade in (0, 1, 5, 10)]
    by_length = [event_phon(dry, ear(with_a_gap(ms, 2))) for ms in (10, 30, 50, 80, 200)]
    print("edges of 0, 1, 5, 10 ms:", *(f"{phon:.1f}" for phon in by_edge), "phon")
    print("10, 30, 50, 80, 200 ms:", *(f"{phon:.1f}" for phon in by_length), "phon")
    assert all(5 < phon < 22.5 for phon in by_edge)
    assert by_edge == sorted(by_edge, reverse=True)
    assert by_length[0] < 5
    assert by_length == sorted(by_length)


def test_a_shift_within_20_ms_is_no_event() -> None:
    events = np.zeros((FRAMES, EVENTS))
    events[20] = 1.0
    for shift, is_one in ((1, False), (2, False), (3, True)):
        moved = np.roll(events, shift, axis=0)
        found = event_phon([heard(1, events=events)], [heard(1, events=moved)])
        assert (found > 10) == is_one, shift


def test_events_that_takes_of_one_order_have_too_are_taken_off() -> None:
    """Each take clicks somewhere else, in both orders; a click in one order alone stays."""
    quiet = np.full((FRAMES, EVENTS), 0.1)

    def clicks(*places: int) -> Heard:
        events = quiet.copy()
        events[list(places)] = 1.0
        return heard(1, events=events)

    a, b = [clicks(5), clicks(15), clicks(25)], [clicks(10), clicks(20), clicks(30)]
    assert event_phon(a, b) == 0.0
    still = [clicks()] * 3
    assert event_phon(still, b) == pytest.approx(event_phon(still[:1], b[:1]))
    assert event_phon(still, b) == pytest.approx(10 / 0.23 * math.log10(1.2 / 0.3))


def test_silence_has_no_parts() -> None:
    silence = ear(np.zeros((1, RATE)))
    for part in (distribution_db, movement_db, event_phon):
        assert part(silence, silence) == 0.0
    assert long_term_change_db(silence, silence)[0] == 0.0
