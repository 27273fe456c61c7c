"""The swept resonance: at rest the static filter, stable however it is swept.

Against its circuit while it is swept: tests/blocks/test_moving.py, scipy's solve_ivp.
"""

import numpy as np
import pytest
from scipy.signal import sosfilt

from simchain.filters.resonance import resonance_sections
from simchain.kernels import sweep


def table_of(hz: np.ndarray, q: float, rate: float) -> np.ndarray:
    w = 2 * np.pi * hz / rate
    fits = [
        sweep.fitted(resonance_sections(at, q, rate), turn) for at, turn in zip(hz, w, strict=True)
    ]
    longest = max(fit.size for fit in fits)
    return sweep.rows(w, q, np.stack([np.pad(fit, (0, longest - fit.size)) for fit in fits]))


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("q", [1.0, 4.0, 50.0])
def test_at_rest_it_is_the_static_filter(rate: int, q: float) -> None:
    """scipy.signal.sosfilt of the same sections, from 20 Hz to 10 kHz."""
    volts = np.random.default_rng(rate).normal(size=4000)
    hz = np.geomspace(20, 10_000, 6)
    table, out = table_of(hz, q, rate), np.empty_like(volts)
    worst = 0.0
    for rung, at in enumerate(hz):
        sweep.swept(volts, table, np.full(volts.size, float(rung)), q, out)
        wanted = sosfilt(resonance_sections(at, q, rate), volts)
        worst = max(worst, np.abs(out - wanted).max() / np.abs(wanted).max())
    print(f"{rate} Hz, q {q:g}: off by {worst:.1e} of the peak")
    assert worst < 1e-8


def test_it_stays_stable_however_it_is_swept() -> None:
    """The loop loses energy at any w: x1^2 + x2^2 never grows by itself, here from rung to rung."""
    rng = np.random.default_rng(7)
    table = table_of(np.geomspace(20, 10_000, 120), 50.0, 48_000)
    volts, out = np.zeros(96_000), np.empty(96_000)
    volts[:200] = rng.normal(size=200)
    sweep.swept(volts, table, rng.uniform(0, 119, volts.size), 50.0, out)
    early, late = np.abs(out[:1000]).max(), np.abs(out[-1000:]).max()
    print(f"peak {early:.2e} at first, {late:.2e} after two seconds of random jumps")
    assert np.isfinite(out).all()
    assert late < 1e-3 * early


def test_compiled_and_plain_are_the_same() -> None:
    rng = np.random.default_rng(9)
    table = table_of(np.geomspace(300, 3000, 10), 5.0, 48_000)
    volts, places = rng.normal(size=700), np.linspace(0, 9, 700)
    compiled, plain = np.empty(700), np.empty(700)
    sweep.swept(volts, table, places, 5.0, compiled)
    sweep.swept.py_func(volts, table, places, 5.0, plain)  # type: ignore[attr-defined]
    assert compiled == pytest.approx(plain, rel=1e-12, abs=1e-14)


def test_no_denormal_numbers_are_left() -> None:
    table = table_of(np.array([400.0, 500.0]), 4.0, 48_000)
    volts, out = np.zeros(48_000), np.empty(48_000)
    volts[0] = 1e-3
    sweep.swept(volts, table, np.linspace(0, 1, volts.size), 4.0, out)
    assert not out[-100:].any()
