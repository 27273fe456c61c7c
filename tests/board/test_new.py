"""The boards to start from load, name only clips that ship, and never overwrite anything."""

from pathlib import Path

import pytest

from simchain import clips
from simchain.board import STARTERS, load_board, missing_clips, new_board, read_board, starter
from simchain.errors import OutputError, RequestError


@pytest.mark.parametrize("name", STARTERS)
def test_each_starter_loads_with_clips_that_ship(name: str):
    board = read_board(starter(name))
    assert missing_clips(board) == []
    used = {board.source.clip, *(passage.clip for passage in board.passages.values())} - {None}
    assert used <= set(clips.names())
    assert len(board.orders) >= 2
    assert "voltage and polarity" in starter(name)


def test_the_acoustic_starter_ends_at_a_mixer():
    board = read_board(starter("acoustic"))
    assert (board.source.kind, board.amps, board.output.amps) == ("piezo", {}, ())


def test_a_new_board_is_the_starter(tmp_path: Path):
    new_board(tmp_path / "mine.toml", "acoustic")
    assert (tmp_path / "mine.toml").read_text() == starter("acoustic")
    assert load_board(tmp_path / "mine.toml").title == "Eight Lanterns"


def test_nothing_is_overwritten(tmp_path: Path):
    path = tmp_path / "mine.toml"
    path.write_text("precious")
    with pytest.raises(OutputError, match=r"mine\.toml is there already, and is left as it is"):
        new_board(path)
    assert path.read_text() == "precious"
    with pytest.raises(OutputError, match="is there already"):
        new_board(tmp_path)


def test_a_missing_folder_is_told(tmp_path: Path):
    with pytest.raises(OutputError, match=r"cannot write .*: no such file or directory"):
        new_board(tmp_path / "none" / "mine.toml")


def test_an_unknown_starter_is_told(tmp_path: Path):
    with pytest.raises(RequestError, match=r"no starter 'electrik' .*did you mean 'electric'\?"):
        new_board(tmp_path / "mine.toml", "electrik")
    assert not (tmp_path / "mine.toml").exists()
