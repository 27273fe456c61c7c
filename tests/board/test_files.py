"""Impulse responses beside the board: found, and refused in one plain line."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from simchain.board import load_board
from simchain.chain.source import check_clips
from simchain.errors import BoardError

BOARD = """
source = { kind = "piezo", clip = "fingers" }
[blocks]
wood = { kind = "body", file = "wood.wav" }
[amps.stage]
cabinet = "box.wav"
[orders.o]
front = ["wood"]
[passages.p]
on = ["wood"]
"""


def response(seconds: float = 0.05, channels: int = 1) -> np.ndarray:
    n = np.arange(round(48_000 * seconds))
    line = np.random.default_rng(5).standard_normal(n.size) * np.exp(-n / 400)
    return np.tile(line[:, None], channels)


@pytest.fixture
def board(tmp_path: Path) -> Path:
    for name in ("wood.wav", "box.wav"):
        soundfile.write(tmp_path / name, 0.1 * response(), 48_000, "FLOAT")
    path = tmp_path / "board.toml"
    path.write_text(BOARD)
    return path


def test_files_are_found_beside_the_board(board: Path) -> None:
    loaded = load_board(board)
    assert Path(loaded.blocks["wood"].file) == board.parent / "wood.wav"
    assert Path(loaded.amps["stage"].cabinet) == board.parent / "box.wav"
    assert check_clips(loaded)[0] == []


def test_a_file_that_is_not_there(board: Path) -> None:
    board.write_text(BOARD.replace("box.wav", "bax.wav"))
    with pytest.raises(BoardError, match=r'\[amps.stage\] cabinet = "bax.wav": there is no such'):
        load_board(board)


def nothing(samples: np.ndarray) -> np.ndarray:
    return 0.0 * samples


def not_a_number(samples: np.ndarray) -> np.ndarray:
    samples[7] = np.nan
    return samples


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        (response(3.0), "s are the most"),
        (response(channels=2), "2 channels; one channel is wanted"),
        (nothing(response()), "is silent"),
        (not_a_number(response()), "not a finite number at frame 7"),
    ],
)
@pytest.mark.parametrize(
    ("name", "table"), [("wood.wav", "blocks.wood"), ("box.wav", "amps.stage")]
)
def test_responses_that_cannot_be_used(
    board: Path, samples: np.ndarray, words: str, name: str, table: str
) -> None:
    soundfile.write(board.parent / name, samples, 48_000, "FLOAT")
    (problem,) = check_clips(load_board(board))[0]
    assert words in problem.text
    assert name in problem.text
    assert problem.table == table


def test_no_sound_file(board: Path) -> None:
    (board.parent / "wood.wav").write_text("a page of text")
    (problem,) = check_clips(load_board(board))[0]
    assert "cannot be read as sound" in problem.text
