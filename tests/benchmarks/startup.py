"""Whole commands against ``import numpy, scipy.signal``: python -m tests.benchmarks.startup

Warm: everything was run before. Cold: an empty folder for what Python compiles, and one for what
numba does, before every single run, of the yardstick too; files are in memory both times. Ratios
are to the yardstick in the same state. Asked for: `--help` within 0.35, `check` of the demo's board
within 0.6, `render` of 10 s through six blocks, amplifier and cabinet within 2.5, all warm; the
demo, whose four orders are judged, under 6 s warm and under 30 s the very first time.
"""

import argparse
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path

from simchain.board import starter
from simchain.signal import Signal, write_float_wav
from tests.benchmarks.chain import BOARD
from tests.benchmarks.table import Row, main
from tests.benchmarks.timing import RATE, ten_seconds, timed

YARDSTICK = "import numpy, scipy.signal"
ASKED = {"--help": 0.35, "check": 0.6, "render of 10 s": 2.5}
DEMO_S = {"warm": 6.0, "cold": 30.0}
LIGHT_COLD, HEAVY_COLD = 3, 1  # rounds; a heavy command compiles its kernels in each


def simchain(*arguments: object) -> list[str]:
    """Return the command as a list, whatever is on the path."""
    code = "import sys; from simchain.cli import main; sys.argv[0] = 'simchain'; main()"
    return [sys.executable, "-c", code, *map(str, arguments)]


def commands(folder: Path) -> dict[str, list[str]]:
    """Return what is started, the yardstick first."""
    board, chain, out = folder / "demo.toml", folder / "board.toml", folder / "out"
    board.write_text(starter("demo"))
    write_float_wav(folder / "clip.wav", Signal(ten_seconds(), RATE))
    chain.write_text(BOARD)
    solo = ("--order", "split", "--passage", "solo", "--out", out)
    two = ("--orders", "series,split", "--passages", "solo", "--out", out)
    return {
        YARDSTICK: [sys.executable, "-c", YARDSTICK],
        "--help": simchain("--help"),
        "check": simchain("check", board),
        "render of 10 s": simchain("render", chain, *solo),
        "compare, 2 orders, 1 passage": simchain("compare", board, *two),
        "demo": simchain("demo", "--out", folder / "demo"),
    }


def run(command: list[str], python: Path, kernels: Path) -> None:
    """Run a command to its end, its compiled files in two folders."""
    known = {**os.environ, "PYTHONPYCACHEPREFIX": str(python), "NUMBA_CACHE_DIR": str(kernels)}
    known.pop("PYTHONDONTWRITEBYTECODE", None)
    ran = subprocess.run(command, capture_output=True, text=True, env=known)
    if ran.returncode:
        raise SystemExit(f"{command[-3:]} ended with {ran.returncode}: {ran.stderr[-500:]}")


def cold(command: list[str], folder: Path) -> Callable[[], tuple[list[str], Path, Path]]:
    """Return what gives a command two empty folders."""

    def arguments() -> tuple[list[str], Path, Path]:
        empty = Path(tempfile.mkdtemp(dir=folder))
        return command, empty / "python", empty / "kernels"

    return arguments


def ratios(state: str, runs: Mapping[str, Callable[..., object]], **how: object) -> Iterator[Row]:
    """Yield rows of commands that were timed together."""
    seconds = timed(runs, **how)
    for name, each in seconds.items():
        if name == "demo":
            yield Row.of(f"demo, {state}", each, "s", DEMO_S[state])
        elif name != YARDSTICK:
            asked = ASKED.get(name) if state == "warm" else None
            unit = f"times the import, {state}"
            yield Row.of(f"{name}, {state}", each / seconds[YARDSTICK], unit, asked)
    yield Row.of(f"{YARDSTICK}, {state}", seconds[YARDSTICK], "s")


def rows(_: argparse.Namespace) -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        started = commands(folder)
        kept = folder / "python", folder / "kernels"
        light = {what: started[what] for what in (YARDSTICK, "--help", "check")}
        heavy = {what: one for what, one in started.items() if what not in light}
        warm = {what: partial(run, one, *kept) for what, one in started.items()}
        yield from ratios("warm", {what: warm[what] for what in light})
        with_import = {YARDSTICK: warm[YARDSTICK], **{what: warm[what] for what in heavy}}
        for row in ratios("warm", with_import, rounds=3):
            if not row.what.startswith(YARDSTICK):
                yield row
        for rounds, some in ((LIGHT_COLD, light), (HEAVY_COLD, heavy)):
            both = {YARDSTICK: started[YARDSTICK], **some}
            fresh = {what: cold(one, folder) for what, one in both.items()}
            every = ratios(
                "cold", dict.fromkeys(both, run), rounds=rounds, fresh=fresh, warm_up=False
            )
            for row in every:
                if some is light or not row.what.startswith(YARDSTICK):
                    yield row


if __name__ == "__main__":
    main(__doc__, rows)
