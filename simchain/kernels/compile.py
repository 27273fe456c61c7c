"""The one place that owns the compiler.

A kernel and the compiled helpers it calls live in one file, and constants arrive as arguments:
numba's cache does not see changes in another file and freezes module globals.
"""

from collections.abc import Callable
from contextlib import suppress
from typing import Any, ParamSpec, TypeVar, cast

import numba
from numba.core.caching import FunctionCache

P = ParamSpec("P")
R = TypeVar("R")


def kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile `function` at its first call, with the options every kernel shares.

    Cached on disk where that can be: compiled once a machine. The interpreter lock is given up:
    threads of a search run side by side. No fastmath: infinities and NaN keep their meaning, and
    results repeat.
    """
    return _compiled(function, fastmath=False)


def summing_kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile as `kernel` does, but let long sums be taken in any order, several terms at once.

    Without that, a sum waits for each of its additions: the moved delay line took 2.7 times C's
    time. Infinities and NaN keep their meaning; the last digit may differ between processors.
    """
    return _compiled(function, fastmath={"reassoc", "contract"})


class _Cache(FunctionCache):
    """What is compiled, on disk: it saves time, and no command may fail of it.

    A disk may be full, a file unreadable or, after the power went, broken: then a kernel is
    compiled once more.
    """

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Return what was kept for a signature, or None."""
        numbas: Any = super()
        try:
            return numbas.load_overload(sig, target_context)
        except Exception:  # whatever unpickling makes of a broken file
            with suppress(OSError):
                numbas.flush()  # so that what is compiled now can be kept
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep what was compiled, if there is room."""
        numbas: Any = super()
        with suppress(OSError):
            numbas.save_overload(sig, data)


def _compiled(function: Callable[P, R], *, fastmath: bool | set[str]) -> Callable[P, R]:
    compiled: Any = numba.njit(nogil=True, fastmath=fastmath, error_model="numpy")(function)
    with suppress(RuntimeError):  # there is no folder to keep anything in
        compiled._cache = _Cache(function)  # type: ignore[no-untyped-call]
    return cast(Callable[P, R], compiled)
