"""What a board offers to Python."""

import subprocess
import sys

import pytest
from pydantic import ValidationError

from simchain.board import Order, Passage, Source, read_board, with_settings
from simchain.board.gear import PiezoPickup
from simchain.errors import RequestError

BOARD = """
[blocks]
push = { kind = "boost", gain_db = 3 }
echo = { kind = "delay", bypass = "buffered" }
[orders.series]
front = ["push", "echo"]
[passages.verse]
on = ["push"]
set = { push = { gain_db = 9 } }
"""


def test_an_order_is_written_with_or_without_names():
    assert Order(("a",), ("b",)) == Order(front=["a"], loop=["b"])
    assert Order(("a",), ("b",)).blocks == ("a", "b")
    assert Order(["a"]).loop == ()
    with pytest.raises(ValidationError):
        Order("abc")


def test_an_order_by_name_or_in_place_of_one():
    board = read_board(BOARD)
    assert board.order("series").front == ("push", "echo")
    assert board.order(Order(("echo",))) == Order(("echo",))
    with pytest.raises(RequestError, match=r"no order 'serie' .*did you mean 'series'\?"):
        board.order("serie")
    with pytest.raises(RequestError, match=r"no block 'ecko' .*did you mean 'echo'\?"):
        board.order(Order(("ecko",)))
    with pytest.raises(RequestError, match=r"'echo' stands twice"):
        board.order(Order(("echo", "echo")))
    with pytest.raises(RequestError, match=r"a loop needs an amplifier"):
        board.order(Order(("push",), ("echo",)))


def test_a_passage_by_name_and_its_settings():
    board = read_board(BOARD)
    assert board.block_in("verse", "push").gain_db == 9
    assert board.blocks["push"].gain_db == 3
    with pytest.raises(RequestError, match=r"no passage 'vers' .*did you mean 'verse'\?"):
        board.passage("vers")


def test_settings_are_checked_when_changed():
    push = read_board(BOARD).blocks["push"]
    with pytest.raises(ValidationError):
        with_settings(push, {"gain_db": "9"})


def test_a_board_is_frozen():
    board = read_board(BOARD)
    with pytest.raises(ValidationError):
        board.rate = 44100
    with pytest.raises(ValidationError):
        Passage(on=("a",)).on = ()


def test_a_source_gets_the_pickup_of_its_kind():
    assert isinstance(Source(kind="piezo").pickup, PiezoPickup)
    assert Source(kind="piezo", pickup={"capacitance_pf": 600}).pickup.capacitance_pf == 600
    assert Source().pickup.inductance_h == 2.6


def test_reading_a_board_loads_nothing_heavy():
    code = (
        "import sys, simchain.board as b; b.check_board(b.read_board(b.starter('demo')));"
        "print([m for m in ('scipy', 'numba', 'matplotlib', 'soundfile') if m in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"
