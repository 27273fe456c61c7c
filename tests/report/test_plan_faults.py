"""The fault tree: what may howl is the body's own resonance, from its modes or its response."""

from pathlib import Path

import numpy as np
import soundfile

from simchain.board import load_board
from simchain.report.plan_faults import fault_tree, howls_hz
from tests.conftest import board_beside_tone

BOARD = """
source = { kind = "piezo", clip = "clip.wav" }
[blocks]
pre = { kind = "piezo_preamp" }
wood = { kind = "body", modes = [
  { hz = 55, db = 9 }, { hz = 98, db = 1 }, { hz = 196, db = 3 }, { hz = 260, db = -6 },
  { hz = 800, db = 9 } ] }
taken = { kind = "body", file = "wood.wav" }
[orders.a]
front = ["pre", "wood"]
[orders.b]
front = ["pre", "taken"]
[orders.c]
front = ["pre"]
[passages.verse]
on = ["pre"]
"""


def test_the_strongest_resonances_below_400_hz_are_told(tmp_path: Path) -> None:
    times = np.arange(24_000) / 48_000
    ringing = np.exp(-np.pi * 112.0 / 14.0 * times) * np.sin(2.0 * np.pi * 112.0 * times)
    soundfile.write(tmp_path / "wood.wav", 0.5 * ringing, 48_000)
    board = load_board(board_beside_tone(tmp_path, BOARD))
    assert howls_hz(board, board.order("a")) == [196.0, 98.0]
    (found,) = howls_hz(board, board.order("b"))
    assert abs(found - 112.0) <= 1.0
    assert howls_hz(board, board.order("c")) == []


def test_the_tree_names_them() -> None:
    name, steps = fault_tree([196.0, 98.0])[-1]
    assert name == "Howl"
    assert any("200 Hz and 98 Hz" in step for step in steps)
    assert len(fault_tree([])[-1][1]) == 1
