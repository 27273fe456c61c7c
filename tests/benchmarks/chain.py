"""Six blocks, amplifier and cabinet over ten seconds: python -m tests.benchmarks.chain

Asked for: within 60 times six sections, on one core.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import tempfile
from pathlib import Path

from simchain.board import load_board
from simchain.chain.path import path_of
from simchain.chain.source import Source, source_of
from simchain.chain.step import reach, run
from simchain.chain.wires import Wires
from simchain.signal import Signal, write_float_wav
from tests.benchmarks.timing import RATE, print_against_six_sections, ten_seconds

BOARD = """
tail_s = 0.0
source = { kind = "guitar", clip = "clip.wav", full_scale_dbu = -0.79181246 }
[blocks]
press = { kind = "compressor" }
grit = { kind = "drive", gain_db = 24, level_db = -11 }
push = { kind = "boost" }
sweep = { kind = "modulation", shape = "phaser" }
room = { kind = "reverb" }
repeat = { kind = "delay" }
[amps.crunch]
gain_db = 16
[orders.split]
front = ["press", "grit", "push", "sweep"]
loop = ["room", "repeat"]
[passages.solo]
on = ["press", "grit", "push", "sweep", "room", "repeat"]
"""


def steps_only(board, source: Source) -> Wires:
    """Run the passage's links and steps and nothing else: no reading of files, no meters."""
    wires = Wires({0: source.signal.volts})
    for step in path_of(board, "split", "solo", "crunch", source_key=source.key).steps:
        arrival = wires.arriving(step)
        reached = reach(step, arrival.volts)
        made = run(step, reached, free=arrival.free).volts
        wires = wires.behind(step, made, free=True)
    return wires


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        write_float_wav(Path(folder) / "clip.wav", Signal(ten_seconds(), RATE))
        path = Path(folder) / "board.toml"
        path.write_text(BOARD)
        board = load_board(path)
        source = source_of(board, "solo")
        from simchain import render

        steps = path_of(board, "split", "solo", "crunch", source_key=b"").steps
        arriving = {}
        wires = Wires({0: source.signal.volts})
        for step in steps:
            arriving[step.name] = reach(step, wires.arriving(step).volts)
            wires = wires.behind(step, run(step, arriving[step.name]).volts)
        runs = {
            "six blocks, amplifier, cabinet": lambda: steps_only(board, source),
            "render: the same with clip and meters": lambda: render(
                board, order="split", passage="solo", points=False
            ),
            **{
                f"  {step.name}": lambda step=step: run(step, arriving[step.name]) for step in steps
            },
        }
        print_against_six_sections(runs)


if __name__ == "__main__":
    main()
