"""What a result was made with: enough to make it again, and nothing of the machine it lies on."""

import json
from pathlib import Path

import numpy as np
import soundfile

from simchain.board import load_board, read_board
from simchain.report.made_with import FILE, made_with
from tests.conftest import Simchain, board_beside_tone

BOARD = """
source = { kind = "guitar", clip = "clip.wav" }
[blocks]
grit = { kind = "drive" }
sway = { kind = "modulation", shape = "chorus" }
room = { kind = "reverb" }
wood = { kind = "body", file = "wood.wav" }
[orders.a]
front = ["grit", "sway", "room", "wood"]
[passages.riff]
on = ["grit", "sway", "room", "wood"]
"""


def board_in(folder: Path) -> Path:
    folder.mkdir()
    soundfile.write(folder / "wood.wav", np.array([1.0, 0.5, 0.2]), 48_000)
    return board_beside_tone(folder, BOARD)


def test_the_same_board_elsewhere_gives_the_same_bytes(
    simchain_command: Simchain, tmp_path: Path
) -> None:
    """With noise on, through everything that sways or is drawn from a seed."""
    made = []
    for name in ("here", "there"):
        board = board_in(tmp_path / name)
        out = tmp_path / name / "out"
        arguments = ("--order", "a", "--passage", "riff", "--out", out, "--noise", "--json")
        document = json.loads(simchain_command("render", board, *arguments).out)
        sound = (out / document["output"]["file"]).read_bytes()
        made.append((sound, document["made_with"], (out / FILE).read_text()))
    assert made[0] == made[1]
    kept = json.loads(made[0][2])
    assert str(tmp_path) not in made[0][2]
    assert {"numpy", "scipy", "numba", "soundfile", "python"} < set(kept["versions"])
    assert kept["settings"]["blocks"]["grit"]["gain_db"] == 26.0


def test_any_setting_counts(tmp_path: Path) -> None:
    board = load_board(board_in(tmp_path / "here"))
    text = (tmp_path / "here" / "board.toml").read_text()
    for change in ('kind = "drive", gain_db = 26.01', 'kind = "drive", purpose = "dirt"'):
        other = read_board(text.replace('kind = "drive"', change), folder=tmp_path / "here")
        assert made_with(other)["settings_sha256"] != made_with(board)["settings_sha256"]
    assert made_with(board) == made_with(board)
