"""Power: against every assignment there is, and boards worked by hand.

Brute force reckons by itself, in whole numbers: 1.2 times the draw is 6 draw <= 5 gives.
"""

import itertools
import random
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simchain.board import Board, Order
from simchain.board.read import read_board
from simchain.errors import RequestError
from simchain.patch.plugging import best_places, smallest_breaking
from simchain.patch.plugs import plugging, plugs_of
from simchain.patch.power import Assignment, assign, higher_volts

A_300 = '{ name = "A", volts = 9, ma = 300 }'
B_18 = '{ name = "B", volts = 18, ma = 60, isolated = true }'
C_18 = '{ name = "C", volts = 18, ma = 60, isolated = true }'


def board(outlets: str, **blocks: str) -> Board:
    tables = "".join(f"[blocks.{name}]\n{text}\n" for name, text in blocks.items())
    front = ", ".join(f'"{name}"' for name in blocks)
    return read_board(
        f"supply = {{ outlets = [{outlets}] }}\n{tables}[orders.all]\nfront = [{front}]\n"
        "[passages.all]\n"
    )


def analogue(ma: float, more: str = "") -> str:
    return f'kind = "boost"\ncurrent_ma = {ma}\n{more}'


def digital(ma: float, more: str = "") -> str:
    return f'kind = "reverb"\ncurrent_ma = {ma}\n{more}'


def plugged(found: Assignment) -> dict[str, list[str]]:
    return {fed.outlet.name: [plug.unit for plug in fed.plugs] for fed in found.outlets}


# Every assignment there is.


def random_board(seed: int) -> Board:
    draw = random.Random(seed)
    outlets = [
        f'{{ name = "{name}", volts = {draw.choice((9, 9, 9, 9, 12, 18))}, '
        f"ma = {draw.choice((100, 120, 200, 300))}, "
        f"isolated = {draw.choice(('true', 'false'))}, "
        f'polarity = "centre-{draw.choice(("negative",) * 15 + ("positive",))}" }}'
        for name in "ABCDE"[: draw.randint(1, 5)]
    ]
    blocks = {}
    for name in "uvwxyz"[: draw.randint(1, 6)]:
        more = draw.choice(
            (
                *("",) * 12,
                *("supply_range_volts = [9, 18]",) * 4,
                "supply_volts = 12\nsupply_range_volts = [9, 12]",
                "supply_volts = 18",
                'polarity = "centre-positive"',
            )
        )
        kind = draw.choice((analogue, analogue, digital))
        # Fifty, 100 and 250 with their fifth fill outlets of 60, 120 and 300 to the last.
        blocks[name] = kind(draw.choice((8, 50, 50, 75, 100, 100, 250)), more)
    return board(", ".join(outlets), **blocks)


def choices(on: Board, name: str) -> list[int]:
    block = on.blocks[name]
    low, high = block.supply_range_volts or (block.supply_volts, block.supply_volts)
    return [
        number
        for number, outlet in enumerate(on.supply.outlets)
        if low <= outlet.volts <= high and outlet.polarity == block.polarity
    ]


def is_possible(on: Board, places: dict[str, int | None]) -> bool:
    for number, outlet in enumerate(on.supply.outlets):
        drawn = sum(on.blocks[name].current_ma for name, at in places.items() if at == number)
        if 6 * drawn > 5 * outlet.ma:
            return False
    return True


def worth(on: Board, places: dict[str, int | None]) -> tuple[int, ...]:
    outlets, many = on.supply.outlets, Counter(places.values())
    fed = {name: at for name, at in places.items() if at is not None}
    digitals = [name for name in fed if on.blocks[name].kind == "reverb"]
    return (
        len(places) - len(fed),
        sum(many[fed[name]] > 1 for name in digitals),
        sum(not outlets[fed[name]].isolated for name in digitals),
        sum(on.blocks[name].supply_volts != outlets[at].volts for name, at in fed.items()),
        sum(many[at] > 1 for at in fed.values()),
    )


def best_by_trying(on: Board) -> tuple[tuple[int, ...], list[int]]:
    """Return the least worth and, of equal ones, the first by the board's sequence."""
    last, found = len(on.supply.outlets), []
    for row in itertools.product(*([*choices(on, name), None] for name in on.blocks)):
        places = dict(zip(on.blocks, row, strict=True))
        if is_possible(on, places):
            found.append((worth(on, places), [last if at is None else at for at in row]))
    return min(found)


def smallest_by_trying(on: Board) -> int | None:
    for size in range(1, len(on.blocks) + 1):
        for some in itertools.combinations(on.blocks, size):
            if not all_fed(on, some):
                return size
    return None


