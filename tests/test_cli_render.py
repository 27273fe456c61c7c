"""`simchain render` as it is typed: songs, and hum and hiss on request."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.conftest import Simchain, board_beside_tone

BOARD = """
tail_s = 0.1
source = { kind = "guitar", clip = "clip.wav", hum_dbu = -50 }
[output]
input_ohm = 1e6
[blocks]
push = { kind = "boost" }
[orders.a]
front = ["push"]
[passages.verse]
on = []
[passages.solo]
on = ["push"]
above = { passage = "verse", lu = 3.0 }
[songs.set]
passages = ["verse", "solo"]
"""


@pytest.fixture
def board(tmp_path: Path) -> Path:
    """A small board with a second of sound and half a second of silence beside it."""
    return board_beside_tone(tmp_path, BOARD, 1.0, 0.5)


def test_a_song_s_steps_are_told(simchain_command: Simchain, board: Path) -> None:
    asked = ["render", board, "--order", "a", "--song", "set", "--out", board.parent / "out"]
    document = json.loads(simchain_command(*asked, "--json").out)
    verse, solo = document["song"]
    assert (verse["passage"], verse["at_s"], verse["change_lu"]) == ("verse", 0.0, None)
    assert (solo["passage"], solo["at_s"], solo["wanted_lu"]) == ("solo", 1.5, 3.0)
    assert solo["change_lu"] == pytest.approx(6.0, abs=0.2)
    wide, rate = soundfile.read(board.parent / "out" / document["output"]["file"])
    assert len(wide) / rate == pytest.approx(3.1)
    said = simchain_command(*asked).out
    assert "0:01.5  solo: " in said
    assert "+3.0 is wanted" in said


def test_hum_is_in_the_sound_when_asked_for(simchain_command: Simchain, board: Path) -> None:
    quiet = {}
    for name, more in (("without", []), ("with", ["--noise"])):
        out = board.parent / name
        asked = ["render", board, "--order", "a", "--passage", "verse", "--out", out, "--json"]
        document = json.loads(simchain_command(*asked, *more).out)
        sound, _ = soundfile.read(out / document["output"]["file"])
        quiet[name] = np.abs(sound[60_000:66_000]).max()
        assert document["points"]["source"]["floor_dbu"] == pytest.approx(-50, abs=0.1)
    assert quiet["without"] < 1e-9
    assert quiet["with"] > 1e-4
