"""What is said of a move, done to the first order word for word, gives the second order."""

import re
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from simchain.report.moves import move_words

NAMES = ("tuner", "press", "grit", "push", "sweep", "room")
Order = dict[str, list[str]]


def order(front: str, loop: str = "") -> Order:
    return {"front": front.split(), "loop": loop.split()}


def names_in(words: str) -> list[str]:
    return re.split(r", | and ", words)


def obey(words: str, start: Order) -> Order:
    """Do to an order what words say: a reader of our sentences, who knows no other rule."""
    front, loop = list(start["front"]), list(start["loop"])
    if exchanged := re.fullmatch(r"exchanging (\w+) and (\w+)", words):
        one, other = exchanged.groups()
        swap = {one: other, other: one}
        return {
            "front": [swap.get(name, name) for name in front],
            "loop": [swap.get(name, name) for name in loop],
        }
    said = re.fullmatch(
        r"moving (?P<names>\w+(?:, \w+)*(?: and \w+)?) "
        r"(?P<where>to the start of the loop"
        r"|(?P<across>into the loop|out of the loop)?(?: to)? ?"
        r"(?:(?P<side>after|before) (?P<by>\w+))?)",
        words,
    )
    assert said, words
    moved = names_in(said["names"])
    were_in_loop = {name in loop for name in moved}
    assert len(were_in_loop) == 1, "those that move come from one side"
    front = [name for name in front if name not in moved]
    loop = [name for name in loop if name not in moved]
    if said["where"] == "to the start of the loop":
        return {"front": front, "loop": moved + loop}
    if said["across"]:
        assert were_in_loop == {said["across"] == "out of the loop"}
    if said["by"] is None:
        assert said["across"], words
        into = loop if said["across"] == "into the loop" else front
        assert into == [], f"{words}: nobody knows where"
        into += moved
        return {"front": front, "loop": loop}
    stretch = front if said["by"] in front else loop
    came_across = were_in_loop == {stretch is front}
    assert bool(said["across"]) == came_across, f"{words}: it goes across, or does not"
    at = stretch.index(said["by"]) + (said["side"] == "after")
    stretch[at:at] = moved
    return {"front": front, "loop": loop}


@st.composite
def orders(draw: st.DrawFn) -> tuple[Order, Order]:
    """Two orders of the same blocks: any two, or a few moves apart."""
    names = list(NAMES[: draw(st.integers(1, len(NAMES)))])

    def cut(sequence: list[str]) -> Order:
        at = draw(st.integers(0, len(sequence)))
        return {"front": sequence[:at], "loop": sequence[at:]}

    start = cut(draw(st.permutations(names)))
    if draw(st.booleans()):
        return start, cut(draw(st.permutations(names)))
    every = [*start["front"], "|", *start["loop"]]
    for _ in range(draw(st.integers(0, 2))):
        mover = every.pop(draw(st.integers(0, len(every) - 1)))
        every.insert(draw(st.integers(0, len(every))), mover)
    at = every.index("|")
    return start, {"front": every[:at], "loop": every[at + 1 :]}


def one_move_apart(a: Order, b: Order) -> bool:
    """Whether one block taken out of both leaves the same."""
    return any(
        [[each for each in a[part] if each != name] for part in ("front", "loop")]
        == [[each for each in b[part] if each != name] for part in ("front", "loop")]
        for name in [*a["front"], *a["loop"]]
    )


@given(orders())
@example((order("grit", "push"), order("push", "grit")))
@example((order("grit push"), order("push", "grit")))
@example((order("", "grit push"), order("push", "grit")))
def test_the_words_make_the_second_order_of_the_first(both: tuple[Order, Order]) -> None:
    a, b = both
    words = move_words(a, b)
    if words:
        assert obey(words, a) == b
    if a == b:
        assert words == ""
    elif one_move_apart(a, b):
        assert words.startswith("moving "), (a, b)


@given(orders(), st.sets(st.sampled_from(NAMES)))
def test_blocks_that_are_off_do_not_count(both: tuple[Order, Order], on: set[str]) -> None:
    """With `on` the same is said as of two orders that hold no others."""
    left = [
        {part: [name for name in one[part] if name in on] for part in ("front", "loop")}
        for one in both
    ]
    words = move_words(*both, on)
    assert words == move_words(*left)
    if words:
        assert obey(words, left[0]) == left[1]


def test_a_reader_can_be_misled() -> None:
    """The reader above refuses what leaves the place open, so the tests above can fail."""
    with pytest.raises(AssertionError, match="nobody knows where"):
        obey("moving room into the loop", order("grit room", "push"))
    with pytest.raises(AssertionError, match="it goes across"):
        obey("moving room after push", order("grit room", "push"))
    assert obey("moving push after grit", order("push grit")) == order("grit push")
    assert obey("moving push before grit", order("grit push")) == order("push grit")


@pytest.mark.parametrize(
    ("a", "b", "words"),
    [
        (order("push grit"), order("grit push"), "moving push after grit"),
        (order("a b c"), order("b c a"), "moving a after c"),
        (order("a b c"), order("c a b"), "moving c before a"),
        (order("grit room"), order("grit", "room"), "moving room into the loop"),
        (order("room"), order("", "room"), "moving room into the loop"),
        (order("", "room"), order("room"), "moving room out of the loop"),
        (order("room grit"), order("grit", "room"), "moving room into the loop"),
        (order("g x", "d"), order("g", "x d"), "moving x to the start of the loop"),
        (order("g x", "d"), order("g", "d x"), "moving x into the loop after d"),
        (order("g", "x d"), order("g x", "d"), "moving x out of the loop to after g"),
        (order("g", "x d"), order("x g", "d"), "moving x out of the loop to before g"),
        (order("g", "d x"), order("g", "x d"), "moving d after x"),
        (order("g", "a b x"), order("g", "x a b"), "moving x to the start of the loop"),
        (order("p r t"), order("p", "r t"), "moving r and t into the loop"),
        (order("p r t", "e"), order("p", "r t e"), "moving r and t to the start of the loop"),
        (order("p", "r t"), order("p r t"), "moving r and t out of the loop to after p"),
        (order("", "r s t"), order("r s t"), "moving r, s and t out of the loop"),
        (order("a b c d"), order("d b c a"), "exchanging a and d"),
        (order("a", "b"), order("b", "a"), "exchanging a and b"),
        (order("a b c d"), order("b a d c"), ""),
        (order("a b", "c d"), order("c d", "a b"), ""),
        (order("a b"), order("a c"), ""),
        (order("a b"), order("a"), ""),
        (order(""), order(""), ""),
        (order("a"), order("a"), ""),
    ],
)
def test_moves_in_words(a: Order, b: Order, words: str) -> None:
    assert move_words(a, b) == words


def test_off_blocks_may_stand_anywhere() -> None:
    a, b = order("tuner push grit", "room"), order("grit room push tuner")
    assert move_words(a, b) == ""
    assert move_words(a, b, ["push", "grit"]) == "moving push after grit"
    assert move_words(a, b, ["room", "grit"]) == "moving room out of the loop to after grit"
    assert move_words(a, b, ["room"]) == "moving room out of the loop"
    assert move_words(a, b, ["grit"]) == ""
    assert move_words(a, b, []) == ""


def test_more_of_an_order_does_not_matter() -> None:
    more: dict[str, Any] = {"name": "a", "left_out": ["x"]}
    assert move_words({**order("a b"), **more}, {**order("b a"), **more}) == "moving a after b"
