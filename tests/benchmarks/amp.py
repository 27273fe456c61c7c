"""Time of the amplifier against scipy's sosfilt with six sections on the same 10 s clip.

    python tests/benchmarks/amp.py

Both are run in turn and the least time of each is taken; the ratio carries over between machines.
"""

import sys
import time
from collections.abc import Callable

import numpy as np
from scipy.signal import butter, sosfilt

from simchain.amp import Amp, cabinet, power, preamp

RATE = 48_000
ROUNDS = 12


def _clip() -> np.ndarray:
    """Ten seconds of decaying notes with a peak of 0.5 V."""
    t = np.arange(10 * RATE) / RATE
    note = np.exp(-4 * (t % 0.5)) * np.sin(2 * np.pi * 110 * t)
    hiss = np.random.default_rng(1).normal(0, 0.01, t.size)
    return (0.5 * note + hiss)[np.newaxis]


def main() -> None:
    """Print one line a part: least milliseconds, and times six sections."""
    amp, volts = Amp(gain_db=16), _clip()
    sent = preamp(amp, volts, RATE)
    spoken = power(amp, sent, RATE)
    six = np.vstack([butter(2, 0.2, output="sos")] * 6)
    runs: dict[str, Callable[[], object]] = {
        "six sections": lambda: sosfilt(six, volts[0]),
        "preamp (three triodes, tone network)": lambda: preamp(amp, volts, RATE),
        "power stage and speaker": lambda: power(amp, sent, RATE),
        "cabinet": lambda: cabinet(amp, spoken, RATE),
    }
    least = dict.fromkeys(runs, np.inf)
    for _ in range(ROUNDS):
        for name, run in runs.items():
            start = time.perf_counter()
            run()
            least[name] = min(least[name], time.perf_counter() - start)
    least["whole amplifier"] = sum(list(least.values())[1:])
    for name, seconds in least.items():
        ratio = seconds / least["six sections"]
        sys.stdout.write(f"{name:40s} {1e3 * seconds:7.1f} ms {ratio:6.1f}\n")


if __name__ == "__main__":
    main()
