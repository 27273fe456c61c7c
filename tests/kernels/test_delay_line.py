"""Fixed delay lines against exact phase, scipy's filters and slow versions that share no code."""

import numpy as np
import pytest
from scipy.signal import butter, lfilter, sosfilt

from simchain.kernels import delay_line
from simchain.kernels.delay_line import delayed, diffuse, fractional_delay, repeats


@pytest.mark.parametrize("frames", [33.001, 44.1, 100.25, 100.5, 18240.9])
def test_fraction_is_exact_to_0_9_of_nyquist(frames: float) -> None:
    """Truth: H = exp(-j w D)."""
    lag, taps = fractional_delay(frames)
    w = np.linspace(0.01, 0.9, 200) * np.pi
    response = np.exp(-1j * np.outer(w, lag - frames + np.arange(taps.size))) @ taps
    level_db = np.abs(20 * np.log10(np.abs(response))).max()
    late = np.abs(np.angle(response) / w).max()
    print(f"{frames} frames: level off by {level_db:.6f} dB, time by {late:.7f} frame")
    assert level_db < 0.001
    assert late < 1e-4


def test_a_whole_delay_is_exact_to_the_last_bit() -> None:
    x = np.random.default_rng(1).normal(size=(2, 400))
    assert np.array_equal(repeats(x, 7.0, 0.0), delayed(x, 7))
    assert np.array_equal(delayed(x, 7)[:, 7:], x[:, :-7])
    assert np.array_equal(delayed(x, 500), np.zeros_like(x))


@pytest.mark.parametrize(
    ("frames", "words"), [(0.5, "0.5 frames is refused"), (32.5, "33 at least")]
)
def test_too_short_is_refused(frames: float, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        fractional_delay(frames)


def slow_repeats(x, lag, taps, feedback, sections):
    """The whole recursion again and again until nothing is new."""
    wet = np.zeros_like(x)
    for _ in range(x.size // lag + 2):
        toned = sosfilt(sections, x + feedback * wet) if len(sections) else x + feedback * wet
        wet = np.convolve(np.concatenate((np.zeros(lag), taps)), toned)[: x.size]
    return wet


@pytest.mark.parametrize("frames", [60.0, 47.3, 600.7])
@pytest.mark.parametrize("tone", [np.zeros((0, 6)), butter(3, 0.2, output="sos")])
def test_repeats_as_the_slow_recursion(frames: float, tone: np.ndarray) -> None:
    x = np.random.default_rng(2).normal(size=(1, 2500))
    lag, taps = fractional_delay(frames)
    slow = slow_repeats(x[0], lag, taps, 0.7, tone)
    assert np.abs(repeats(x, frames, 0.7, tone)[0] - slow).max() < 1e-12


@pytest.mark.parametrize("crossed", [0.0, 0.3, 1.0])
def test_lines_that_feed_each_other(crossed: float) -> None:
    """Sum and difference of two lines: one feeds back g, the other g (1 - 2 crossed), alone."""
    x, tone = np.random.default_rng(4).normal(size=(2, 2500)), butter(1, 0.3, output="sos")
    found = repeats(x, 47.3, 0.9, tone, crossed)
    total = repeats(x[:1] + x[1:], 47.3, 0.9, tone)
    apart = repeats(x[:1] - x[1:], 47.3, 0.9 * (1 - 2 * crossed), tone)
    assert np.abs(found[:1] + found[1:] - total).max() < 1e-11
    assert np.abs(found[:1] - found[1:] - apart).max() < 1e-11


def test_compiled_as_in_plain_python() -> None:
    x = np.random.default_rng(3).normal(size=300)
    lag, taps = fractional_delay(50.4)
    tone = butter(2, 0.3, output="sos")
    made = []
    for run in (delay_line._repeats, delay_line._repeats.py_func):
        before = lag + taps.size - 1
        wet, lines = np.zeros((1, x.size)), np.zeros((1, before + x.size))
        state = np.zeros((1, len(tone), 2))
        shares = np.array((0.5, 0.0))
        run(x[np.newaxis], taps, lag, shares, tone, state, lag, 1e-60, lines, before, wet)
        made.append(wet)
    assert np.abs(made[0] - made[1]).max() < 1e-14
    row, spread = x.copy(), x.copy()
    delay_line._all_pass(row, np.zeros(11), 0.6, 1e-60)
    delay_line._all_pass.py_func(spread, np.zeros(11), 0.6, 1e-60)
    assert np.abs(row - spread).max() < 1e-14


def test_diffusers_are_all_passes() -> None:
    """Against scipy.signal.lfilter; Schroeder 1962: |H| = 1, so an impulse keeps its energy 1."""
    row = np.zeros(20_000)
    row[0] = 1.0
    scipy_row = row.copy()
    lengths = (113, 79, 53, 37)
    for length in lengths:
        b = np.concatenate(([0.6], np.zeros(length - 1), [1.0]))
        scipy_row = lfilter(b, b[::-1], scipy_row)
    diffuse(row, lengths, 0.6)
    assert np.abs(row - scipy_row).max() < 1e-13
    assert np.sum(row**2) == pytest.approx(1.0, abs=1e-12)


def test_the_end_of_a_tail_is_exact_silence() -> None:
    """No denormals: what has died away below 1e-60 V is nothing."""
    x = np.zeros((1, 60_000))
    x[0, 0] = 1.0
    wet = repeats(x, 40.0, 0.1, butter(1, 0.01, output="sos"))
    small = np.abs(wet[wet != 0.0])
    assert small.min() > 1e-300
    assert not wet[0, -10_000:].any()
