"""Settings found in recordings of hidden units: python -m tests.benchmarks.fit [KIND ...].

For every kind and seed a hidden unit (`tests.fit.hidden`) is recorded with 16 bits, noise at -80
dBFS, a clock 0.01 % off and an unknown gain, and fitted; a clip is then played through both.
"""

import argparse
import json
import os
import pkgutil
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from statistics import median

import numpy as np
import soundfile

from simchain.signal import Signal, resampled
from tests.fit import hidden
from tests.fit.trials import Trial, tried

NOT_UNITS = {"oversampled"}
CLIP_PEAK_VOLTS = 0.4  # single notes on a single-coil pickup (common practice, no source)
CLIP_S = 8.0
AUDIO = Path(__file__).parents[2] / "audio"


def clip_volts() -> np.ndarray:
    """Return a clip that ships, as it comes from a guitar: (frames,) at 48 kHz."""
    samples, rate = soundfile.read(AUDIO / "riff.flac", always_2d=True)
    line = resampled(Signal(samples[: round(CLIP_S * rate), :1].T, rate), 48_000).volts[0]
    return line * (CLIP_PEAK_VOLTS / np.abs(line).max())


def one(job: tuple[str, int]) -> Trial:
    """Try one kind with one seed."""
    kind, seed = job
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    return tried(kind, seed, clip=clip_volts())


def table(kind: str, trials: Iterable[Trial]) -> dict[str, object]:
    """Sum up the trials of one kind."""
    done = list(trials)
    controls = {
        name: sum(trial.off[name] <= 1.0 for trial in done if name in trial.off)
        / sum(name in trial.off for trial in done)
        for name in sorted({name for trial in done for name in trial.off})
    }
    words = Counter(trial.verdict for trial in done)
    return {
        "kind": kind,
        "trials": len(done),
        "all within": sum(trial.holds for trial in done) / len(done),
        "within, by control": controls,
        "residual_db": [median(t.residual_db for t in done), max(t.residual_db for t in done)],
        "verdicts": dict(words),
        "same or free": (words["same"] + words["free"]) / len(done),
        "seconds": [median(t.seconds for t in done), max(t.seconds for t in done)],
    }


def main() -> None:
    """Print a line a trial, then the table of each kind."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kinds", nargs="*")
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--workers", type=int, default=1)
    given = parser.parse_args()
    known = [one.name for one in pkgutil.iter_modules(hidden.__path__) if one.name not in NOT_UNITS]
    tables = []
    with ProcessPoolExecutor(given.workers) as pool:
        for kind in given.kinds or known:
            jobs = [(kind, seed) for seed in range(given.first, given.first + given.seeds)]
            trials = []
            for trial in pool.map(one, jobs):
                trials.append(trial)
                off = {name: round(float(value), 2) for name, value in trial.off.items()}
                word = "holds" if trial.holds else f"MISSES of {trial.given}"
                print(
                    f"{kind} {trial.seed}: {off} residual {trial.residual_db:.1f} dB, "
                    f"{trial.verdict}, {trial.seconds:.1f} s, {word}",
                    flush=True,
                )
            tables.append(table(kind, trials))
    print(json.dumps(tables, indent=1, default=float))


if __name__ == "__main__":
    main()
