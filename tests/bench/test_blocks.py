"""Blocks are added, renamed and removed wherever the board names them, over a real line."""

from typing import Any

import pytest

from simchain.bench.desk import Desk
from simchain.board import read_board
from tests.bench.serving import Client

BOARD = """
[source]
clip = "riff"
[amps.clean]
# the two that matter
[blocks.press]
kind = "compressor"
[blocks.grit]  # the loud one
kind = "drive"
gain_db = 30
[blocks.room]
kind = "reverb"
[orders.series]
front = ["press", "grit", "room"]
[orders.split]
front = ["press"]
loop = ["grit", "room"]
[orders.short]
front = ["press", "room"]
[passages.solo]
on = ["grit", "room"]
set = { grit = { gain_db = 35 }, room = { mix = 0.4 } }
events = [
  { at = 1.0, block = "grit", do = "off" },
  { at = 2.0, block = "room", do = "off" },
]
[passages.verse]
on = ["press"]
[rules]
first = ["press"]
last = ["grit"]
before = [["press", "grit"], ["press", "grit", "room"]]
together = [["grit", "room"]]
fixed = { press = 1, grit = 2 }
[set_levels]
controls = ["grit.level_db", "press.makeup_db"]
"""


@pytest.fixture
def board_text() -> str:
    return BOARD


def ask(client: Client, desk: Desk, **body: Any) -> Any:
    return client.post("/tables", revision=desk.revision, what="blocks", **body)


def test_a_block_is_removed_from_all_that_names_it(client: Client, desk: Desk) -> None:
    answer = ask(client, desk, do="remove", name="grit")
    assert answer.status == 200
    assert answer.json()["undo"] == "grit removed"
    board = desk.board
    assert list(board.blocks) == ["press", "room"]
    assert {name: (order.front, order.loop) for name, order in board.orders.items()} == {
        "series": (("press", "room"), ()),
        "split": (("press",), ("room",)),
        "short": (("press", "room"), ()),
    }
    assert board.passages["solo"].on == ("room",)
    assert board.passages["solo"].set == {"room": {"mix": 0.4}}
    assert [event.block for event in board.passages["solo"].events] == ["room"]
    rules = board.rules
    assert (rules.first, rules.last, rules.fixed) == (("press",), (), {"press": 1})
    assert (rules.before, rules.together) == ((("press", "room"),), ())
    assert board.set_levels.controls == ("press.makeup_db",)
    assert "grit" not in desk.text
    assert "# the two that matter" in desk.text
    client.post("/undo", revision=desk.revision)
    assert desk.text == BOARD


def test_a_renamed_block_is_the_same_board_under_another_name(client: Client, desk: Desk) -> None:
    assert ask(client, desk, do="rename", name="grit", new="gravel").status == 200
    assert desk.would_undo == "grit renamed gravel"
    there = read_board(BOARD.replace("grit", "gravel"), folder=desk.folder)
    told = {"file": there.file, "folder": there.folder, "title": there.title}
    assert desk.board.model_copy(update=told) == there
    assert "# the loud one" in desk.text
    assert ask(client, desk, do="rename", name="gravel", new="grit").status == 200
    assert desk.board.model_copy(update=told) == read_board(BOARD, folder=desk.folder).model_copy(
        update=told
    )


def test_a_block_is_added_last_in_front_of_every_order_and_off(client: Client, desk: Desk) -> None:
    answer = ask(client, desk, do="add", name="push", kind="boost")
    assert answer.status == 200
    told = answer.json()
    assert told["blocks"]["push"] == {"kind": "boost", "on": {"solo": "off", "verse": "off"}}
    assert [order["front"][-1] for order in told["orders"]] == ["push"] * 3
    assert told["undo"] == "push added"
    client.post("/undo", revision=desk.revision)
    assert desk.text == BOARD


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"do": "add", "name": "grit", "kind": "drive"}, "a block 'grit' already"),
        ({"do": "add", "name": "Push", "kind": "drive"}, "cannot be used"),
        ({"do": "add", "name": "out", "kind": "drive"}, "taken"),
        ({"do": "add", "name": "push", "kind": "drvie"}, "drive"),
        ({"do": "add", "name": "push"}, "kind is missing"),
        ({"do": "remove", "name": "gone"}, "no block 'gone'"),
        ({"do": "rename", "name": "gone", "new": "there"}, "no block 'gone'"),
        ({"do": "rename", "name": "grit", "new": "press"}, "a block 'press' already"),
        ({"do": "swap", "name": "grit"}, "allowed is add, remove or rename"),
    ],
)
def test_what_cannot_be_done_is_said_and_changes_nothing(
    client: Client, desk: Desk, body: dict[str, Any], words: str
) -> None:
    answer = ask(client, desk, **body)
    assert answer.status == 422
    assert words in " ".join(each["text"] for each in answer.json()["problems"])
    assert (desk.text, desk.revision) == (BOARD, 0)


def test_the_last_block_stays(client: Client, desk: Desk) -> None:
    for block in ("grit", "room"):
        assert ask(client, desk, do="remove", name=block).status == 200
    before = desk.text
    answer = ask(client, desk, do="remove", name="press")
    assert answer.status == 422
    assert "at least one block" in answer.json()["problems"][0]["text"]
    assert desk.text == before
