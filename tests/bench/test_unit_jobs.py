"""What the page may ask about recordings, and what is refused before any work begins."""

from pathlib import Path
from typing import Any

import pytest

from simchain.bench.jobs import Job
from simchain.bench.unit_jobs import fit_job, verify_job
from simchain.board import Board, load_board
from simchain.errors import ClipError, RequestError

ASKED = {"recording": "unit.wav", "loopback": None, "volts": 0.1}


@pytest.fixture
def loaded(board: Path) -> Board:
    return load_board(board)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"block": "nope"}, "no block 'nope' on this board"),
        ({"block": "push", "recording": None}, "choose the recording"),
        ({"block": "push", "recording": "../../etc/passwd.wav"}, "a plain name is wanted"),
        ({"block": "push", "volts": 0}, "allowed is above 0 to 10 V RMS"),
        ({"block": "push", "volts": True}, "a number is wanted"),
        ({"block": "push", "volts": None}, "a number is wanted"),
    ],
)
def test_what_no_unit_can_be_fitted_by(loaded: Board, asked: dict[str, Any], said: str) -> None:
    with pytest.raises(RequestError, match=said):
        fit_job(loaded, ASKED | asked)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"order": "nope", "passages": ["riff"]}, "no order 'nope' on this board"),
        ({"order": "split", "passages": None}, "choose above over which passage"),
        ({"order": "split", "passages": ["riff"], "recording": None}, "choose the recording"),
    ],
)
def test_what_no_board_can_be_checked_by(loaded: Board, asked: dict[str, Any], said: str) -> None:
    with pytest.raises(RequestError, match=said):
        verify_job(loaded, ASKED | asked)


def test_a_recording_that_is_not_there_is_told(loaded: Board) -> None:
    title, work = verify_job(loaded, ASKED | {"order": "split", "passages": ["riff"]})
    with pytest.raises(ClipError, match="there is no such file"):
        work(Job("verify", title))
