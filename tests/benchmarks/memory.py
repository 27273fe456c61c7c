"""Peak memory of long renders: python -m tests.benchmarks.memory [MINUTES ...]

Each length is rendered in a process of its own, on a board of seven stereo blocks and a pair of
amplifiers with real links, a true-bypass boost switched on the way. Left out, 1, 5 and 10 minutes.

    python -m tests.benchmarks.memory render MINUTES [EVENT ...]

is that process: it prints seconds, and peak bytes of the process from its start on, which Linux
alone tells. `EVENT` are the passage's, in TOML, in place of the boost's.

Asked for: 0.8 GB for five minutes and 1.3 GB for ten, the program itself included.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

RATE = 48_000
ASKED_GB = {5.0: 0.8, 10.0: 1.3}
SWITCHED = ('{ at = 10, block = "push", do = "off" }', '{ at = 20, block = "push", do = "on" }')
BOARD = """
source = {{ kind = "guitar", clip = "clip.wav" }}
[blocks]
press = {{ kind = "compressor", inputs = 2, outputs = 2 }}
push = {{ kind = "boost", inputs = 2, outputs = 2 }}
grit = {{ kind = "drive", inputs = 2, outputs = 2 }}
sweep = {{ kind = "modulation", shape = "phaser", inputs = 2, outputs = 2 }}
sway = {{ kind = "modulation", inputs = 2, outputs = 2 }}
room = {{ kind = "reverb", inputs = 2, outputs = 2 }}
repeat = {{ kind = "delay", inputs = 2, outputs = 2 }}
[amps.one]
[amps.two]
[output]
amps = ["one", "two"]
[orders.split]
front = ["press", "push", "grit", "sweep"]
loop = ["sway", "room", "repeat"]
[passages.long]
on = ["press", "push", "grit", "sweep", "sway", "room", "repeat"]
events = [{events}]
"""


def sound_bytes(minutes: float) -> int:
    """Return how large one stereo sound of that length is, with its tail."""
    return round((60 * minutes + 2) * RATE) * 2 * 8


def measured(minutes: float, events: tuple[str, ...] = SWITCHED) -> tuple[float, int]:
    """Return seconds and peak bytes of a render of that length in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.memory", "render", str(minutes), *events]
    root = Path(__file__).parents[2]
    run = subprocess.run(command, cwd=root, check=True, capture_output=True, text=True)
    seconds, peak = json.loads(run.stdout)
    return seconds, peak


def render_once(minutes: float, events: list[str]) -> None:
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
        path.write_text(BOARD.format(events=", ".join(events)))
        start = time.perf_counter()
        render(load_board(path), "split", "long", points=False)
    print(json.dumps((time.perf_counter() - start, peak_bytes())))


def peak_bytes() -> int:
    """Return the most memory that this process has held.

    `getrusage` would count what its parent held when it started it.
    """
    status = Path("/proc/self/status").read_text()
    return 1024 * int(status.split("VmHWM:")[1].split()[0])


def main(lengths: list[float]) -> None:
    """Print a line for each length."""
    measured(0.1)  # compiles what is not compiled yet
    for minutes in lengths or [1.0, 5.0, 10.0]:
        seconds, peak = measured(minutes)
        asked = f", asked for {ASKED_GB[minutes]} GB" if minutes in ASKED_GB else ""
        print(f"{minutes:g} minutes in stereo: {peak / 1e9:.3f} GB{asked}; {seconds:.1f} s")


if __name__ == "__main__":
    if sys.argv[1:2] == ["render"]:
        render_once(float(sys.argv[2]), sys.argv[3:] or list(SWITCHED))
    else:
        main([float(one) for one in sys.argv[1:]])
