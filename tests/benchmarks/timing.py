"""What every benchmark shares: a clip, the yardstick, and interleaved rounds.

The yardstick is `scipy.signal.sosfilt` with six second-order sections over ten seconds of mono at
48 kHz, in the same run; ratios to it carry over between machines, milliseconds do not.
"""

import time
from collections.abc import Callable, Mapping

import numpy as np
from scipy.signal import butter, sosfilt

RATE = 48_000
SIX_SECTIONS = "six sections (sosfilt)"


def ten_seconds() -> np.ndarray:
    """Return a chord struck twice a second with a little hiss, 0.3 V at its loudest, (frames,)."""
    seconds = np.arange(10 * RATE) / RATE
    tones = sum(np.sin(2 * np.pi * hz * seconds) / 3 for hz in (110.3, 164.9, 220.7))
    hiss = np.random.default_rng(1).normal(0, 0.001, seconds.size)
    return 0.3 * tones * np.exp(-4 * (seconds % 0.5)) + hiss


def six_sections(line: np.ndarray) -> Callable[[], object]:
    """Return the yardstick over `line`."""
    sections = np.vstack([butter(2, 0.2, output="sos")] * 6)
    return lambda: sosfilt(sections, line)


def least_seconds(runs: Mapping[str, Callable[[], object]], rounds: int = 9) -> dict[str, float]:
    """Return the least time of each run over interleaved rounds, after one to warm up."""
    least = dict.fromkeys(runs, np.inf)
    for turn in range(rounds + 1):
        for name, run in runs.items():
            start = time.perf_counter()
            run()
            if turn > 0:
                least[name] = min(least[name], time.perf_counter() - start)
    return least


def print_against_six_sections(
    runs: Mapping[str, Callable[[], object]], rounds: int = 9
) -> dict[str, float]:
    """Print milliseconds of each run and its ratio to the yardstick; return the least seconds."""
    yardstick = {SIX_SECTIONS: six_sections(ten_seconds())}
    least = least_seconds({**yardstick, **runs}, rounds)
    for name, seconds in least.items():
        print(f"{name:44}{1e3 * seconds:9.1f} ms {seconds / least[SIX_SECTIONS]:8.1f} x")
    return least
