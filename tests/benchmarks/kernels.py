"""Each recursive kernel against the same loop in C: python -m tests.benchmarks.kernels [WORD ...]

The C is built here, as gcc -O3 -march=native builds it; both run on the same arrays and must give
the same numbers. Asked for: 1.25 times C at worst, 1.10 in the geometric mean. What scipy has too
is run against that (`kernels_of_scipy`). With words, only races whose names hold one of them.
"""

import argparse
import ctypes
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.kernels_of_scipy import scipy_rows
from tests.benchmarks.kernels_of_the_ear import ear_races
from tests.benchmarks.races import Race, copied, kernels_without_a_race, races
from tests.benchmarks.table import Row, main
from tests.benchmarks.timing import timed

SOURCES = Path(__file__).parent / "c"
OPTIONS = ("-O3", "-march=native", "-fno-fast-math", "-shared", "-fPIC")
ROUNDS = 40
WORST, MEAN = 1.25, 1.10
# C may fuse a product and a sum, which rounds once where two roundings were.
SAME = 1e-9


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


def apart_by(a: np.ndarray, b: np.ndarray) -> float:
    """Return the largest difference, against the largest value."""
    return float(np.abs(a - b).max() / max(np.abs(a).max(), 1e-300)) if a.size else 0.0


def raced(twins: ctypes.CDLL, race: Race) -> np.ndarray:
    """Return the ratios of kernel to twin, after both have been seen to do the same."""
    twin = getattr(twins, race.twin)
    twin.restype = None
    ours, theirs = copied(race.arguments), copied(race.arguments)
    race.kernel(*ours)
    twin(*in_c(theirs))
    apart = max(
        apart_by(a, b) for a, b in zip(ours, theirs, strict=True) if isinstance(a, np.ndarray)
    )
    if apart > SAME:
        raise SystemExit(f"mend the twin in C of {race.name}: they differ by {apart:.0e}")
    kept: list[tuple[Any, ...]] = []  # the arrays that C was given, until they are given again

    def for_c() -> tuple[Any, ...]:
        kept[:] = [copied(race.arguments)]
        return tuple(in_c(kept[0]))

    seconds = timed(
        {"ours": race.kernel, "C": twin},
        ROUNDS,
        {"ours": lambda: copied(race.arguments), "C": for_c},
    )
    return seconds["ours"] / seconds["C"]


def options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("words", nargs="*", metavar="WORD", help="races whose names hold one")


def rows(given: argparse.Namespace) -> Iterator[Row]:
    every = [*races(), *ear_races()]
    chosen = [one for one in every if not given.words or any(w in one.name for w in given.words)]
    for left in kernels_without_a_race(every):
        print(f"without a twin in C: {left}", file=sys.stderr)
    if shutil.which("gcc") is None:
        print("gcc is not on the path: nothing is raced against C", file=sys.stderr)
        chosen = []
    medians = []
    with tempfile.TemporaryDirectory() as folder:
        twins = built(Path(folder)) if chosen else None
        for race in chosen:
            row = Row.of(race.name, raced(twins, race), "times C", WORST)
            medians.append(row.median)
            yield row
    if medians:
        capped = np.exp(np.mean(np.log(np.maximum(medians, 1.0))))
        plain = np.exp(np.mean(np.log(medians)))
        yield Row.of("the slowest of them", max(medians), "times C", WORST)
        yield Row.of("geometric mean, none counted below 1", float(capped), "times C", MEAN)
        yield Row.of("geometric mean", float(plain), "times C", MEAN)
    yield from scipy_rows(given.words)


if __name__ == "__main__":
    main(__doc__, rows, options)
