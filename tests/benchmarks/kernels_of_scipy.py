"""Kernels against what scipy has for the same: a part of `tests.benchmarks.kernels`.

Sections, one doubling and one halving of the rate with the very taps of the kernel.
scipy has nothing for the others: their coefficients move, or they are not
linear, or (a delay line) its `lfilter` would run thousands of zeros.
"""

from collections.abc import Callable, Iterator, Sequence

import numpy as np
from scipy.signal import butter, resample_poly, sosfilt

from simchain.filters import run_sections
from simchain.kernels import oversample
from tests.benchmarks.table import Row
from tests.benchmarks.timing import ten_seconds, timed

SAME = 1e-9
Run = Callable[[], np.ndarray]


def half_band() -> np.ndarray:
    """Return the taps of the first doubling as one symmetrical filter, its middle 1."""
    beside = oversample.half_band(0)
    right = np.zeros(2 * beside.size)
    right[0::2] = beside
    return np.concatenate((right[::-1], [1.0], right))


def pairs() -> Iterator[tuple[str, Run, Run]]:
    """Yield a name, ours and scipy's."""
    line, taps = ten_seconds(), half_band()
    for order in (1, 2, 5):
        filters = butter(2 * order, 0.2, output="sos")
        yield (
            f"sections: {order}, against sosfilt",
            lambda filters=filters: run_sections(filters, line[np.newaxis])[0],
            lambda filters=filters: sosfilt(filters, line),
        )
    double = np.repeat(line, 2)
    yield (
        "half-band, up by 2, against resample_poly",
        lambda: oversample.up(line, 2),
        lambda: resample_poly(line, 2, 1, window=taps / 2),
    )
    yield (
        "half-band, down by 2, against resample_poly",
        lambda: oversample.down(double, 2),
        lambda: resample_poly(double, 1, 2, window=taps / 2),
    )


def scipy_rows(words: Sequence[str]) -> Iterator[Row]:
    """Yield ratios to scipy, after both have been seen to do the same."""
    for name, ours, scipys in pairs():
        if words and not any(word in name for word in words):
            continue
        a, b = ours(), scipys()
        apart = np.abs(a - b[: a.size]).max() / np.abs(b).max()
        if apart > SAME:
            raise SystemExit(f"{name}: not the same, {apart:.0e} apart")
        seconds = timed({"ours": ours, "scipy": scipys})
        yield Row.of(name, seconds["ours"] / seconds["scipy"], "times scipy")
