"""The gate's decision and glide: compiled, plain, and a slow version that shares no code."""

import numpy as np
import pytest

from simchain.kernels.gate import peaks_to_reductions

AT_REST = 1e-9


def reductions(
    peaks: np.ndarray,
    levels: tuple[float, float] = (0.1, 0.05),
    wait: int = 20,
    range_db: float = 60.0,
    kept: tuple[float, float] = (0.9, 0.99),
    plain: bool = False,
) -> np.ndarray:
    worked = np.array(peaks, dtype=np.float64)
    run = peaks_to_reductions.py_func if plain else peaks_to_reductions  # type: ignore[attr-defined]
    run(worked, np.array(levels), wait, range_db, np.array(kept), AT_REST)
    return worked


def bursts(seed: int, frames: int = 3000) -> np.ndarray:
    random = np.random.default_rng(seed)
    level = np.repeat(random.uniform(0, 0.15, frames // 50), 50)
    return level * np.abs(random.normal(size=level.size)).clip(0, 1)


def slow(
    peaks: np.ndarray,
    levels: tuple[float, float],
    wait: int,
    range_db: float,
    kept: tuple[float, float],
) -> np.ndarray:
    """Look at the whole past in each frame: open if loud since, and never quiet for too long."""
    out, now = [], range_db
    for n in range(peaks.size):
        is_open = False
        for first in np.flatnonzero(peaks[: n + 1] >= levels[0]):
            loud = np.append(np.flatnonzero(peaks[first : n + 1] >= levels[1]) + first, n + 1)
            if np.diff(loud).max(initial=0) <= wait + 1 and n - loud[-2] <= wait:
                is_open = True
                break
        now = now * kept[0] if is_open else range_db + (now - range_db) * kept[1]
        out.append(now)
    return np.array(out)


@pytest.mark.parametrize("seed", range(4))
def test_compiled_plain_and_slow_agree(seed: int) -> None:
    peaks, kept = bursts(seed, 900), (0.8, 0.95)
    compiled = reductions(peaks, wait=15, kept=kept)
    assert np.array_equal(compiled, reductions(peaks, wait=15, kept=kept, plain=True))
    assert compiled == pytest.approx(slow(peaks, (0.1, 0.05), 15, 60.0, kept), abs=1e-7)
    assert compiled.min() < 5
    assert compiled.max() > 30


def test_the_glide_is_exponential_in_decibels() -> None:
    """Closed form: range k^n opening from closed, range (1 - k^n) closing from open."""
    n = np.arange(1, 101)
    opening = reductions(np.full(100, 1.0), kept=(0.93, 0.99))
    assert opening == pytest.approx(60 * 0.93**n, rel=1e-12)
    peaks = np.concatenate(([1.0], np.zeros(100 + 20)))
    closing = reductions(peaks, kept=(0.0, 0.97))
    assert not closing[:21].any()
    assert closing[21:] == pytest.approx(60 * (1 - 0.97**n), rel=1e-12)


def test_it_arrives_exactly_at_both_ends() -> None:
    peaks = np.concatenate((np.full(4000, 1.0), np.zeros(8000)))
    found = reductions(peaks)
    assert found[3999] == 0.0
    assert found[-1] == 60.0


def test_between_the_levels_it_stays_as_it_is() -> None:
    between = np.full(500, 0.07)
    assert (reductions(between) == 60.0).all()
    assert reductions(np.concatenate(([0.1], between)))[-1] < 1e-6


def test_the_wait_is_counted_in_whole_frames() -> None:
    for wait in (0, 1, 7):
        peaks = np.concatenate(([0.2, 0.05], np.zeros(30)))
        found = reductions(peaks, wait=wait, kept=(0.0, 0.5))
        assert np.flatnonzero(found)[0] == 2 + wait
