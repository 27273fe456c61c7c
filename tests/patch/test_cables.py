"""Cables of boards worked by hand: counts, ends, and lengths to the millimetre.

The arithmetic stands beside each. Plug room and slack: common practice, no source (`places`).
"""

import itertools

import pytest

from simchain.board import Board, Order
from simchain.board.read import read_board
from simchain.patch.cables import Patching, in_series, repatching, to_buy, unheard_sides

STAGE = "cables = { guitar_m = 6, patch_m = 0.15, amp_m = 5, send_m = 4, return_m = 3 }\n"
AMP = '[amps.a]\n[output]\namps = ["a"]\n'
TWO_AMPS = '[amps.a]\n[amps.b]\n[output]\namps = ["a", "b"]\n'


def board(end: str, **blocks: str) -> Board:
    tables = "".join(f"[blocks.{name}]\n{text}\n" for name, text in blocks.items())
    return read_board(STAGE + end + tables + "[orders.none]\nfront = []\n[passages.all]\n")


def laid(board: Board, front: list[str], loop: list[str] | None = None) -> list[tuple]:
    cables = Patching(board).cables(Order(tuple(front), tuple(loop or ())))
    assert [cable.number for cable in cables] == list(range(1, len(cables) + 1))
    return [
        (cable.leaves.jack, cable.arrives.jack, round(cable.metres, 9), cable.kind)
        for cable in cables
    ]


BOOST, WIDE = 'kind = "boost"', 'kind = "reverb"\noutputs = 2'
BOTH = 'kind = "delay"\ninputs = 2\noutputs = 2'


def test_series_into_an_amplifier():
    on = board(AMP, a=BOOST, b=BOOST, c=BOOST)
    assert laid(on, ["a", "b", "c"]) == [
        ("guitar", "a.in", 6.0, "instrument"),
        ("a.out", "b.in", 0.15, "patch"),
        ("b.out", "c.in", 0.15, "patch"),
        ("c.out", "amp.in", 5.0, "amplifier"),
    ]
    assert Patching(on).metres(Order(("a", "b", "c"))) == pytest.approx(11.3)  # 6 + 2 x 0.15 + 5


def test_split_over_input_and_loop():
    on = board(AMP, a=BOOST, b=BOOST, c=BOOST)
    assert laid(on, ["a"], ["b", "c"]) == [
        ("guitar", "a.in", 6.0, "instrument"),
        ("a.out", "amp.in", 5.0, "amplifier"),
        ("amp.send", "b.in", 4.0, "send"),
        ("b.out", "c.in", 0.15, "patch"),
        ("c.out", "amp.return", 3.0, "return"),
    ]


def test_all_in_the_loop():
    """The guitar's own cable goes to the amplifier: one cable less."""
    assert laid(board(AMP, a=BOOST), [], ["a"]) == [
        ("guitar", "amp.in", 6.0, "instrument"),
        ("amp.send", "a.in", 4.0, "send"),
        ("a.out", "amp.return", 3.0, "return"),
    ]


def test_nothing_on_the_board():
    assert laid(board(AMP, a=BOOST), []) == [("guitar", "amp.in", 6.0, "instrument")]


def test_a_stereo_end_into_a_mixer():
    """One input feeds two outputs: two leads to the desk."""
    assert laid(board("", a=BOOST, room=WIDE), ["a", "room"]) == [
        ("guitar", "a.in", 6.0, "instrument"),
        ("a.out", "room.in", 0.15, "patch"),
        ("room.out left", "mixer.in left", 5.0, "amplifier"),
        ("room.out right", "mixer.in right", 5.0, "amplifier"),
    ]


def test_a_stereo_pair_between_units():
    """Two channels go on where the next unit takes two; into one input goes one lead."""
    on = board("", room=WIDE, echo=BOTH, a=BOOST)
    assert laid(on, ["room", "echo", "a"]) == [
        ("guitar", "room.in", 6.0, "instrument"),
        ("room.out left", "echo.in left", 0.15, "patch"),
        ("room.out right", "echo.in right", 0.15, "patch"),
        ("echo.out", "a.in", 0.15, "patch"),
        ("a.out", "mixer.in", 5.0, "amplifier"),
    ]


def test_stereo_into_two_amplifiers():
    on = board(TWO_AMPS, room=WIDE)
    assert laid(on, ["room"]) == [
        ("guitar", "room.in", 6.0, "instrument"),
        ("room.out left", "amp.in", 5.0, "amplifier"),
        ("room.out right", "amp2.in", 5.0, "amplifier"),
    ]
    assert [cable.is_stereo for cable in Patching(on).cables(Order(("room",)))] == [
        False,
        True,
        True,
    ]


