"""Faults found on finished boards: python -m tests.benchmarks.verify [--faults 100] [--sound 20].

Every board is hidden, real (see `tests.fit.finished`) and recorded with 16 bits, noise at -80 dBFS,
a clock 0.01 % off and an unknown gain. A fault that changes nothing measurable is drawn again.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor

from tests.benchmarks.table import Row, main
from tests.fit.finished import Outcome, tried


def one(job: tuple[int, bool]) -> Outcome:
    """Try one board."""
    seed, sound = job
    return tried(seed, sound=sound)


def options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--faults", type=int, default=100)
    parser.add_argument("--sound", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--workers", type=int, default=1)


def rows(given: argparse.Namespace) -> Iterator[Row]:
    """Say each board on standard error, and yield the shares."""
    jobs = [(given.first + seed, False) for seed in range(given.faults)]
    jobs += [(given.first + 5_000 + seed, True) for seed in range(given.sound)]
    done: list[Outcome] = []
    with ProcessPoolExecutor(given.workers) as pool:
        for outcome in pool.map(one, jobs):
            done.append(outcome)
            mark = "ok" if (outcome.first or outcome.hidden == "sound") else "--"
            if outcome.hidden == "sound":
                mark = "ok" if outcome.as_planned else "--"
            print(
                f"{mark} {outcome.seed} {' '.join(outcome.case)}: {outcome.hidden} "
                f"{outcome.number:.3g} -> {outcome.found or 'as planned'} "
                f"({outcome.equals} equals, misfit {outcome.misfit:.0f})",
                file=sys.stderr,
                flush=True,
            )
    faults = [each for each in done if each.hidden != "sound"]
    sound = [each for each in done if each.hidden == "sound"]
    if faults:
        share = f"of {len(faults)} faults"
        right = sum(each.first for each in faults) / len(faults)
        yield Row.of("named first, alone or among equals", right, share, 0.9, at_least=True)
        taken = sum(each.as_planned for each in faults) / len(faults)
        yield Row.of("taken for a board without a fault", taken, share)
        again = sum(each.drawn_again for each in faults)
        yield Row.of("changed nothing measurable and were drawn again", again, "faults")
        yield Row.of("named as equals with it", [each.equals for each in faults], "faults")
        for kind, count in sorted(Counter(each.kind for each in faults).items()):
            good = sum(each.first for each in faults if each.kind == kind)
            yield Row.of(f"named first: {kind}", good / count, f"of {count}")
    if sound:
        silent = sum(each.as_planned for each in sound) / len(sound)
        what = f"of {len(sound)} boards without a fault"
        yield Row.of("measured as planned", silent, what, 1.0, at_least=True)


if __name__ == "__main__":
    main(__doc__, rows, options)
