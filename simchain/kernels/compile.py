"""The one place that owns the compiler.

A kernel and the compiled helpers it calls live in one file, and constants arrive as arguments:
numba's cache does not see changes in another file and freezes module globals.
"""

from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

import numba

P = ParamSpec("P")
R = TypeVar("R")


def kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile `function` at its first call, with the options every kernel shares.

    Cached on disk: compiled once a machine. The interpreter lock is given up: threads of a search
    run side by side. No fastmath: infinities and NaN keep their meaning, and results repeat.
    """
    compiled = numba.njit(cache=True, nogil=True, fastmath=False, error_model="numpy")(function)
    return cast(Callable[P, R], compiled)


def summing_kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile as `kernel` does, but let long sums be taken in any order, several terms at once.

    Without that, a sum waits for each of its additions: the moved delay line took 2.7 times C's
    time. Infinities and NaN keep their meaning; the last digit may differ between processors.
    """
    compiled = numba.njit(
        cache=True, nogil=True, fastmath={"reassoc", "contract"}, error_model="numpy"
    )(function)
    return cast(Callable[P, R], compiled)
