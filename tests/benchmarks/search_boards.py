"""Boards that the benchmarks of the search are run on: some blocks, a clip that ships, cut."""

import tempfile
from collections.abc import Sequence
from importlib import resources
from pathlib import Path

import numpy as np

from simchain import clips, load_board
from simchain.board import Board
from simchain.signal import Signal, read_clip, write_float_wav

RATE = 48_000
KINDS = {
    "lift": 'kind = "boost"\ngain_db = 2\nsupply_volts = 18',
    "mids": 'kind = "equalizer"\nsupply_volts = 18\n'
    'bands = [{ shape = "peak", hz = 800, db = 3, q = 1 }]',
    "air": 'kind = "equalizer"\nsupply_volts = 18\n'
    'bands = [{ shape = "high_shelf", hz = 2500, db = 3 }]',
    "press": 'kind = "compressor"',
    "grit": 'kind = "drive"\ngain_db = 24',
    "sway": 'kind = "modulation"\nshape = "chorus"',
    "sweep": 'kind = "modulation"\nshape = "phaser"',
    "fuzz": 'kind = "fuzz"',
    "echo": 'kind = "delay"',
    "room": 'kind = "reverb"',
}
SIX = ("lift", "mids", "air", "press", "grit", "sway")  # three of them linear
SEVEN = (*SIX, "fuzz")
EIGHT = (*SEVEN, "echo")
SPACE = ("press", "grit", "sweep", "room", "echo", "mids", "fuzz")


def board_of(
    blocks: Sequence[str],
    *,
    clip: str = "riff",
    clip_s: float = 4.0,
    links: str = "real",
    amplifier: bool = False,
    goals: str = "",
    target: str = "",
) -> Board:
    """Return a board of some of `KINDS`, all on in one passage of the first `clip_s` of a clip.

    `goals` and `target` are lines of TOML: of ``[goals]``, and of the passage.
    """
    names = ", ".join(f'"{name}"' for name in blocks)
    folder = Path(tempfile.mkdtemp(prefix="simchain-benchmark-"))
    path = folder / "board.toml"
    sound = read_clip(clips.path(clip))
    cut = np.ascontiguousarray(sound.volts[:, : round(clip_s * sound.rate)])
    write_float_wav(folder / "clip.wav", Signal(cut, sound.rate))
    lines = [
        f'rate = {RATE}\nlinks = "{links}"\ntail_s = 0\n[source]\nclip = "clip.wav"',
        *(f"[blocks.{name}]\n{KINDS[name]}" for name in blocks),
        '[amps.mine]\n[output]\namps = ["mine"]' if amplifier else "",
        f"[orders.given]\nfront = [{names}]\n[passages.played]\non = [{names}]\n{target}",
        f"[goals]\n{goals}" if goals else "",
    ]
    path.write_text("\n".join(lines))
    return load_board(path)


def demo_board() -> Board:
    """Return the board that ships, with its rules."""
    with resources.as_file(resources.files("simchain.board") / "starters" / "demo.toml") as path:
        return load_board(path)
