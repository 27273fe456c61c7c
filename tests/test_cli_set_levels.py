"""`simchain set-levels` as it is typed: what it finds, writes and refuses."""

import json
from pathlib import Path

import pytest

from tests.conftest import TWO_ORDERS, Simchain, board_beside_tone


@pytest.fixture
def board(tmp_path: Path) -> Path:
    """A small board with a clip beside it."""
    return board_beside_tone(tmp_path, TWO_ORDERS)


STACKED = TWO_ORDERS.replace(
    "[passages.off]",
    """# the lift
above = { passage = "off", lu = 12.0 }   # of the riff
[passages.off]""",
)


def test_set_levels_prints_one_json_document(simchain_command: Simchain, board: Path) -> None:
    board.write_text(STACKED)
    ran = simchain_command("set-levels", board, "--order", "a", "--json")
    document = json.loads(ran.out)
    assert ran.status == 0
    assert document["order"] == "a"
    assert document["written"] is False
    assert set(document["settings"]) <= {"grit", "push"}
    riff = document["passages"]["riff"]
    assert riff["target_lu"] == 12.0
    assert riff["reached_lu"] == pytest.approx(12.0, abs=0.1)
    assert document["passages"]["off"]["reached_lu"] is None
    assert document["limits"] == {}
    assert max(document["renders"].values()) < 15 * 2
    assert board.read_text() == STACKED


def test_set_levels_writes_only_when_asked(simchain_command: Simchain, board: Path) -> None:
    board.write_text(STACKED)
    ran = simchain_command("set-levels", board, "--order", "a")
    assert ran.status == 0
    assert "add --write to keep these settings" in ran.out
    assert board.read_text() == STACKED
    ran = simchain_command("set-levels", board, "--order", "a", "--write")
    assert f"written into {board}" in ran.out
    kept = board.read_text()
    assert kept != STACKED
    assert "# the lift" in kept
    assert "# of the riff" in kept
    again = simchain_command("set-levels", board, "--order", "a", "--write")
    assert "nothing is turned" in again.out
    assert board.read_text() == kept


def test_set_levels_says_what_cannot_be_met(simchain_command: Simchain, board: Path) -> None:
    board.write_text(STACKED.replace("lu = 12.0", "lu = 60.0"))
    ran = simchain_command("set-levels", board, "--order", "b")
    assert ran.status == 0
    assert "riff misses its target" in ran.out
    assert "riff against off, LU" in ran.out


@pytest.mark.parametrize(
    ("before", "after", "arguments", "words"),
    [
        ("", "", ["--order", "aa"], "no order 'aa'"),
        ("", "", ["--order", "a", "--passages", "rif"], "did you mean 'riff'"),
        ("", "", ["--order", "a", "--amp", "loud"], "no amplifier 'loud'"),
        ("", "", [], "Missing option '--order'"),
        ("above =", "# above =", ["--order", "a"], "no passage of riff, off has a target"),
        ("tail_s", "set_levels = { controls = ['push.gian_db'] }\ntail_s", ["--order", "a"],
         "did you mean 'gain_db'?"),
        ("tail_s", "set_levels = { controls = ['grit.clip'] }\ntail_s", ["--order", "a"],
         "is not set by a number"),
        ("tail_s", "set_levels = { controls = ['more.gain_db'] }\ntail_s", ["--order", "a"],
         "the board has no block"),
        ("on = []", "on = []\nabove = { passage = 'riff', lu = 1 }", ["--order", "a"],
         "goes in a circle"),
    ],
)  # fmt: skip
def test_set_levels_refuses_in_one_line(
    simchain_command: Simchain,
    board: Path,
    before: str,
    after: str,
    arguments: list[str],
    words: str,
) -> None:
    board.write_text(STACKED.replace(before, after, 1) if before else STACKED)
    ran = simchain_command("set-levels", board, *arguments)
    assert ran.status == 2
    assert words in ran.err
    assert "Traceback" not in ran.err
    if "Missing option" not in words:
        assert len(ran.err.strip().splitlines()) == 1
