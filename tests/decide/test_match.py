"""How one sound best lies on another: delay and sign. The null itself: test_difference.py."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from simchain.decide.difference import difference

RATE = 48_000


def sound(seed: int = 0) -> np.ndarray:
    """Noise under 2 kHz with silence about it."""
    noise = np.random.default_rng(seed).standard_normal((1, RATE))
    window = np.sin(np.pi * np.arange(RATE) / RATE) ** 2
    low = sosfilt(butter(2, 2000.0, fs=RATE, output="sos"), noise * window, axis=1)
    return np.pad(low, ((0, 0), (RATE // 10, RATE // 10)))


@pytest.mark.parametrize("late", [0, 1, 48, 240, 959, -1, -48, -700])
@pytest.mark.parametrize("gain", [1.0, -0.3])
def test_delay_and_sign(late: int, gain: float) -> None:
    """Positive where B is later than A; the same with the other sign for A against B."""
    a = sound()
    b = gain * np.roll(a, late, axis=1)
    there, back = difference(a, b, RATE), difference(b, a, RATE)
    assert (there.delay_samples, there.inverted) == (late, gain < 0)
    assert (back.delay_samples, back.inverted) == (-late, gain < 0)


def test_a_delay_between_samples_counts_as_the_nearest() -> None:
    a = np.pad(sound(), ((0, 0), (0, 4800)))
    turns = np.fft.rfftfreq(a.shape[1]) * 100.4
    b = np.fft.irfft(np.fft.rfft(a) * np.exp(-2j * np.pi * turns), a.shape[1])
    assert difference(a, b, RATE).delay_samples == 100


def test_sounds_that_do_not_lie_on_each_other_have_no_delay() -> None:
    """Two noises are a little alike at some delay: that is chance."""
    for seed in range(1, 6):
        assert difference(sound(), sound(seed), RATE).delay_samples == 0


def test_identical_and_silent_sounds_have_none() -> None:
    a = sound()
    for b in (a.copy(), 0 * a):
        found = difference(a, b, RATE)
        assert (found.delay_samples, found.inverted) == (0, False)