def all_fed(on: Board, names: tuple[str, ...]) -> bool:
    rows = itertools.product(*(choices(on, name) for name in names))
    return any(is_possible(on, dict(zip(names, row, strict=True))) for row in rows)


def places_of(on: Board, found: Assignment) -> dict[str, int | None]:
    places: dict[str, int | None] = {plug.unit: None for plug in found.unpowered}
    for number, fed in enumerate(found.outlets):
        places |= {plug.unit: number for plug in fed.plugs}
    return {name: places[name] for name in on.blocks}


def test_equals_every_assignment_tried():
    """Fifty boards: the same worth, the same places, and the same size of the smallest set."""
    met = Counter()
    for seed in range(50):
        on = random_board(seed)
        found = assign(on, "all")
        places = places_of(on, found)
        assert all(at is None or at in choices(on, name) for name, at in places.items())
        assert is_possible(on, places)
        value, row = best_by_trying(on)
        assert worth(on, places) == value
        assert [len(found.outlets) if at is None else at for at in places.values()] == row
        names = tuple(plug.unit for plug in found.breaking)
        assert (len(names) or None) == smallest_by_trying(on)
        assert not names or not all_fed(on, names)
        met["all powered"] += not value[0]
        met["shared with digital"] += value[1] > 0
        met["digital not isolated"] += value[2] > 0
        met["other volts"] += value[3] > 0
        met["shared"] += value[4] > 0
        met["two that are too many"] += len(names) == 2
        met["three or more"] += len(names) > 2
    print(dict(met))
    assert min(met.values()) >= 2


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    st.lists(st.sampled_from([10, 30, 50, 60, 70, 100, 150]), min_size=2, max_size=6),
    st.lists(st.sampled_from([60, 120, 180, 200]), min_size=1, max_size=3),
)
def test_the_smallest_set_where_all_take_the_same_voltage(draws: list[int], given_ma: list[int]):
    """Sets of three and more, which units that differ in voltage seldom make."""
    outlets = ", ".join(
        f'{{ name = "{name}", ma = {ma} }}' for name, ma in zip("ABC", given_ma, strict=False)
    )
    units = {f"u{number}": analogue(ma) for number, ma in enumerate(draws)}
    on = board(outlets, **units)
    plugs = plugs_of(on, "all")
    task = plugging(plugs, on.supply.outlets)
    crowd = smallest_breaking(task)
    assert (None if crowd is None else len(crowd)) == smallest_by_trying(on)
    assert crowd is None or not all_fed(on, tuple(plugs[number].unit for number in crowd))
    assert (crowd is None) == (None not in best_places(task))


# Boards worked by hand.


def test_digital_alone_on_the_isolated_outlet():
    """9.6 + 9.6 = 19.2 mA of 300 on A; 1.2 x 120 = 144 of 150 on B, alone and isolated."""
    outlets = A_300 + ', { name = "B", ma = 150, isolated = true }'
    on = board(outlets, press=analogue(8), grit=analogue(8), repeat=digital(120))
    found = assign(on, "all")
    assert plugged(found) == {"A": ["press", "grit"], "B": ["repeat"]}
    assert [fed.needed_ma for fed in found.outlets] == pytest.approx([19.2, 144.0])
    assert (found.faults, found.notes, found.unpowered, found.breaking) == ((), (), (), ())
    assert higher_volts(found) == ()


@pytest.mark.parametrize(("ma", "is_over"), [(250, False), (250.1, True)])
def test_a_fifth_to_spare_to_the_last_milliampere(ma: float, is_over: bool):
    """1.2 x 250 = 300.0 of 300; 1.2 x 250.1 = 300.12."""
    found = assign(board(A_300, loop=digital(ma)), "all")
    assert bool(found.faults) == is_over
    for fault in found.faults:
        assert (fault.code, fault.blocks, fault.outlet) == ("overload", ("loop",), "A")
        assert (fault.needed_ma, fault.there_ma) == (pytest.approx(300.12), 300)
        assert "at least 300.12 mA at 9 V" in fault.text


def test_three_that_need_an_outlet_each_and_there_are_two():
    """1.2 x 40 = 48 mA each: two are 96, and an outlet gives 60."""
    of_18 = analogue(40, "supply_volts = 18")
    on = board(f"{A_300}, {B_18}, {C_18}", press=analogue(8), grit=of_18, sweep=of_18, push=of_18)
    found = assign(on, "all")
    assert plugged(found) == {"A": ["press"], "B": ["grit"], "C": ["sweep"]}
    assert [plug.unit for plug in found.breaking] == ["grit", "sweep", "push"]
    (fault,) = found.faults
    assert (fault.code, fault.blocks, fault.outlet) == (
        "none_left",
        ("grit", "sweep", "push"),
        None,
    )
    assert (fault.needed_ma, fault.there_ma) == (pytest.approx(144.0), 120.0)
    assert fault.text == (
        "'grit', 'sweep' and 'push' need 3 outlets of 18 V, as no two of them fit into one, and of "
        "those that suit there are 2: B (18 V, 60 mA) and C (18 V, 60 mA); 'push' stays without "
        "power: one more outlet, a stronger one, or one of these units less"
    )
    assert [fed.outlet.name for fed in higher_volts(found)] == ["B", "C"]


