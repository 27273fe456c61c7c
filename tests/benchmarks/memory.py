"""Peak memory of renders, by length and by blocks: python -m tests.benchmarks.memory [MINUTES ...]

Each length is rendered in a process of its own, on a board of seven stereo blocks and a pair of
amplifiers with real links, a true-bypass boost switched on the way. Left out, 1, 5 and 10 minutes.
Then two minutes with 1 to 28 blocks: what a block more takes, in sounds of that length.

    python -m tests.benchmarks.memory render MINUTES BLOCKS [EVENT ...]

is that process: it prints seconds, and peak bytes of the process from its start on, which Linux
alone tells. `EVENT` are the passage's, in TOML, in place of the boost's.

Asked for: 0.8 GB for five minutes and 1.3 GB for ten, the program itself included.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tests.benchmarks.table import Row, main

RATE = 48_000
ASKED_GB = {5.0: 0.8, 10.0: 1.3}
STEREO = "inputs = 2, outputs = 2"
SWITCHED = ('{ at = 10, block = "push", do = "off" }', '{ at = 20, block = "push", do = "on" }')
BOARD = """
source = {{ kind = "guitar", clip = "clip.wav" }}
[blocks]
{blocks}
[amps.one]
[amps.two]
[output]
amps = ["one", "two"]
[orders.split]
front = {front}
loop = {loop}
[passages.long]
on = {on}
events = [{events}]
"""
FRONT = {
    "press": 'kind = "compressor"',
    "push": 'kind = "boost"',
    "grit": 'kind = "drive"',
    "sweep": 'kind = "modulation", shape = "phaser"',
}
LOOP = {"sway": 'kind = "modulation"', "room": 'kind = "reverb"', "repeat": 'kind = "delay"'}
SEVEN = len(FRONT) + len(LOOP)
BLOCKS, BLOCKS_MINUTES = (1, 7, 14, 28), 2.0


def sound_bytes(minutes: float) -> int:
    """Return how large one stereo sound of that length is, with its tail."""
    return round((60 * minutes + 2) * RATE) * 2 * 8


def stereo_board(blocks: int, events: tuple[str, ...] | list[str]) -> str:
    """Return a board of so many stereo blocks: the seven, again and again, or the first of them."""
    each, kinds = [*FRONT, *LOOP], FRONT | LOOP
    names = {f"{each[n % SEVEN]}{n // SEVEN or ''}": each[n % SEVEN] for n in range(blocks)}
    front = [name for name, kind in names.items() if kind in FRONT]
    lines = (f"{name} = {{ {kinds[kind]}, {STEREO} }}" for name, kind in names.items())
    return BOARD.format(
        blocks="\n".join(lines),
        front=json.dumps(front),
        loop=json.dumps([name for name in names if name not in front]),
        on=json.dumps(list(names)),
        events=", ".join(events),
    )


def measured(
    minutes: float, events: tuple[str, ...] = SWITCHED, blocks: int = SEVEN
) -> tuple[float, int]:
    """Return seconds and peak bytes of a render of that length in a process of its own."""
    asked = ["render", str(minutes), str(blocks), *events]
    command = [sys.executable, "-m", "tests.benchmarks.memory", *asked]
    root = Path(__file__).parents[2]
    run = subprocess.run(command, cwd=root, check=True, capture_output=True, text=True)
    seconds, peak = json.loads(run.stdout)
    return seconds, peak


def render_once(minutes: float, blocks: int, events: list[str]) -> None:
    """Write a clip and the board, render, and print what it took."""
    import soundfile

    from simchain import load_board, render

    with tempfile.TemporaryDirectory() as folder:
        random = np.random.default_rng(0)
        with soundfile.SoundFile(Path(folder) / "clip.wav", "w", RATE, 2, "PCM_16") as clip:
            left = round(60 * minutes * RATE)
            while left > 0:
                clip.write(0.05 * random.standard_normal((min(left, RATE), 2)))
                left -= RATE
        path = Path(folder) / "board.toml"
        path.write_text(stereo_board(blocks, events))
        start = time.perf_counter()
        render(load_board(path), "split", "long", points=False)
    print(json.dumps((time.perf_counter() - start, peak_bytes())))


def peak_bytes() -> int:
    """Return the most memory that this process has held.

    `getrusage` would count what its parent held when it started it.
    """
    status = Path("/proc/self/status").read_text()
    return 1024 * int(status.split("VmHWM:")[1].split()[0])


def options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("minutes", nargs="*", type=float, metavar="MINUTES")


def rows(given: argparse.Namespace) -> Iterator[Row]:
    measured(0.1)  # compiles what is not compiled yet
    for minutes in given.minutes or [1.0, 5.0, 10.0]:
        seconds, peak = measured(minutes)
        what = f"{minutes:g} minutes in stereo, 7 blocks"
        yield Row.of(what, peak / 1e9, "GB", ASKED_GB.get(minutes))
        yield Row.of(f"{what}, a second of it", seconds / (60 * minutes), "seconds")
    first = None
    for blocks in BLOCKS:
        _, peak = measured(BLOCKS_MINUTES, (), blocks)
        first = peak if first is None else first
        what = f"{BLOCKS_MINUTES:g} minutes in stereo, {blocks} blocks"
        yield Row.of(what, peak / 1e9, "GB")
        if blocks > 1:
            more = (peak - first) / sound_bytes(BLOCKS_MINUTES) / (blocks - 1)
            yield Row.of(f"{what}: a block more than one takes", more, "sounds")


if __name__ == "__main__":
    if sys.argv[1:2] == ["render"]:
        render_once(float(sys.argv[2]), int(sys.argv[3]), sys.argv[4:])
    else:
        main(__doc__, rows, options)
