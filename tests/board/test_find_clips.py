"""A clip ships with simchain or lies beside the board; what is missing is told with its table."""

from pathlib import Path

import pytest

from simchain import clips
from simchain.board import clip_path, missing_clips, read_board
from simchain.errors import ClipError

BOARD = """
[source]
clip = "riff"
[blocks.push]
kind = "boost"
[orders.series]
front = ["push"]
[passages.verse]
[passages.solo]
clip = "lead"
"""


def test_a_shipped_name_is_the_shipped_clip_even_beside_a_file_of_that_name(tmp_path: Path):
    (tmp_path / "riff").write_bytes(b"")
    board = read_board(BOARD, folder=tmp_path)
    assert clip_path(board, "riff") == clips.path("riff")


def test_a_file_beside_the_board_and_an_absolute_path_are_found(tmp_path: Path):
    (tmp_path / "take.wav").write_bytes(b"")
    board = read_board(BOARD, folder=tmp_path)
    assert clip_path(board, "take.wav") == tmp_path / "take.wav"
    assert clip_path(board, str(tmp_path / "take.wav")) == tmp_path / "take.wav"


def test_a_missing_clip_names_file_table_and_key_and_the_nearest(tmp_path: Path):
    (tmp_path / "mytake.wav").write_bytes(b"")
    board = read_board(BOARD.replace('"lead"', '"laed"'), file="my.toml", folder=tmp_path)
    with pytest.raises(
        ClipError, match=r'^my\.toml: \[passages\.solo\] clip = "laed": .*arpeggio'
    ) as caught:
        clip_path(board, "laed")
    assert str(caught.value).endswith("; did you mean 'lead'?")
    with pytest.raises(ClipError, match=r"did you mean 'mytake\.wav'\?$"):
        clip_path(board, "mytak.wav")
    (problem,) = missing_clips(board)
    assert (problem.table, problem.key, problem.value) == ("passages.solo", "clip", '"laed"')


def test_a_source_without_its_clip_is_named():
    board = read_board(BOARD.replace('"riff"', '"nothing.wav"'), file="my.toml")
    with pytest.raises(ClipError, match=r'^my\.toml: \[source\] clip = "nothing\.wav"'):
        clip_path(board, "nothing.wav")


def test_a_passage_without_any_clip_is_told():
    (problem,) = missing_clips(read_board(BOARD.replace('clip = "riff"', "")))
    assert problem.table == "passages.verse"
    assert "clip is missing; name one here or in [source]" in problem.text


def test_nothing_is_missing_when_all_clips_are_there():
    assert missing_clips(read_board(BOARD)) == []


@pytest.mark.parametrize("name", ["a\0b", "x" * 5000, "", "."])
def test_names_no_file_can_have_are_refused(name: str, tmp_path: Path):
    with pytest.raises(ClipError, match=r"clip = "):
        clip_path(read_board(BOARD, folder=tmp_path), name)
