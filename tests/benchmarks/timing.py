"""How everything here is timed: interleaved rounds, and ratios within each of them.

The yardstick is `scipy.signal.sosfilt` with six second-order sections over ten seconds of mono at
48 kHz, in the same run; ratios to it carry over between machines, milliseconds do not.
"""

import time
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np
from scipy.signal import butter, sosfilt

from tests.benchmarks.table import Row

RATE = 48_000
ROUNDS = 9
SIX_SECTIONS = "six sections (sosfilt)"

Run = Callable[..., object]
Seconds = dict[str, np.ndarray]


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


def timed(
    runs: Mapping[str, Run],
    rounds: int = ROUNDS,
    fresh: Mapping[str, Callable[[], tuple[Any, ...]]] | None = None,
    warm_up: bool = True,
) -> Seconds:
    """Return the seconds of each run in each round, all runs one after another in each.

    Every other round goes backwards. Of a run that is among `fresh` the arguments are made anew
    before each call, and not timed. One round before the first is not counted, with `warm_up`.
    """
    made = fresh or {}
    seconds: dict[str, list[float]] = {name: [] for name in runs}
    for turn in range(-1 if warm_up else 0, rounds):
        names = list(runs) if turn % 2 == 0 else list(reversed(runs))
        for name in names:
            arguments = made[name]() if name in made else ()
            begun = time.perf_counter()
            runs[name](*arguments)
            spent = time.perf_counter() - begun
            if turn >= 0:
                seconds[name].append(spent)
    return {name: np.array(each) for name, each in seconds.items()}


def against_six_sections(
    runs: Mapping[str, Run],
    asked: Mapping[str, float] | None = None,
    rounds: int = ROUNDS,
) -> Iterator[Row]:
    """Yield the ratio of each run to the yardstick, and at last the yardstick's milliseconds."""
    yield from rows_of(timed({SIX_SECTIONS: six_sections(ten_seconds()), **runs}, rounds), asked)


def rows_of(seconds: Seconds, asked: Mapping[str, float] | None = None) -> Iterator[Row]:
    """Yield rows against six sections from what was timed with them."""
    yardstick = seconds[SIX_SECTIONS]
    for name, each in seconds.items():
        if name != SIX_SECTIONS:
            limit = (asked or {}).get(name)
            yield Row.of(name, each / yardstick, "times six sections", limit)
    yield Row.of(SIX_SECTIONS, 1e3 * yardstick, "ms")
