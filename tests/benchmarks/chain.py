"""Six blocks, amplifier and cabinet over ten seconds: python -m tests.benchmarks.chain

Asked for: within 60 times six sections without the amplifier's triodes, and 110 with them, on one
core.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import argparse
import tempfile
from collections.abc import Iterator
from pathlib import Path

from simchain.board import load_board
from simchain.chain.path import path_of
from simchain.chain.source import Source, source_of
from simchain.chain.step import reach, run
from simchain.chain.wires import Wires
from simchain.signal import Signal, write_float_wav
from tests.benchmarks.table import Row, main
from tests.benchmarks.timing import RATE, against_six_sections, ten_seconds

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


WHOLE, ALONE = "six blocks, amplifier, cabinet", "the same without the triodes"
ASKED = {WHOLE: 110.0, ALONE: 60.0}


def steps_only(board, source: Source, left_out: str = "") -> Wires:
    """Run the passage's links and steps and nothing else: no reading of files, no meters.

    The step named `left_out` hands on what it is given.
    """
    wires = Wires({0: source.signal.volts})
    for step in path_of(board, "split", "solo", "crunch", source_key=source.key).steps:
        arrival = wires.arriving(step)
        reached = reach(step, arrival.volts)
        if step.name == left_out:
            made = reached.copy()
        else:
            made = run(step, reached, free=arrival.free).volts
        wires = wires.behind(step, made, free=True)
    return wires


def rows(_: argparse.Namespace) -> Iterator[Row]:
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
        assert "preamp" in arriving, "no step is called preamp any more"
        runs = {
            WHOLE: lambda: steps_only(board, source),
            ALONE: lambda: steps_only(board, source, left_out="preamp"),
            "render: the same with clip and meters": lambda: render(
                board, order="split", passage="solo", points=False
            ),
            **{
                f"  {step.name}": lambda step=step: run(step, arriving[step.name]) for step in steps
            },
        }
        yield from against_six_sections(runs, ASKED)


if __name__ == "__main__":
    main(__doc__, rows)
