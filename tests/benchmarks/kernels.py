"""Each recursive kernel against the same loop in C: python -m tests.benchmarks.kernels [WORD ...]

The C is built here, as gcc -O3 -march=native builds it; both run on the same arrays and must give
the same numbers. Asked for: 1.25 times C at worst, 1.10 in the geometric mean. With words, only
races whose names hold one of them are run.
"""

import ctypes
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.kernels_of_the_ear import ear_races
from tests.benchmarks.races import NEED_NO_RACE, Race, kernels_without_a_race, races

SOURCES = Path(__file__).parent / "c"
OPTIONS = ("-O3", "-march=native", "-fno-fast-math", "-shared", "-fPIC")
ROUNDS = 40
WORST, MEAN = 1.25, 1.10
# C may fuse a product and a sum, which rounds once where two roundings were.
SAME = 1e-9

Run = Callable[..., Any]


def built(folder: Path) -> ctypes.CDLL:
    """Build all sources into one library and load it."""
    library = folder / "twins.so"
    sources = sorted(str(path) for path in SOURCES.glob("*.c"))
    subprocess.run(["gcc", *OPTIONS, "-o", str(library), *sources, "-lm"], check=True)
    return ctypes.CDLL(str(library))


def in_c(arguments: tuple[Any, ...]) -> list[Any]:
    """Return `arguments` as C takes them: each array's pointer, then its sizes."""
    passed: list[Any] = []
    for value in arguments:
        if isinstance(value, np.ndarray):
            passed.append(ctypes.c_void_p(value.ctypes.data))
            passed += [ctypes.c_long(size) for size in value.shape]
        elif isinstance(value, int):
            passed.append(ctypes.c_long(value))
        else:
            passed.append(ctypes.c_double(value))
    return passed


def timed(kernel: Run, twin: Any, arguments: tuple[Any, ...]) -> tuple[float, float, float]:
    """Return the least seconds of kernel and twin, and how far apart their results are."""
    least = [np.inf, np.inf]
    for turn in range(ROUNDS + 1):
        made = []
        for side in ((0, 1), (1, 0))[turn % 2]:
            fresh = tuple(v.copy() if isinstance(v, np.ndarray) else v for v in arguments)
            run, given = (kernel, fresh) if side == 0 else (twin, in_c(fresh))
            start = time.perf_counter()
            run(*given)
            spent = time.perf_counter() - start
            if turn > 0:
                least[side] = min(least[side], spent)
            made.append([value for value in fresh if isinstance(value, np.ndarray)])
    apart = max(apart_by(a, b) for a, b in zip(*made, strict=True))
    return least[0], least[1], apart


def apart_by(a: np.ndarray, b: np.ndarray) -> float:
    """Return the largest difference, against the largest value."""
    return float(np.abs(a - b).max() / max(np.abs(a).max(), 1e-300)) if a.size else 0.0


def run_all(twins: ctypes.CDLL, chosen: list[Race]) -> None:
    ratios, unlike = [], []
    print(f"{'one call as a block makes it':36}{'ours ms':>9}{'C ms':>9}{'ratio':>8}{'apart':>9}")
    for race in chosen:
        twin = getattr(twins, race.twin)
        twin.restype = None
        ours, theirs, apart = timed(race.kernel, twin, race.arguments)
        figures = f"{1e3 * ours:9.3f}{1e3 * theirs:9.3f}{ours / theirs:8.2f}{apart:9.0e}"
        over = "  over" if ours / theirs > WORST else ""
        if apart <= SAME:
            ratios.append(ours / theirs)
        else:
            unlike.append(race.name)
            over = "  no race: they do not do the same"
        print(f"{race.name:36}{figures}{over}")
    if ratios:
        mean, capped = (np.exp(np.mean(np.log(np.maximum(ratios, low)))) for low in (1e-9, 1.0))
        print(f"worst {max(ratios):.2f} (asked {WORST}), geometric mean {mean:.2f} (asked {MEAN})")
        print(f"geometric mean with what is faster than C counted as 1: {capped:.2f}")
    if unlike:
        raise SystemExit(f"mend the twin in C of: {', '.join(unlike)}")


def main() -> None:
    if shutil.which("gcc") is None:
        print("not run: gcc is not on the path")
        return
    every, words = [*races(), *ear_races()], sys.argv[1:]
    chosen = [one for one in every if not words or any(word in one.name for word in words)]
    if left := kernels_without_a_race(every):
        print(f"without a twin in C: {', '.join(left)}")
    for name, reason in NEED_NO_RACE.items():
        print(f"no race for {name}: {reason}")
    with tempfile.TemporaryDirectory() as folder:
        run_all(built(Path(folder)), chosen)


if __name__ == "__main__":
    main()