def test_two_loops_and_a_stereo_unit():
    """Two inputs: two sends, a pair onwards, two returns. One output to two inputs needs a Y."""
    on = board(TWO_AMPS, a=BOOST, echo=BOTH)
    assert laid(on, ["a"], ["echo"]) == [
        ("guitar", "a.in", 6.0, "instrument"),
        ("a.out", "amp.in", 5.0, "amplifier"),
        ("a.out", "amp2.in", 5.0, "amplifier"),
        ("amp.send", "echo.in left", 4.0, "send"),
        ("amp2.send", "echo.in right", 4.0, "send"),
        ("echo.out left", "amp.return", 3.0, "return"),
        ("echo.out right", "amp2.return", 3.0, "return"),
    ]
    assert "splitter" in next(unheard_sides(on, Order(("a",), ("echo",))))


def test_a_box_has_one_pair_of_jacks():
    """Two blocks of one housing: no lead between them; parted, they are two units with jacks."""
    on = board(AMP, a=BOOST + '\nbox = "twin"', b=BOOST + '\nbox = "twin"', c=BOOST)
    assert laid(on, ["a", "b", "c"]) == [
        ("guitar", "twin.in", 6.0, "instrument"),
        ("twin.out", "c.in", 0.15, "patch"),
        ("c.out", "amp.in", 5.0, "amplifier"),
    ]


def test_leads_between_places():
    """Small units of 40 x 93 mm in a row, signal from right to left, as on the page:

    gaps: a to b 140 - (20 + 40 + 40) = 40 mm, each jack has 20: slim plugs (16 mm) meet with
    40 - 2 x 16 = 8 mm between them, and 25 of slack: 33 mm. b to c: 100 - 40 = 60 mm, 30 each:
    angled (30), nothing between: 25 mm.
    """
    small = BOOST + "\nsize_mm = [40, 93]\nat_mm = [{}, 0]"
    on = board(AMP, a=small.format(200), b=small.format(120), c=small.format(20))
    cables = Patching(on).cables(Order(("a", "b", "c")))
    patches = [cable for cable in cables if cable.kind == "patch"]
    assert [round(1e3 * cable.metres, 6) for cable in patches] == [33.0, 25.0]
    assert [cable.plugs for cable in patches] == [("slim", "slim"), ("angled", "angled")]
    assert [cable.buy_m for cable in cables] == [6.0, 0.1, 0.1, 6.0]  # 5 m: the next sold is 6
    assert to_buy(cables) == {
        ("patch", 0.1, ("angled", "angled")): 1,
        ("patch", 0.1, ("slim", "slim")): 1,
        ("stage", 6.0, ("straight", "straight")): 2,
    }


def test_leads_across_two_rows():
    """From a's far side round to b's near side: from (20, 93 + 30) to (20, 200 - 30): 47 + 25."""
    a = BOOST + '\nsize_mm = [40, 93]\nat_mm = [0, 0]\noutput_side = "top"'
    b = BOOST + '\nsize_mm = [40, 93]\nat_mm = [0, 200]\ninput_side = "front"'
    (lead,) = [each for each in laid(board(AMP, a=a, b=b), ["a", "b"]) if each[3] == "patch"]
    assert lead == ("a.out", "b.in", 0.072, "patch")


def test_series_and_back():
    on = board(AMP, a=BOOST, b=BOOST, c=BOOST)
    split = Order(("a",), ("b", "c"))
    assert in_series(split) == Order(("a", "b", "c"))
    series, four = (Patching(on).cables(order) for order in (in_series(split), split))
    found = repatching(series, four)
    assert found.pulled == (("a.out", "b.in"), ("c.out", "amp.in"))
    assert found.added == (
        ("a.out", "amp.in"),
        ("amp.send", "b.in"),
        ("c.out", "amp.return"),
    )
    back = repatching(four, series)
    assert (back.pulled, back.added) == (found.added, found.pulled)


@pytest.mark.parametrize("split", range(5))
def test_counts_in_any_order(split: int) -> None:
    """n units take n + 1 cables in series; the split takes one more patch away and adds two."""
    on = board(AMP, a=BOOST, b=BOOST, c=BOOST, d=BOOST)
    for names in itertools.permutations("abcd"):
        order = Order(names[:split], names[split:])
        expected = 5 if split == 4 else 6
        assert len(Patching(on).cables(order)) == expected