def test_too_much_together_though_two_fit_into_one():
    """1.2 x 90 = 108 mA each: two are 216 and fit into 300, three are 324 and do not."""
    found = assign(board(A_300, **{f"u{n}": analogue(90) for n in range(4)}), "all")
    assert [plug.unit for plug in found.unpowered] == ["u2", "u3"]
    assert [plug.unit for plug in found.breaking] == ["u0", "u1", "u2"]
    (fault,) = found.faults
    assert (fault.needed_ma, fault.there_ma) == (pytest.approx(324.0), 300.0)
    assert fault.text == (
        "'u0' (108 mA), 'u1' (108 mA) and 'u2' (108 mA) need 324 mA together, with a fifth to "
        "spare, and the outlet for them, A (9 V, 300 mA), cannot feed them all; 'u2' and 'u3' stay "
        "without power: one more outlet, a stronger one, or one of these units less"
    )


def test_two_crowds_are_two_faults():
    """Two of 60 mA at 18 V for one outlet of 60, and two of 240 mA at 9 V for one of 300."""
    of_18 = analogue(50, "supply_volts = 18")
    on = board(f"{A_300}, {B_18}", a=analogue(200), b=of_18, c=analogue(200), d=of_18)
    assert [fault.blocks for fault in assign(on, "all").faults] == [("a", "c"), ("b", "d")]


def test_of_a_range_the_rendered_voltage_first():
    ranged = analogue(8, "supply_range_volts = [9, 18]")
    found = assign(board(f"{B_18}, {A_300}", push=ranged), "all")
    assert plugged(found) == {"B": [], "A": ["push"]}
    assert found.notes == ()


def test_of_a_range_another_voltage_where_a_digital_unit_wants_to_be_alone():
    """A digital unit alone counts before the rendered voltage: push goes to 18 V, and it is told.

    1.2 x 8 = 9.6 of 60 mA.
    """
    ranged = analogue(8, "supply_range_volts = [9, 18]")
    found = assign(board(f"{A_300}, {B_18}", push=ranged, repeat=digital(120)), "all")
    assert plugged(found) == {"A": ["repeat"], "B": ["push"]}
    (note,) = found.notes
    assert note == (
        "'push' is fed 18 V by outlet B and rendered with 9 V: it takes 9 to 18 V; to hear it so, "
        "set its supply_volts = 18"
    )


def test_a_digital_unit_with_others_on_one_outlet():
    """1.2 x (8 + 120) = 153.6 of 300 mA: enough, and still a fault."""
    found = assign(board(A_300, grit=analogue(8), repeat=digital(120)), "all")
    assert plugged(found) == {"A": ["grit", "repeat"]}
    (fault,) = found.faults
    assert (fault.code, fault.blocks, fault.outlet) == (
        "shared_with_digital",
        ("grit", "repeat"),
        "A",
    )
    assert (fault.needed_ma, fault.there_ma) == (pytest.approx(153.6), 300.0)
    assert fault.text == (
        "outlet A feeds 'grit' and 'repeat': 'repeat' is digital, and 'grit' may whine with its "
        "clock; they need 153.6 mA of the 300 mA there, and a digital unit wants an outlet of its "
        "own"
    )
    assert found.breaking == ()


def test_digital_units_with_nothing_else_on_one_outlet():
    """1.2 x (100 + 120) = 264 of 300 mA."""
    (fault,) = assign(board(A_300, room=digital(100), repeat=digital(120)), "all").faults
    assert "all of them are digital, and each may whine with the clock of another" in fault.text
    assert fault.needed_ma == pytest.approx(264.0)


def test_more_analogue_units_than_outlets_share_one():
    found = assign(board(A_300, a=analogue(8), b=analogue(8), c=analogue(8)), "all")
    assert plugged(found) == {"A": ["a", "b", "c"]}
    assert (found.faults, found.notes) == ((), ())


def test_joined_returns_are_told_where_a_digital_unit_is_among_them():
    outlets = A_300 + ', { name = "B", ma = 300 }, { name = "C", ma = 300 }'
    found = assign(board(outlets, grit=analogue(8), repeat=digital(120)), "all")
    assert plugged(found) == {"A": ["grit"], "B": ["repeat"], "C": []}
    assert found.faults == ()
    assert "'repeat' is digital" in found.notes[0]
    assert "A and B are not isolated" in found.notes[0]
    assert assign(board(outlets, repeat=digital(120)), "all").notes == ()


