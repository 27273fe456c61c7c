"""Rules are read over the front and then the loop; each broken one gets its sentence."""

import re

import pytest

from simchain.board import Order, broken_rules, read_board, split_boxes

BOARD = """
[blocks]
a = { kind = "boost", box = "twin" }
b = { kind = "boost", box = "twin" }
c = { kind = "boost" }
d = { kind = "boost" }
[amps.mine]
[orders.all]
front = ["a", "b", "c", "d"]
[passages.all]
[rules]
"""


@pytest.mark.parametrize(
    ("rules", "order", "says"),
    [
        ("first = ['a']", Order(("b", "a")), r"first: the order should begin with 'a'"),
        ("first = ['a', 'b']", Order(("b", "a")), r"begin with 'a' and 'b'"),
        ("last = ['d']", Order(("d",), ("a",)), r"last: the order should end with 'd'"),
        ("before = [['a', 'c']]", Order(("c", "a")), r"before: 'a' should come before 'c'"),
        ("before = [['a', 'b', 'c']]", Order(("a", "c"), ("b",)), r"'b' should come before 'c'"),
        ("front_only = ['a']", Order(("b",), ("a",)), r"front_only: 'a' belongs in front of"),
        ("loop_only = ['a']", Order(("a",), ("b",)), r"loop_only: 'a' belongs in the loop"),
        ("together = [['a', 'd']]", Order(("a", "b", "d")), r"'a' and 'd' should stand side by"),
        ("fixed = { c = 4 }", Order(("a", "b", "c", "d")), r"'c' belongs at place 4, not 3"),
    ],
)
def test_a_broken_rule_is_told(rules: str, order: Order, says: str):
    (said,) = broken_rules(read_board(BOARD + rules), order)
    assert re.search(says, said)


@pytest.mark.parametrize(
    ("rules", "order"),
    [
        ("first = ['a']\nlast = ['d']", Order(("a", "b"), ("c", "d"))),
        ("first = ['a', 'b']", Order(("b", "c"))),
        ("last = ['a']", Order(("b", "c"))),
        ("last = ['a']", Order()),
        ("before = [['a', 'c']]", Order(("a",), ("c",))),
        ("before = [['c', 'a']]", Order(("a", "b"))),
        ("together = [['a', 'd']]", Order(("b", "d", "a"))),
        ("together = [['a', 'd']]", Order(("b", "d"))),
        ("fixed = { c = 3 }", Order(("a", "b"), ("c",))),
        ("front_only = ['a']\nloop_only = ['b']", Order(("a",), ("b",))),
    ],
)
def test_a_kept_rule_says_nothing_and_left_out_blocks_are_skipped(rules: str, order: Order):
    assert broken_rules(read_board(BOARD + rules), order) == []


@pytest.mark.parametrize(
    ("order", "says"),
    [
        (Order(("a", "c", "b")), "box 'twin' holds a, b: this order pulls them apart"),
        (Order(("a",), ("b",)), "box 'twin' holds a, b: this order pulls them apart"),
        (Order(("b", "a")), "box 'twin' is wired inside as a, b: this order turns it round"),
    ],
)
def test_a_box_that_is_pulled_apart_or_turned_round_is_told(order: Order, says: str):
    assert split_boxes(read_board(BOARD), order) == [says]


def test_a_box_that_moves_as_one_says_nothing():
    assert split_boxes(read_board(BOARD), Order(("c",), ("a", "b"))) == []
    assert split_boxes(read_board(BOARD), Order(("c", "a"))) == []
