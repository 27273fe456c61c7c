"""A song's steps in loudness, against an outside meter and the board's own wishes."""

from pathlib import Path

import numpy as np
import pyebur128
import pytest

import simchain
from simchain.board import Board, load_board
from simchain.decide.songs import song_steps
from simchain.signal import Signal, write_float_wav

RATE = 48_000
BOARD = """
tail_s = 0.0
links = "ideal"
source = { kind = "line", clip = "clip.wav" }
[blocks]
push = { kind = "boost", gain_db = 0 }
[orders.one]
front = ["push"]
[passages.verse]
on = ["push"]
[passages.chorus]
on = ["push"]
above = { passage = "verse", lu = 2.0 }
set = { push = { gain_db = 3.0 } }
[passages.solo]
on = ["push"]
above = { passage = "chorus", lu = 3.0 }
set = { push = { gain_db = 4.0 } }
[passages.end]
on = ["push"]
[songs.set]
passages = ["verse", "solo", "chorus", "end"]
"""


@pytest.fixture
def board(tmp_path: Path) -> Board:
    noise = 0.05 * np.random.default_rng(2).standard_normal((1, 3 * RATE))
    write_float_wav(tmp_path / "clip.wav", Signal(noise, RATE))
    (tmp_path / "board.toml").write_text(BOARD)
    return load_board(tmp_path / "board.toml")


def test_each_step_s_change_and_what_was_wanted(board: Board) -> None:
    song = simchain.render(board, "one", song="set")
    steps = song_steps(board, song)
    assert [step.passage for step in steps] == ["verse", "solo", "chorus", "end"]
    assert [step.at_s for step in steps] == [0, 3, 6, 9]
    assert [step.wanted_lu for step in steps] == [None, 5.0, -3.0, None]
    changes = [step.change_lu for step in steps]
    print("changes:", [None if lu is None else round(lu, 2) for lu in changes])
    assert changes[0] is None
    assert changes[1:] == pytest.approx([4.0, -1.0, -3.0], abs=0.1)
    for step in steps:
        part = song.output.samples[:, round(step.at_s * RATE) :][:, : round(step.seconds * RATE)]
        outside = pyebur128.get_loudness_global(meter(part))
        assert step.lufs == pytest.approx(outside, abs=0.05)


def meter(samples: np.ndarray) -> pyebur128.R128State:
    state = pyebur128.R128State(2, RATE, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples.T).ravel(), samples.shape[1])
    return state


def test_a_passage_is_a_song_of_one_step(board: Board) -> None:
    (step,) = song_steps(board, simchain.render(board, "one", "verse"))
    assert (step.passage, step.at_s, step.seconds, step.change_lu) == ("verse", 0, 3, None)