def test_a_box_has_one_plug_and_draws_for_all_that_is_in_it():
    """1.2 x (8 + 120) = 153.6 mA, also when the order leaves one of both out."""
    in_box = 'box = "twin"'
    on = board(A_300, grit=analogue(8, in_box), repeat=digital(120, in_box))
    for order in ("all", Order(("grit",))):
        (plug,) = assign(on, order).outlets[0].plugs
        assert (plug.unit, plug.blocks, plug.is_digital) == ("twin", ("grit", "repeat"), True)
        assert plug.needed_ma == pytest.approx(153.6)
        assert assign(on, order).faults == ()


def test_a_box_takes_what_each_block_that_says_something_takes():
    first = analogue(8, 'box = "twin"\nsupply_range_volts = [9, 18]')
    second = analogue(8, 'box = "twin"\nsupply_volts = 18')
    silent = analogue(8, 'box = "twin"')
    on = board(f"{A_300}, {B_18}", a=first, b=second, c=silent)
    assert plugged(assign(on, "all")) == {"A": [], "B": ["twin"]}
    against = board(f"{A_300}, {B_18}", a=second, b=analogue(8, 'box = "twin"\nsupply_volts = 9'))
    (fault,) = assign(against, "all").faults
    assert (fault.code, fault.blocks) == ("wrong_voltage", ("a", "b"))
    assert "no voltage in common" in fault.text


def test_what_draws_nothing_has_no_plug_unless_it_speaks_of_a_supply():
    pedal, lit = 'kind = "volume"', 'kind = "volume"\nsupply_volts = 9'
    assert plugged(assign(board(A_300, pedal=pedal), "all")) == {"A": []}
    assert plugged(assign(board(A_300, pedal=lit), "all")) == {"A": ["pedal"]}


def test_units_that_the_order_leaves_out_need_no_power():
    on = board(A_300, a=analogue(200), b=analogue(200))
    assert [plug.unit for plug in assign(on, "all").unpowered] == ["b"]
    assert plugged(assign(on, Order(("b",)))) == {"A": ["b"]}
    assert assign(on, Order()).faults == ()


def test_places_do_not_depend_on_the_sequence_of_the_order():
    outlets = ", ".join(f'{{ name = "{name}", ma = 100 }}' for name in "ABC")
    on = board(outlets, a=analogue(20), b=analogue(20), c=analogue(20))
    for names in itertools.permutations("abc"):
        assert plugged(assign(on, Order(names))) == {"A": ["a"], "B": ["b"], "C": ["c"]}


# Bad input: named, with the way out.


def test_a_voltage_that_no_outlet_gives():
    push = analogue(8, "supply_range_volts = [12, 15]\nsupply_volts = 12")
    found = assign(board(f"{A_300}, {B_18}", grit=analogue(8), push=push), "all")
    (fault,) = found.faults
    assert (fault.code, fault.blocks, fault.outlet) == ("wrong_voltage", ("push",), None)
    assert (fault.needed_ma, fault.there_ma) == (pytest.approx(9.6), 0.0)
    assert "takes 12 to 15 V and needs 9.6 mA; the outlets give 9 and 18 V" in fault.text
    assert "an outlet with that voltage is wanted" in fault.text
    assert [plug.unit for plug in found.breaking] == ["push"]
    assert plugged(found) == {"A": ["grit"], "B": []}


def test_the_wrong_polarity():
    on = board(A_300, fur=analogue(2, 'polarity = "centre-positive"'))
    (fault,) = assign(on, "all").faults
    assert (fault.code, fault.blocks, fault.outlet) == ("polarity", ("fur",), "A")
    assert (fault.needed_ma, fault.there_ma) == (pytest.approx(2.4), 300.0)
    assert "'fur' wants centre-positive, and outlet A (9 V, 300 mA)" in fault.text
    assert "read voltage and polarity on the unit itself" in fault.text


def test_no_outlets_at_all():
    """1.2 x (8 + 120) = 153.6 mA."""
    found = assign(board("", grit=analogue(8), repeat=digital(120)), "all")
    (fault,) = found.faults
    assert (fault.code, fault.blocks) == ("none_left", ("grit", "repeat"))
    assert (fault.needed_ma, fault.there_ma) == (pytest.approx(153.6), 0.0)
    assert "[supply] outlets = [{ name" in fault.text
    assert higher_volts(found) == ()


def test_an_order_that_the_board_does_not_have():
    with pytest.raises(RequestError, match="no order 'al' on this board"):
        assign(board(A_300, a=analogue(8)), "al")
