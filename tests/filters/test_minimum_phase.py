"""Minimum phase by the cepstrum against responses that are known to have it."""

import numpy as np
import pytest

from simchain.filters.minimum_phase import minimum_phase

FRAMES = 2**18  # as the body of a guitar has at 48 kHz: half of it rings no more


def resonator(hz: float, q: float, rate: int) -> np.ndarray:
    """r^n sin((n + 1) w) / sin(w): all poles, inside the circle, so of minimum phase."""
    n = np.arange(FRAMES)
    w = 2.0 * np.pi * hz / rate
    radius = np.exp(-0.5 * w / q)
    return radius**n * np.sin((n + 1) * w) / np.sin(w)


@pytest.mark.parametrize(("hz", "q"), [(100.0, 25.0), (400.0, 20.0), (3000.0, 8.0)])
def test_a_resonators_own_impulse_response(hz: float, q: float) -> None:
    """Closed form: an all-pole filter with poles inside the unit circle."""
    line = resonator(hz, q, 48_000)
    found = np.fft.irfft(minimum_phase(np.abs(np.fft.rfft(line))))
    off = np.abs(found - line).max() / np.abs(line).max()
    print(f"{hz:g} Hz, Q {q:g}: off by {off:.1e} of the peak")
    assert off < 1e-9


def test_a_zero_outside_comes_back_inside_and_a_delay_goes() -> None:
    """1 - 2/z has the magnitude of 2 - 1/z, whose zero lies at 1/2 (an all-pass between them)."""
    line = np.zeros(FRAMES)
    line[[40, 41]] = -1.0, 2.0
    found = np.fft.irfft(minimum_phase(np.abs(np.fft.rfft(line))))
    assert found[:2] == pytest.approx([2.0, -1.0], abs=1e-12)
    assert np.abs(found[2:]).max() < 1e-12


def test_nothing_has_no_phase() -> None:
    with pytest.raises(ValueError, match="no phase"):
        minimum_phase(np.zeros(9))
