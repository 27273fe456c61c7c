"""Small boards to search: four blocks, two of them with nothing but linear circuits."""

from pathlib import Path

import numpy as np
import soundfile

BLOCKS = ("tilt", "push", "grit", "squash")

BOARD = """
title = "Four blocks"
links = "ideal"
tail_s = 0.2
source = { kind = "guitar", clip = "clip.wav", full_scale_dbu = 12 }
[blocks]
tilt = { kind = "equalizer", bands = [{ shape = "high_shelf", hz = 2000, db = 3 }] }
push = { kind = "boost", gain_db = 2, supply_volts = 18 }
grit = { kind = "drive", gain_db = 24 }
squash = { kind = "compressor" }
[orders.given]
front = ["tilt", "push", "grit", "squash"]
[passages.riff]
on = ["tilt", "push", "grit", "squash"]
[goals]
levels = 0
headroom = 1
clarity = 1
dirt = -1
"""

ON_AN_AMPLIFIER = """
[amps.valves]
[output]
amps = ["valves"]
"""


def written(folder: Path, text: str = BOARD, *, seconds: float = 0.5, loud: float = 0.1) -> Path:
    """Write a board into `folder`, beside its clip: a plucked tone that dies away."""
    time_s = np.arange(round(seconds * 48_000)) / 48_000
    plucked = np.exp(-3.0 * time_s) * (
        np.sin(2 * np.pi * 196 * time_s) + 0.5 * np.sin(2 * np.pi * 587 * time_s)
    )
    soundfile.write(folder / "clip.wav", loud * plucked, 48_000, subtype="FLOAT")
    path = folder / "board.toml"
    path.write_text(text)
    return path
