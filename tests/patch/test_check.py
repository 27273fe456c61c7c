"""What `check` says of supply and places."""

from pathlib import Path

import pytest

from simchain.board import Board, load_board
from simchain.board.read import read_board
from simchain.patch.check import check_floor

BOARD = """
[blocks.room]
kind = "reverb"
[blocks.push]
kind = "boost"
[orders.one]
front = ["room", "push"]
[passages.all]
"""


def found(more: str) -> list[tuple[str, str, str]]:
    board: Board = read_board(more + BOARD)
    return [(each.code, each.block, each.text) for each in check_floor(board)]


def test_nothing_is_said_of_what_is_not_described() -> None:
    assert found("") == []


def test_a_supply_that_is_too_small_is_told() -> None:
    """120 mA and a fifth of it are 144."""
    ((code, _, text),) = found('supply = { outlets = [{ name = "A", volts = 9, ma = 100 }] }')
    assert code == "power"
    assert text.startswith("[supply] ")
    assert "144" in text
    assert "100" in text


def test_places_are_told() -> None:
    board = BOARD.replace('"reverb"', '"reverb"\nsize_mm = [40, 93]\nat_mm = [0, 0]')
    board = board.replace('"boost"', '"boost"\nsize_mm = [40, 93]\nat_mm = [10, 0]')
    ((code, _, text), *_) = [(w.code, w.block, w.text) for w in check_floor(read_board(board))]
    assert (code, text) == ("place", "room and push overlap by 30 x 93 mm; move one of them")


@pytest.mark.parametrize("name", ["demo", "electric", "acoustic"])
def test_the_starters_are_fed(name: str) -> None:
    folder = Path(__file__).parents[2] / "simchain" / "board" / "starters"
    assert check_floor(load_board(folder / f"{name}.toml")) == []
