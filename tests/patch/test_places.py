"""Places on the floor: overlaps, plugs that fit, controls and feet, the supply beneath."""

from itertools import permutations

import pytest

from simchain.board import Board, Order
from simchain.board.read import read_board
from simchain.errors import BoardError
from simchain.patch.cables import Patching
from simchain.patch.places import Floorplan, in_rows
from simchain.patch.units import units_in

FLOOR = "floor = { size_mm = [380, 200], under_mm = 30 }\n"


def board(top: str = FLOOR, **blocks: str) -> Board:
    tables = "".join(f'[blocks.{name}]\nkind = "boost"\n{text}\n' for name, text in blocks.items())
    return read_board(top + tables + "[orders.none]\nfront = []\n[passages.all]\n")


def at(x: float, y: float, more: str = "", size: str = "[40, 93]") -> str:
    return f"size_mm = {size}\nat_mm = [{x}, {y}]\n{more}"


def said(**blocks: str) -> list[str]:
    return list(Floorplan(board(**blocks)).warnings())


def test_nothing_to_say_of_units_with_room():
    """60 mm between them: 30 for each of two angled plugs."""
    assert said(a=at(200, 0), b=at(100, 0)) == []


def test_overlap():
    """a from 200 to 240, b from 215 to 255: 25 mm; from 80 to 93 deep: 13 mm."""
    found = said(a=at(200, 0), b=at(215, 80))
    assert found[0] == "a and b overlap by 25 x 13 mm; move one of them"


def test_over_the_edge():
    assert said(a=at(350, 0)) == ["a hangs 10 mm over the edge of the board of 380 x 200 mm"]
    assert said(a=at(-5, 0)) == ["a hangs 5 mm over the edge of the board of 380 x 200 mm"]


@pytest.mark.parametrize(
    ("gap", "words"),
    [
        (60, []),
        (59, ["29.5 mm before its output jack (left): only a slim plug fits"] * 2),
        (31, ["15.5 mm before its output jack (left): only a flat plug fits"] * 2),
        (20, ["10 mm before its output jack (left); the flattest plug needs 11"] * 2),
    ],
)
def test_two_jacks_that_face_one_another_share_the_room(gap: float, words: list[str]) -> None:
    """Two facing jacks need 25 to 35 mm with slim plugs, 50 to 60 with angled (common practice)."""
    found = said(a=at(200, 0), b=at(200 - 40 - gap, 0))
    assert [
        each.partition(": ")[2].replace("input jack (right)", "output jack (left)")
        for each in found
    ] == words


def test_a_jack_that_faces_a_wall_has_all_of_the_room():
    """b has its jacks at the far side: 25 mm before a's output are a's alone."""
    away = 'input_side = "top"\noutput_side = "top"'
    assert said(a=at(200, 0), b=at(135, 0, away)) == [
        "a: 25 mm before its output jack (left): only a slim plug fits"
    ]


def test_controls_that_no_finger_reaches():
    away = 'input_side = "top"\noutput_side = "top"\n'
    (found,) = said(a=at(200, 0, away + 'controls_side = "left"'), b=at(150, 0, away))
    assert found == "a: b stands 10 mm from its controls (left); a finger needs 20"


def test_often_used_behind_another():
    away = 'input_side = "top"\noutput_side = "top"\n'
    found = said(a=at(100, 100, away + 'reach = "often"'), b=at(120, 0, away))
    found = [each for each in found if "jack" not in each]
    assert found == ["a is used often and stands behind b: the foot must reach over"]
    found = said(a=at(100, 100, away), b=at(120, 0, away + 'reach = "often"'))
    assert [each for each in found if "jack" not in each] == []


def test_the_supply_beneath():
    top = FLOOR + "supply = { size_mm = [160, 210], height_mm = 33 }\n"
    assert list(Floorplan(board(top, a=at(0, 0))).warnings()) == [
        "the supply is 33 mm high, beneath the board there are 30: 3 mm are missing"
    ]
    top = FLOOR + "supply = { size_mm = [160, 390], height_mm = 30 }\n"
    (found,) = Floorplan(board(top, a=at(0, 0))).warnings()
    assert found == "the supply, 160 x 390 mm, does not lie beneath a board of 380 x 200 mm"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("size_mm = [0, 93]", "size_mm, entry 1 = 0: allowed is above 0"),
        ("size_mm = [40]", "size_mm, entry 2 is missing; a number is wanted"),
        ("at_mm = [40, 6000]", "at_mm, entry 2 = 6000: allowed is at most 5000"),
        ('input_side = "back"', 'allowed is "right", "left", "top" or "front"'),
        ('reach = "now"', 'allowed is "often" or "seldom"'),
    ],
)
def test_places_that_cannot_be_are_named(line: str, words: str) -> None:
    with pytest.raises(BoardError) as refused:
        board(a=line)
    assert words in str(refused.value)


def test_units_without_a_place_stand_in_rows():
    """Three of 120 mm and 32 between: the third would begin at 380 - 3 x 120 - 2 x 32 = -44."""
    wide = "size_mm = [120, 90]"
    on = board(a=wide, b=wide, c=wide)
    assert in_rows(on, units_in(on, "abc")) == {"a": (260, 0), "b": (108, 0), "c": (260, 110)}
    assert in_rows(board(a=wide, b=""), units_in(board(a=wide, b=""), "ab")) == {}


def test_the_order_decides_who_stands_behind():
    """Of three only the last stands in the second row; one is used often."""
    wide = "size_mm = [120, 90]"
    on = board(a=wide, b=wide + '\nreach = "often"', c=wide)
    hidden = {names: Patching(on).hidden(Order(names)) for names in permutations("abc")}
    assert hidden == {names: int(names[2] == "b") for names in permutations("abc")}
