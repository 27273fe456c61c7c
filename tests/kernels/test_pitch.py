"""The reading heads: against plain Python, a closed form, and what a jump may cost."""

import numpy as np
import pytest

from simchain.kernels import pitch
from simchain.kernels.pitch import Head, Splices, interpolator, shifted, splices

RATE = 48_000
UP = splices(RATE, True, (5.5, 18.5), 5.0, 1.1)
DOWN = splices(RATE, False, (5.5, 18.5), 5.0, 1.1)


def test_the_interpolator_keeps_its_level() -> None:
    """Taps weighted by a tone at any fraction: within 0.01 dB to 0.22 of the rate; sums of 1."""
    table = interpolator(512)
    w = 2 * np.pi * np.linspace(0.0, 0.22, 60)
    turn = np.exp(1j * np.outer(w, np.arange(12) - 5))
    level = 20 * np.log10(np.abs(table @ turn.T))
    print(f"interpolator: {level.min():+.4f} to {level.max():+.4f} dB to 0.22 of the rate")
    assert np.abs(level).max() < 0.01
    assert np.abs(table.sum(axis=1) - 1).max() < 1e-14
    assert table[0] == pytest.approx(np.eye(12)[5], abs=1e-14)
    wanted = np.exp(1j * np.outer(np.arange(512) / 512, w))
    assert np.abs(table @ turn.T - wanted).max() < 2e-3


@pytest.mark.parametrize("plan", [UP, DOWN])
def test_compiled_as_in_plain_python(plan: Splices) -> None:
    random = np.random.default_rng(1)
    before = plan.farthest + 12
    line = np.concatenate((np.zeros(before), np.cumsum(random.normal(size=2500)), np.zeros(12)))
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(plan.fade) + 0.5) / plan.fade)
    made = []
    for run in (pitch._read, pitch._read.py_func):
        places = np.array([(before - plan.start) << 9] * 2 + [0])
        out = np.zeros(2400)
        numbers = np.array(plan[1:8])
        step = 1024 if plan.doubled else 256
        run(line, before, step, numbers, 0.02, interpolator(512), rise, places, np.zeros(1), out)
        made.append(out)
    assert np.abs(made[0]).max() > 1
    assert np.abs(made[0] - made[1]).max() < 1e-9


@pytest.mark.parametrize("plan", [UP, DOWN])
def test_between_jumps_it_is_the_line_read_at_that_speed(plan: Splices) -> None:
    """Until its first jump the head stands at (speed n - start): a slow ramp shows the place."""
    speed = 2.0 if plan.doubled else 0.5
    ramp = np.arange(6000) / 1e4
    out = shifted(ramp, plan)
    frames = (plan.start - plan.turns_at) if plan.doubled else 2 * (plan.turns_at - plan.start)
    n = np.arange(frames)
    place = speed * n - plan.start
    used = place > 12
    assert used.any()
    assert out[:frames][used] == pytest.approx(place[used] / 1e4, abs=1e-12)


@pytest.mark.parametrize("plan", [UP, DOWN])
def test_in_pieces_over_a_line_that_is_moved(plan: Splices) -> None:
    x = np.random.default_rng(2).normal(size=20_000)
    whole = shifted(x, plan)
    before = plan.farthest + 12
    line = np.concatenate((np.zeros(before), x, np.zeros(12)))
    head, found = Head(plan, before), np.empty(x.size)
    for start in range(0, x.size, 700):
        stop = min(start + 700, x.size)
        window = line[start : stop + before + 12].copy()
        head.read(window, before, found[start:stop])
        head.move(-(stop - start))
    assert np.array_equal(found, whole)


@pytest.mark.parametrize("plan", [UP, DOWN])
def test_power_of_noise_is_kept(plan: Splices) -> None:
    x = np.convolve(np.random.default_rng(3).normal(size=10 * RATE), np.hanning(12), "same")
    change = 10 * np.log10(np.mean(shifted(x, plan) ** 2) / np.mean(x**2))
    print(f"noise, doubled {plan.doubled}: {change:+.2f} dB")
    assert abs(change) < 0.5
    assert not shifted(np.zeros(3000), plan).any()
    assert not shifted(np.full(3000, 1e-310), plan).any()


def test_reaches() -> None:
    """The plan's own bounds are those of the head: nothing beyond them changes what it gives."""
    for plan in (UP, DOWN):
        assert 0 < plan.nearest < plan.start < plan.farthest
        x = np.random.default_rng(4).normal(size=9000)
        other = x.copy()
        other[6000:] = 0.0
        same = 6000 + plan.nearest
        assert np.array_equal(shifted(x, plan)[:same], shifted(other, plan)[:same])
