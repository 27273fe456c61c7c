"""An interface that records: another clock, unknown gain, noise, 16 bits. Nothing of `simchain`.

Read between samples by a windowed sinc of 32 taps (Oppenheim and Schafer, Discrete-Time Signal
Processing, on bandlimited interpolation; from memory).
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RATE = 48_000
TAPS = 32
NOISE_DBFS = -80.0


@dataclass(frozen=True)
class Interface:
    """`full_scale_volts` is what reads full scale; one second of it lasts 1 + `drift` seconds."""

    full_scale_volts: float
    drift: float = 1e-4
    noise_dbfs: float = NOISE_DBFS
    inverted: bool = False

    def record(
        self, path: Path, volts: Floats, *, begins_s: float, seed: int, seconds: float = 0.0
    ) -> None:
        """Write a recording of `volts`, (frames,) at 48 kHz, which begin at `begins_s`."""
        rng = np.random.default_rng(seed)
        frames = round((volts.size / RATE * (1.0 + self.drift) + begins_s + 0.7 + seconds) * RATE)
        times = (np.arange(frames) - begins_s * RATE) / (1.0 + self.drift)
        heard = between(volts, times) / self.full_scale_volts * (-1.0 if self.inverted else 1.0)
        heard += 10.0 ** (self.noise_dbfs / 20.0) * rng.standard_normal(frames)
        steps = np.clip(np.rint(heard * 32768.0), -32768, 32767).astype(np.int16)
        soundfile.write(path, steps, RATE, subtype="PCM_16")


def between(volts: Floats, times: Floats) -> Floats:
    """Return `volts` at `times`, in frames, whole or not; silence beyond the ends."""
    padded = np.pad(volts, TAPS)
    out = np.zeros(times.size)
    whole = np.floor(times).astype(np.int64)
    inside = (whole > -TAPS // 2) & (whole < volts.size + TAPS // 2)
    places, rests = whole[inside], (times - whole)[inside]
    total = np.zeros(places.size)
    for tap in range(-TAPS // 2 + 1, TAPS // 2 + 1):
        away = rests - tap
        weight = np.sinc(away) * np.cos(np.pi * away / (TAPS + 2)) ** 2
        total += padded[places + tap + TAPS] * weight
    out[inside] = total
    return out
