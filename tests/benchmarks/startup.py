"""Whole commands against ``import numpy, scipy.signal``: python -m tests.benchmarks.startup

The demo's first run, with nothing compiled, is taken apart from the runs with warm kernels. Asked
for: the demo under 6 s warm and under 30 s the very first time.
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from simchain.board import starter

YARDSTICK = [sys.executable, "-c", "import numpy, scipy.signal"]


def seconds(command: list[str], **more_environment: str) -> float:
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True, env={**os.environ, **more_environment})
    return time.perf_counter() - start


def simchain(*arguments: object) -> list[str]:
    code = "import sys; from simchain.cli import main; sys.argv[0] = 'simchain'; main()"
    return [sys.executable, "-c", code, *map(str, arguments)]


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        board, out = folder / "board.toml", folder / "out"
        board.write_text(starter("demo"))
        compiled = {"NUMBA_CACHE_DIR": str(folder / "compiled")}
        chosen = ("--order", "split", "--passage", "solo", "--out", out)
        commands = {
            "import numpy, scipy.signal": YARDSTICK,
            "simchain --help": simchain("--help"),
            "simchain check": simchain("check", board),
            "simchain render, 12 s": simchain("render", board, *chosen),
            "simchain demo": simchain("demo", "--out", out),
        }
        first = seconds(commands["simchain demo"], **compiled)
        least = dict.fromkeys(commands, float("inf"))
        for _ in range(3):
            for what, command in commands.items():
                least[what] = min(least[what], seconds(command, **compiled))
        print(f"{'simchain demo, the very first time':44}{first:8.2f} s")
        for what, taken in least.items():
            print(f"{what:44}{taken:8.2f} s {taken / least['import numpy, scipy.signal']:7.2f} x")


if __name__ == "__main__":
    main()
