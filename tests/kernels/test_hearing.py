"""How far sounds are apart, and what stands out: against slow formulas and numbers by hand.

What the parts of the score make of them: tests/decide/test_parts.py.
"""

import statistics

import numpy as np
import pytest
from scipy.ndimage import correlate1d, maximum_filter1d

from simchain.kernels import hearing
from simchain.kernels.hearing import levels_apart, standing_out, swings_apart

# Weights of single precision are sums in single precision.
SAME = {np.float64: 1e-11, np.float32: 2e-7}


@pytest.fixture
def either(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Compiled, or all of the file in plain Python."""
    if request.param == "plain":
        monkeypatch.setattr(hearing, "_beyond_phase", hearing._beyond_phase.py_func)
    return request.param


EITHER_WAY = pytest.mark.parametrize("either", ["compiled", "plain"], indirect=True)


def run(either: str, kernel, *arguments, sounds: int) -> np.ndarray:
    found = np.full(sounds, np.nan)
    (kernel if either == "compiled" else kernel.py_func)(*arguments, found)
    return found


def slow(a: np.ndarray, b: np.ndarray, weights: np.ndarray) -> float:
    """The formula value by value, in double precision; variances by the standard library."""
    takes, square, spread, spread_a, spread_b = len(a), 0.0, 0.0, 0.0, 0.0
    for at in np.ndindex(weights.shape):
        x, y = ([float(take[at]) for take in takes] for takes in (a, b))
        off, weight = [v - u for u, v in zip(x, y, strict=True)], float(weights[at])
        square += weight * statistics.fmean(value**2 for value in off)
        if takes > 1:
            spread += weight * statistics.variance(off)
            spread_a += weight * statistics.variance(x)
            spread_b += weight * statistics.variance(y)
    square -= (1 + 2 / takes) * min(spread, 2 * min(spread_a, spread_b))
    square -= (1 - 1 / takes) * max(spread - spread_a - spread_b, 0)
    return float(np.sqrt(max(square / weights.sum(), 0)))


def made_up(sounds: int, takes: int, rows: int, bands: int, kind: type) -> np.ndarray:
    """Sounds further apart than their takes; some have alike takes, others go against the first."""
    random = np.random.default_rng(10 * takes + rows)
    pattern = random.normal(size=(1, takes, rows, bands))
    sway = np.array([1.0, 0.0, -1.0, 0.7])[np.arange(sounds) % 4].reshape(sounds, 1, 1, 1)
    own = 20 + 5 * random.normal(size=(sounds, 1, rows, bands))
    return (own + sway * pattern + 0.2 * random.normal(size=own.shape)).astype(kind)


@EITHER_WAY
@pytest.mark.parametrize("takes", [1, 2, 3, 5])
@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_levels_by_the_formula(either: str, takes: int, kind: type) -> None:
    sounds = made_up(5, takes, 3, 7, kind)
    loudness = np.random.default_rng(1).random((5, 7)).astype(kind)
    one, many = (sounds[0], loudness[0]), (sounds[1:], loudness[1:])
    found = run(either, levels_apart, *one, *many, sounds=4)
    wanted = [
        slow(one[0], b, np.broadcast_to(one[1].astype(float) + loud, (3, 7)))
        for b, loud in zip(*many, strict=True)
    ]
    assert min(wanted) > 1
    assert found == pytest.approx(wanted, rel=SAME[kind])


@EITHER_WAY
@pytest.mark.parametrize("takes", [1, 2, 3, 5])
@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_swings_by_the_formula(either: str, takes: int, kind: type) -> None:
    """A filter and group count by the larger swing: here now one's, now the other's."""
    sounds, random = made_up(5, takes, 4, 3, kind), np.random.default_rng(2)
    swings, loudness = random.random((5, 4, 3)).astype(kind), random.random((5, 3)).astype(kind)
    one, many = (sounds[0], swings[0], loudness[0]), (sounds[1:], swings[1:], loudness[1:])
    found = run(either, swings_apart, *one, *many, sounds=4)
    wanted = [
        slow(one[0], b, np.maximum(one[1], swing) * (one[2].astype(float) + loud))
        for b, swing, loud in zip(*many, strict=True)
    ]
    assert min(wanted) > 1
    assert found == pytest.approx(wanted, rel=SAME[kind])


@EITHER_WAY
def test_levels_by_hand(either: str) -> None:
    """One band counts 1, the other 3; the sounds differ by 2 in the first, by 4 in the second.

    Steady takes: sqrt((2^2 + 3 · 4^2) / 4) = sqrt 13. Takes at -1 and 1 against takes at 1 and -1:
    mean of squares 4, V_diff = 8, V_a = V_b = 2: 4 - 2 · min(8, 4) - ... < 0: no difference.
    Takes at -1 and 1 + 10 against them: 104 - 2 · 4 - (8 - 4) / 2 = 94.
    """
    loudness = np.array([0.5, 1.5])
    steady = np.zeros((2, 1, 2)), np.tile([2.0, -4.0], (1, 2, 1, 1))
    found = run(
        either, levels_apart, steady[0], loudness, steady[1], loudness[np.newaxis], sounds=1
    )
    assert found == pytest.approx([np.sqrt(13)])
    swaying = np.array([-1.0, 1.0]).reshape(2, 1, 1) * np.ones(2)
    many = np.stack((-swaying, 10 - swaying, swaying, 10 + swaying))
    both = np.tile(loudness, (4, 1))
    found = run(either, levels_apart, swaying, loudness, many, both, sounds=4)
    assert found == pytest.approx([0, np.sqrt(94), 0, 10])


@EITHER_WAY
@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_the_same_sound_and_what_has_no_loudness_are_0_apart(either: str, kind: type) -> None:
    sounds, loudness = made_up(2, 3, 2, 4, kind), np.ones((2, 4), kind)
    same = np.repeat(sounds[:1], 2, axis=0)
    assert not run(either, levels_apart, sounds[0], loudness[0], same, loudness, sounds=2).any()
    silent = np.zeros((2, 4), kind)
    assert not run(either, levels_apart, sounds[0], silent[0], sounds, silent, sounds=2).any()
    still = np.zeros((2, 2, 4), kind)
    of_one, of_many = (still[0], loudness[0]), (still, loudness)
    assert not run(either, swings_apart, sounds[0], *of_one, sounds, *of_many, sounds=2).any()


def stood_out(
    a: np.ndarray,
    b: np.ndarray,
    floor: float = 0.05,
    over: tuple[int, ...] = (1, 4),
    reach: int = 2,
) -> np.ndarray:
    """Run the kernel, compiled and plain: they must give the same."""
    found, plain = (np.full(a.shape, np.nan) for _ in range(2))
    given = a, b, floor, 0.2, reach, np.array(over)
    standing_out(*given, found)
    standing_out.py_func(*given, plain)  # type: ignore[attr-defined]
    assert found == pytest.approx(plain, rel=1e-14)
    return found


@pytest.mark.parametrize("frames", [1, 2, 3, 30])
@pytest.mark.parametrize("over", [(1,), (4,), (1, 4), (5, 2, 3)])
@pytest.mark.parametrize("reach", [0, 2])
def test_what_stands_out_by_scipy(frames: int, over: tuple[int, ...], reach: int) -> None:
    """scipy.ndimage's means and maxima, silence outside; first and last frames are in it."""
    random = np.random.default_rng(frames)
    a, b = random.random((2, frames, 5)) ** 4
    wanted = np.zeros(a.shape)
    for width in over:
        # Of an even number, the one more lies before the frame.
        one, other = (
            correlate1d(x, np.full(width, 1 / width), axis=0, mode="constant") for x in (a, b)
        )
        near = maximum_filter1d(one, 2 * reach + 1, axis=0, mode="constant")
        loudest = np.maximum(near, other).max(axis=1, keepdims=True)
        hidden = np.maximum(0.2 * loudest, 0.05)
        wanted = np.maximum(wanted, (other + hidden) / (near + hidden))
    assert stood_out(a, b, over=over, reach=reach) == pytest.approx(wanted, rel=1e-12)


def test_a_click_in_silence_by_hand() -> None:
    """Hidden is 0.2 of the click of 1: 1.2 / 0.2 = 6; its mean over 4 frames, 0.25 over 0.05 more.

    The mean of frame i is over i - 2 ... i + 1, so the click stands in those of 19 to 22.
    """
    silence, click = np.zeros((40, 3)), np.zeros((40, 3))
    click[20, 1] = 1.0
    found = stood_out(silence, click)
    assert found[19:23, 1] == pytest.approx(6.0)
    assert np.array_equal(np.delete(found, 1, axis=1), np.ones((40, 2)))
    assert np.delete(found[:, 1], range(19, 23)).tolist() == [1.0] * 36
    # A gap where there was a click: 0.2 / 1.2, but means of silence beside silence are 1 again.
    gap = stood_out(click, silence, over=(1,))
    assert gap[18:23, 1] == pytest.approx(0.2 / 1.2)
    assert gap[17, 1] == gap[23, 1] == 1.0


@pytest.mark.parametrize("frames", [1, 7])
def test_in_silence_nothing_stands_out(frames: int) -> None:
    silence = np.zeros((frames, 4))
    assert np.array_equal(stood_out(silence, silence), np.ones((frames, 4)))


@pytest.mark.parametrize("at", [0, 29])
def test_a_click_at_either_end(at: int) -> None:
    """The first frame alone has it, or the last: 1 and 0.1, each over 0.2 more."""
    quiet = np.full((30, 2), 0.1)
    click = quiet.copy()
    click[at] = 1.0
    found = stood_out(quiet, click, over=(1,))
    assert found[at] == pytest.approx(1.2 / 0.3)
    assert np.delete(found, at, axis=0) == pytest.approx(np.ones((29, 2)))
