"""What `check` says of supply and places."""

import subprocess
import sys
from pathlib import Path

import pytest

from simchain.board import Board, Order, load_board
from simchain.board.read import read_board
from simchain.patch.check import check_floor
from simchain.patch.plugging import costs, plain_places
from simchain.patch.plugs import plugging, plugs_of
from simchain.patch.power import assign
from tests.patch.test_power import random_board

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


def test_a_board_that_is_plainly_fed_needs_no_solver() -> None:
    """`check` is asked often, and loading the solver takes as long as all the rest."""
    code = (
        "import sys; from simchain.board import read_board, starter;"
        "from simchain.patch.check import check_floor;"
        "assert check_floor(read_board(starter('demo'))) == [];"
        "sys.exit('scipy.optimize' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_plain_places_are_places_and_without_a_fault() -> None:
    """On random boards: all plugs fit where they stand, and each digital one stands alone."""
    found = 0
    for seed in range(200):
        on = random_board(seed)
        everything = Order(tuple(on.blocks))
        task = plugging(plugs_of(on, everything), on.supply.outlets)
        places = plain_places(task)
        if places is None:
            continue
        found += 1
        for at, gives in enumerate(task.gives):
            assert sum(n for n, p in zip(task.needs, places, strict=True) if p == at) <= gives
        assert all(at in suits for at, suits in zip(places, task.suits, strict=True))
        assert costs(task, places)[:2] == (0, 0)
        assert assign(on, everything).faults == ()
    print(f"{found} of 200 boards are plainly fed")
    assert found > 20
