"""Sections from zeros and poles, held to scipy.signal."""

import numpy as np
import pytest
from scipy.signal import sosfreqz, tf2zpk, zpk2sos

from simchain.filters.sections import response, sections_of

RATE = 48_000
HZ = np.geomspace(1.0, 23_000.0, 300)


def roots(rng: np.random.Generator, pairs: int, singles: int, most: float) -> np.ndarray:
    """Roots inside the unit circle: conjugate pairs, and real ones."""
    upper = most * rng.uniform(0.1, 1.0, pairs) * np.exp(1j * rng.uniform(0.01, 3.1, pairs))
    return np.concatenate((upper, upper.conj(), most * rng.uniform(-1.0, 1.0, singles)))


@pytest.mark.parametrize("seed", range(20))
def test_the_response_is_that_of_scipys_sections(seed: int) -> None:
    rng = np.random.default_rng(seed)
    zeros = roots(rng, int(rng.integers(4)), int(rng.integers(4)), 1.0)
    poles = roots(rng, int(rng.integers(4)), int(rng.integers(1, 4)), 0.999)
    gain = float(rng.uniform(-2.0, 2.0))
    mine = sections_of(zeros, poles, gain)
    # scipy adds the poles at 0 that more zeros need, in pairs with the rest, just so.
    late = max(len(zeros) - len(poles), 0)
    theirs = sosfreqz(zpk2sos(zeros, np.append(poles, np.zeros(late)), gain), HZ, fs=RATE)[1]
    np.testing.assert_allclose(response(mine, HZ, RATE), theirs, rtol=1e-8)
    np.testing.assert_allclose(response(mine, HZ, RATE), sosfreqz(mine, HZ, fs=RATE)[1], rtol=1e-12)
    assert np.all(mine[:, 3] == 1.0)
    assert np.all(np.abs(np.concatenate([tf2zpk(row[:3], row[3:])[1] for row in mine])) < 1.0)


def test_no_section_of_two_near_resonances_is_very_loud() -> None:
    """A notch beside a resonance, twice: each resonance has the notch beside it."""
    at = np.exp(2j * np.pi * np.array([100.0, 4000.0]) / RATE)
    poles, zeros = 0.9999 * at, at
    both = [np.concatenate((one, one.conj())) for one in (zeros, poles)]
    loudest = [np.abs(response(row[np.newaxis], HZ, RATE)).max() for row in sections_of(*both, 1.0)]
    print(f"loudest: {np.round(loudest, 3)}")
    assert max(loudest) < 1.01


def test_no_roots_are_a_gain() -> None:
    none = np.empty(0, dtype=np.complex128)
    np.testing.assert_array_equal(sections_of(none, none, -0.5), [[-0.5, 0, 0, 1, 0, 0]])
