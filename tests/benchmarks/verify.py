"""Faults found on finished boards: python -m tests.benchmarks.verify [--faults 100] [--sound 20].

Every board is hidden, real (see `tests.fit.finished`) and recorded with 16 bits, noise at -80 dBFS,
a clock 0.01 % off and an unknown gain. A fault that changes nothing measurable is drawn again.
"""

import argparse
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from statistics import median

from tests.fit.finished import Outcome, tried


def one(job: tuple[int, bool]) -> Outcome:
    """Try one board."""
    seed, sound = job
    return tried(seed, sound=sound)


def main() -> None:
    """Print a line a board, then the shares."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--faults", type=int, default=100)
    parser.add_argument("--sound", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--workers", type=int, default=1)
    given = parser.parse_args()
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
                flush=True,
            )
    faults = [each for each in done if each.hidden != "sound"]
    sound = [each for each in done if each.hidden == "sound"]
    if faults:
        right = sum(each.first for each in faults)
        again = sum(each.drawn_again for each in faults)
        print(f"named first: {right} of {len(faults)}; drawn again: {again}")
        print(f"named as equals with it: {median(each.equals for each in faults):g} in the median")
        print(f"taken for sound: {sum(each.as_planned for each in faults)}")
        kinds, good = Counter(), Counter()
        for each in faults:
            kinds[each.kind] += 1
            good[each.kind] += each.first
        for kind, count in sorted(kinds.items()):
            print(f"  {kind:12} {good[kind]} of {count}")
    if sound:
        print(f"silent on {sum(each.as_planned for each in sound)} of {len(sound)} sound boards")


if __name__ == "__main__":
    main()
