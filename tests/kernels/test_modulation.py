"""The moving delay line and the all-passes against exact sines, scipy and the phaser's formula."""

import numpy as np
import pytest
from scipy.signal import lfilter

from simchain.kernels import modulation
from simchain.kernels.modulation import all_passes, interpolator, swept_line

RATE = 44_100


def worst_level_db(hz: float) -> float:
    """Over 41 fractions that are not rows of the table, from the loop itself."""
    t = np.arange(4000) / RATE
    worst = 0.0
    for fraction in np.linspace(0.0007, 0.9993, 41):
        delays = np.full(t.size, 30 + fraction)
        out = swept_line(np.cos(2 * np.pi * hz * t), delays, 0.0)
        truth = np.cos(2 * np.pi * hz * (t - delays / RATE))
        gain = np.dot(out[100:], truth[100:]) / np.dot(truth[100:], truth[100:])
        worst = max(worst, abs(20 * np.log10(gain)))
    return worst


@pytest.mark.parametrize(
    ("hz", "allowed_db"),
    [(1000, 0.003), (5000, 0.003), (10_000, 0.003), (15_000, 0.003), (18_000, 0.06)],
)
def test_treble_is_kept_between_frames(hz: float, allowed_db: float) -> None:
    """Third-order Lagrange loses 0.53 dB at 10 kHz and 2.5 at 15 (48 kHz; references §7)."""
    worst = worst_level_db(hz)
    print(f"{hz} Hz at 44.1 kHz: within {worst:.4f} dB")
    assert worst < allowed_db


def test_reads_exactly_where_it_is_told_while_it_moves() -> None:
    """Truth: sin(2 pi f (t - d(t))), d swinging by 3.5 ms at 5 Hz."""
    t = np.arange(RATE) / RATE
    late = 0.012 + 0.0035 * np.sin(2 * np.pi * 5 * t)
    out = swept_line(np.sin(2 * np.pi * 3000 * t), late * RATE, 0.0)
    error = out - np.sin(2 * np.pi * 3000 * (t - late))
    worst = np.abs(error[2000:]).max()
    print(f"moving read of 3 kHz: off by {20 * np.log10(worst):.1f} dB at worst")
    assert worst < 5e-5


def test_rows_of_the_table() -> None:
    table = interpolator()
    assert table.sum(axis=1) == pytest.approx(np.ones(513), abs=1e-14)
    assert np.abs(table[0] - np.eye(24)[12]).max() < 1e-15
    assert table == pytest.approx(np.roll(table[::-1, ::-1], 0), abs=1e-14)


def test_feedback_round_the_line_is_a_comb() -> None:
    """Whole delay M and feedback g: repeats g^(k-1) at k M, a closed form."""
    x = np.zeros(2000)
    x[0] = 1.0
    out = swept_line(x, np.full(x.size, 100.0), 0.8)
    truth = np.zeros(x.size)
    truth[100::100] = 0.8 ** np.arange(19)
    assert np.abs(out - truth).max() < 1e-12


@pytest.mark.parametrize("stages", [2, 4, 12])
def test_all_passes_that_stand_still_as_in_scipy(stages: int) -> None:
    c = -0.876976463  # references §6: corner 1 kHz at 48 kHz
    x = np.random.default_rng(1).normal(size=3000)
    truth = x
    for _ in range(stages):
        truth = lfilter([c, 1.0], [1.0, c], truth)
    assert np.abs(all_passes(x, np.full(x.size, c), np.zeros(stages), 0.0) - truth).max() < 1e-12


def test_feedback_takes_no_frame() -> None:
    """Closed form A / (1 - g A), A the chain's own response at the same frequency."""
    c, g, n = -0.876976463, 0.7, 1 << 15
    x = np.zeros(n)
    x[0] = 1.0
    response = np.fft.rfft(all_passes(x, np.full(n, c), np.zeros(4), g))
    z = np.exp(-2j * np.pi * np.arange(n // 2 + 1) / n)
    chain = ((c + z) / (1 + c * z)) ** 4
    assert np.abs(response - chain / (1 - g * chain)).max() < 1e-9


def test_moving_all_passes_stay_bounded_and_smooth() -> None:
    n = np.arange(3 * RATE)
    tangent = np.tan(np.pi * 632.0 / RATE * 10 ** (0.5 * np.sin(2 * np.pi * 12 * n / RATE)))
    out = all_passes(np.ones(n.size), (tangent - 1) / (tangent + 1), np.zeros(12), 0.95)
    assert out[-1000:] == pytest.approx(np.full(1000, 1 / (1 - 0.95)), rel=1e-6)


def test_compiled_as_in_plain_python() -> None:
    random = np.random.default_rng(4)
    x = random.normal(size=200)
    delays = 30 + 10 * random.random(200)
    made = []
    for run in (modulation._swept_line, modulation._swept_line.py_func):
        line, out = np.zeros(80 + x.size), np.empty(x.size)
        run(x, delays, interpolator(), 0.4, 1e-60, line, out)
        made.append(out)
    assert np.abs(made[0] - made[1]).max() < 1e-14
    made = []
    for run in (modulation._all_passes, modulation._all_passes.py_func):
        out = np.empty(x.size)
        run(x, np.full(x.size, -0.8), 0.4, 1e-60, np.zeros(4), out)
        made.append(out)
    assert np.abs(made[0] - made[1]).max() < 1e-13


def test_no_denormals_are_left() -> None:
    x = np.zeros(60_000)
    x[0] = 1.0
    for out in (
        swept_line(x, np.full(x.size, 20.3), 0.1),
        all_passes(x, np.full(x.size, -0.97), np.zeros(4), 0.4),
    ):
        assert np.abs(out[out != 0.0]).min() > 1e-300
        assert not out[-10_000:].any()
