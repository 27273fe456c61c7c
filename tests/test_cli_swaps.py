"""`simchain swaps` as a user types it."""

import json
from pathlib import Path

import pytest

from tests.conftest import Simchain, board_beside_tone

BOARD = """
source = { kind = "line", clip = "clip.wav" }
tail_s = 0.3
[blocks]
grit = { kind = "drive" }
push = { kind = "boost", supply_volts = 60 }
room = { kind = "reverb", decay_s = 0.4, supply_volts = 60 }
[amps.clean]
gain_db = 8
[output]
amps = ["clean"]
[orders.a]
front = ["grit", "push", "room"]
[passages.riff]
on = ["grit", "push", "room"]
[passages.off]
on = []
"""


@pytest.fixture
def board(tmp_path: Path) -> Path:
    """A small board with a clip beside it."""
    return board_beside_tone(tmp_path, BOARD, 1.0)


def test_json_is_one_document_and_nothing_else(simchain_command: Simchain, board: Path) -> None:
    ran = simchain_command("swaps", board, "--order", "a", "--json")
    document = json.loads(ran.out)
    assert ran.status == 0
    assert [(one["first"], one["second"], one["move"]) for one in document["pairs"]] == [
        ("grit", "push", "swap"),
        ("push", "room", "swap"),
        ("room", None, "to_loop"),
    ]
    assert [one["proved"] for one in document["pairs"]] == [False, True, False]
    for one in document["pairs"]:
        assert isinstance(one["null_db"], float)
        assert isinstance(one["trim_lu"], float)
        assert one["verdict"] in ("same", "free", "subtle", "clear")
    assert document["pairs"][1]["null_db"] < -200
    assert document["cost"]["renders"] == 4


def test_people_get_a_matrix_and_the_free_moves(simchain_command: Simchain, board: Path) -> None:
    ran = simchain_command("swaps", board, "--order", "a")
    assert ran.status == 0
    assert "push / room" in ran.out
    assert "same, proved" in ran.out
    assert "push and room are proved the same in riff: free to move." in ran.out
    assert "--holds tries these" in " ".join(ran.out.split())


def test_every_pair_and_chosen_passages(simchain_command: Simchain, board: Path) -> None:
    asked = ["--order", "a", "--all", "--passages", "riff", "--json"]
    document = json.loads(simchain_command("swaps", board, *asked).out)
    assert len(document["pairs"]) == 4
    assert document["passages"] == ["riff"]


def test_holds_tries_free_moves_alone(simchain_command: Simchain, board: Path) -> None:
    document = json.loads(simchain_command("swaps", board, "--order", "a", "--holds", "--json").out)
    by_name = {each["first"]: each["holds"] for each in document["exchanges"]}
    assert by_name["grit"] is None, "a drive and a boost are heard"
    holds = by_name["push"]
    assert holds["holds"] is True
    assert [each["condition"] for each in holds["conditions"]] == [
        "picking_softer", "picking_harder", "levels_up", "levels_down"
    ]  # fmt: skip
    assert {each["verdict"] for each in holds["conditions"]} == {"same"}
    assert document["cost"]["holds"]["renders"] >= 8
    ran = simchain_command("swaps", board, "--order", "a", "--holds")
    assert ran.status == 0
    said = " ".join(ran.out.split())
    assert "holds when picked 6 dB softer or harder and with levels off by 2 dB" in said


def test_wrong_names_are_one_line(simchain_command: Simchain, board: Path) -> None:
    ran = simchain_command("swaps", board, "--order", "b")
    assert (ran.status, len(ran.err.strip().splitlines())) == (2, 1)
    ran = simchain_command("swaps", board, "--order", "a", "--amp", "hot")
    assert (ran.status, len(ran.err.strip().splitlines())) == (2, 1)
