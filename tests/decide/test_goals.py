"""Goals: what orders read and are charged, on numbers worked by hand; who is unbeaten, and why."""

import dataclasses
import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from simchain.board import Board, Order, read_board, with_settings
from simchain.chain.path import path_of
from simchain.decide import unbeaten as unbeaten_module
from simchain.decide.found import Ranked
from simchain.decide.goals import FLOOR_GOALS, GOALS, Floats, Readings, Table, table, weights_of
from simchain.decide.unbeaten import unbeaten
from simchain.decide.why import order_words, why
from simchain.electrics import Cable
from simchain.errors import RequestError
from simchain.patch.cables import Patching

BOARD = """
source = { kind = "line", clip = "slipway" }
cables = { guitar_m = 5, patch_m = 0.25, amp_m = 4, send_m = 7, return_m = 8 }
[blocks]
press = { kind = "compressor", box = "tin" }
push = { kind = "boost", box = "tin" }
grit = { kind = "drive" }
room = { kind = "reverb", bypass = "true" }
[amps]
one = {}
two = {}
[orders.now]
front = ["press", "push", "grit"]
loop = ["room"]
[passages.verse]
on = ["press"]
[passages.riff]
on = ["grit"]
above = { passage = "verse", lu = 3.0 }
weight = 1
[passages.solo]
on = ["grit", "push"]
target_lufs = -14.0
weight = 3
"""
PASSAGES = ("verse", "riff", "solo")
INF = math.inf


@pytest.fixture(scope="module")
def board() -> Board:
    return read_board(BOARD)


def with_goals(board: Board, **weights: float | str) -> Board:
    return with_settings(board, {"goals": weights})


def column(*values: float) -> Floats:
    return np.array(values, dtype=np.float64)


def of_all(**fields: tuple[float, float, float]) -> dict[str, Readings]:
    """Readings of one order: in each field those of verse, riff and solo."""
    return rows([fields])


def rows(orders: list[dict[str, tuple[float, float, float]]]) -> dict[str, Readings]:
    """The same of several orders."""
    plain: dict[str, tuple[float, float, float]] = {
        "lufs": (-20.0, -17.0, -14.0),
        "headroom_db": (INF, INF, INF),
        "width": (0.0, 0.0, 0.0),
    }
    filled = [plain | order for order in orders]
    return {
        passage: Readings(
            **{name: column(*(order[name][place] for order in filled)) for name in filled[0]}
        )
        for place, passage in enumerate(PASSAGES)
    }


def test_levels_are_the_root_mean_square_of_what_passages_are_off(board: Board) -> None:
    # Riff: 5 above the verse where 3 are wanted, off by 2. Solo: -13 for -14, off by 1, 3 times
    # the weight. sqrt((1 * 4 + 3 * 1) / 4) = 1.3229 LU.
    made = table(board, PASSAGES, of_all(lufs=(-20.0, -15.0, -13.0)), {"levels": 2.0})
    assert made.values["levels"] == pytest.approx([math.sqrt(7 / 4)])
    assert made.costs["levels"] == pytest.approx([math.sqrt(7 / 4)])
    assert made.score == pytest.approx([2.0 * math.sqrt(7 / 4)])


def test_a_passage_too_soft_costs_as_much_as_one_too_loud(board: Board) -> None:
    orders = [{"lufs": (-20.0, -17.0 + off, -14.0)} for off in (-2.0, 0.0, 2.0)]
    made = table(board, PASSAGES, rows(orders), {"levels": 1.0})
    assert made.costs["levels"] == pytest.approx([1.0, 0.0, 1.0])  # sqrt(1 * 4 / 4)


@pytest.mark.parametrize("silent", [(-INF, -17.0, -14.0), (-INF, -INF, -14.0), (-INF,) * 3])
def test_a_silent_order_costs_without_end_and_is_no_nan(
    board: Board, silent: tuple[float, float, float]
) -> None:
    made = table(board, PASSAGES, rows([{}, {"lufs": silent}]), {"levels": 1.0, "headroom": 1.0})
    assert made.score.tolist() == [0.0, INF]
    assert made.values["levels"].tolist() == [0.0, INF]


def test_levels_leave_out_a_target_of_a_passage_without_weight(board: Board) -> None:
    solo = with_settings(board.passages["solo"], {"weight": 0.0})
    light = board.model_copy(update={"passages": {**board.passages, "solo": solo}})
    readings = of_all(lufs=(-20.0, -15.0, -30.0))
    assert table(light, PASSAGES, readings, {"levels": 1.0}).score == pytest.approx([2.0])


def test_passages_count_alike_where_none_has_a_weight(board: Board) -> None:
    light = {name: with_settings(board.passages[name], {"weight": 0.0}) for name in PASSAGES}
    readings = of_all(lufs=(-20.0, -15.0, -13.0), width=(0.1, 0.2, 0.3))
    made = table(
        board.model_copy(update={"passages": light}), PASSAGES, readings, {"levels": 1, "width": 1}
    )
    assert made.values["levels"] == pytest.approx([math.sqrt(5 / 2)])
    assert made.values["width"] == pytest.approx([0.2])


def test_headroom_costs_what_is_missing_to_6_db_in_the_tightest_passage(board: Board) -> None:
    least = (INF, 9.0, 6.0, 4.5, 0.0, -3.0)
    orders = [{"headroom_db": (INF, db, 20.0)} for db in least]
    made = table(board, PASSAGES, rows(orders), {"headroom": 1.0})
    assert made.values["headroom"].tolist() == [min(db, 20.0) for db in least]
    assert made.costs["headroom"] == pytest.approx([0.0, 0.0, 0.0, 0.5, 2.0, 3.0])


@pytest.mark.parametrize(
    ("goal", "weight", "field", "unit", "costs"),
    [
        ("floor", 1.0, "floor_db", 3.0, [0.0, 1.0, 2.0]),
        ("dirt", 2.0, "dirt_db", 3.0, [2.0, 1.0, 0.0]),
        ("dirt", -2.0, "dirt_db", 3.0, [0.0, 1.0, 2.0]),
        ("clarity", 1.0, "clarity_db", 3.0, [2.0, 1.0, 0.0]),
        ("width", 1.0, "width", 0.05, [2.0, 1.0, 0.0]),
    ],
)
def test_means_cost_what_they_are_behind_the_best_order(
    board: Board, goal: str, weight: float, field: str, unit: float, costs: list[float]
) -> None:
    # Weights 1, 1, 3: the solo alone moves by 5/3 steps, so the mean by one.
    orders = [{field: (0.0, 0.0, 5.0 / 3.0 * unit * place)} for place in range(3)]
    made = table(board, PASSAGES, rows(orders), {goal: weight})
    assert made.values[goal] == pytest.approx([0.0, unit, 2.0 * unit])
    assert made.costs[goal] == pytest.approx(costs)
    assert made.score == pytest.approx([abs(weight) * cost for cost in costs])


def test_the_best_is_the_best_that_is_finite(board: Board) -> None:
    # Nothing at all of noise costs nothing; without music, noise counts without end.
    floors = [(-INF, -60.0, -60.0), (-60.0,) * 3, (-57.0,) * 3, (INF, -60.0, -INF)]
    made = table(board, PASSAGES, rows([{"floor_db": each} for each in floors]), {"floor": 1.0})
    assert made.values["floor"] == pytest.approx([-INF, -60.0, -57.0, INF])
    assert made.costs["floor"] == pytest.approx([0.0, 0.0, 1.0, INF])


def test_a_passage_without_end_decides_a_mean_the_worse_one_first(board: Board) -> None:
    orders = [{"clarity_db": each} for each in ((INF, 0.0, 0.0), (INF, -INF, 0.0), (0.0, 0.0, 0.0))]
    made = table(board, PASSAGES, rows(orders), {"clarity": 1.0})
    assert made.values["clarity"].tolist() == [INF, -INF, 0.0]
    assert made.costs["clarity"].tolist() == [0.0, INF, 0.0]


def test_where_all_orders_are_silent_all_cost_without_end(board: Board) -> None:
    made = table(board, PASSAGES, of_all(floor_db=(INF, INF, INF)), {"floor": 1.0})
    assert made.score.tolist() == [INF]


def test_closeness_is_the_passage_that_is_furthest_off(board: Board) -> None:
    orders = [{"apart": (0.2, 1.5, 0.3)}, {"apart": (0.0, 0.0, 0.0)}]
    made = table(board, PASSAGES, rows(orders), {"closeness": 1.0})
    assert made.costs["closeness"].tolist() == [1.5, 0.0]


def test_patching_counts_from_the_shortest(board: Board) -> None:
    made = table(
        board,
        PASSAGES,
        rows([{}, {}]),
        {"patching": 1.0},
        on_the_floor={"patching": column(21.25, 20.0)},
    )
    assert made.values["patching"].tolist() == [21.25, 20.0]
    assert made.costs["patching"] == pytest.approx([1.25, 0.0])


def test_every_amp_is_the_most_that_the_other_goals_lose_elsewhere(board: Board) -> None:
    weights = {"levels": 1.0, "headroom": 2.0}

    def on(*least_db: float) -> Table:
        orders = [{"headroom_db": (db, db, db)} for db in least_db]
        return table(board, PASSAGES, rows(orders), weights)

    # Headroom of 6, 3 and 0 dB costs 0, 1 and 2 steps: with its weight 0, 2 and 4.
    here = rows([{"headroom_db": (db, db, db)} for db in (6.0, 3.0, 0.0)])
    asked = weights | {"every_amp": 1.0, "width": 1.0}
    others = [on(3.0, 3.0, 6.0), on(6.0, 0.0, 6.0)]
    made = table(board, PASSAGES, here, weights | {"every_amp": 1.0}, on_amps=others)
    assert made.costs["every_amp"].tolist() == [2.0, 2.0, 0.0]
    assert made.score.tolist() == [2.0, 4.0, 4.0]
    alone = table(board, PASSAGES, here, asked)
    assert alone.costs["every_amp"].tolist() == [0.0, 0.0, 0.0]
    assert list(alone.costs) == list(asked)


def test_every_amp_of_silence_is_no_nan(board: Board) -> None:
    silent, heard = {"lufs": (-INF, -INF, -INF)}, dict[str, tuple[float, float, float]]()
    other = table(board, PASSAGES, rows([silent, silent, heard]), {"levels": 1.0})
    made = table(
        board,
        PASSAGES,
        rows([silent, heard, silent]),
        {"levels": 1.0, "every_amp": 1.0},
        on_amps=[other],
    )
    assert made.costs["every_amp"].tolist() == [0.0, INF, 0.0]
    assert made.score.tolist() == [INF, INF, INF]


def test_a_goal_without_its_readings_is_refused(board: Board) -> None:
    for goal, words in (("dirt", "dirt_db"), ("patching", "floor"), ("every_amp", "a goal")):
        with pytest.raises(ValueError, match=words):
            table(board, PASSAGES, of_all(), {goal: 1.0})
    with pytest.raises(ValueError, match="passage with a target"):
        table(board, ("verse",), of_all(), {"levels": 1.0})


def test_readings_that_are_no_numbers_are_refused() -> None:
    with pytest.raises(ValueError, match="width of order 1 is no number"):
        Readings(column(0.0, 0.0), column(0.0, 0.0), column(0.0, math.nan))
    with pytest.raises(ValueError, match="headroom_db has shape"):
        Readings(column(0.0, 0.0), column(0.0), column(0.0, 0.0))


any_number = st.one_of(
    st.floats(-120.0, 120.0), st.sampled_from([-INF, INF]), st.sampled_from([0.0, 6.0])
)


@given(values=arrays(np.float64, (3, 4, 7), elements=any_number))
@settings(max_examples=60, deadline=None)
def test_no_reading_makes_a_nan_or_a_cost_below_0(values: Floats) -> None:
    board = read_board(BOARD)
    names = [field.name for field in dataclasses.fields(Readings)]
    readings = {
        passage: Readings(
            **{n: np.abs(v) if n == "apart" else v for n, v in zip(names, each.T, strict=True)}
        )
        for passage, each in zip(PASSAGES, values, strict=True)
    }
    for dirt in (1.0, -1.0):
        weights = dict.fromkeys(GOALS, 1.0) | {"dirt": dirt}
        laid = dict.fromkeys(FLOOR_GOALS, np.ones(4))
        made = table(board, PASSAGES, readings, weights, on_the_floor=laid)
        for each in (*made.values.values(), made.score):
            assert not np.isnan(each).any()
        assert all((cost >= 0.0).all() for cost in made.costs.values())


# Which goals count


def test_goals_with_a_weight_count_in_a_fixed_sequence(board: Board) -> None:
    wished = with_goals(board, width=0.5, dirt=-2, closeness=1, levels=1, reference="now")
    weights, warnings = weights_of(wished, PASSAGES, has_amplifier=True)
    assert list(weights.items()) == [
        ("levels", 1.0), ("dirt", -2.0), ("width", 0.5), ("closeness", 1.0)
    ]  # fmt: skip
    assert warnings == ()


def test_what_cannot_be_counted_is_left_out_and_said(board: Board) -> None:
    wished = with_goals(board, levels=1, floor=1, closeness=1, every_amp=1, reach=1)
    weights, warnings = weights_of(wished, ("verse",), has_amplifier=False)
    assert weights == {"floor": 1.0}
    assert [text.split(":")[0] for text in warnings] == [
        f"[goals] {name} is not counted" for name in ("levels", "closeness", "every_amp", "reach")
    ]
    levels, closeness, every_amp, reach = warnings
    assert "no passage of verse has a target" in levels
    assert "there are: now" in closeness
    assert "mixer" in every_amp
    assert 'no block has reach = "often"' in reach


def test_every_amp_needs_two(board: Board) -> None:
    one = with_goals(board, floor=1, every_amp=1)
    both, none = weights_of(one, PASSAGES, has_amplifier=True)
    assert both == {"floor": 1.0, "every_amp": 1.0}
    assert none == ()
    single = one.model_copy(update={"amps": {"one": one.amps["one"]}})
    weights, (warning,) = weights_of(single, PASSAGES, has_amplifier=True)
    assert weights == {"floor": 1.0}
    assert "this board has 1" in warning


def test_a_reference_that_is_no_order_is_refused(board: Board) -> None:
    goals = board.goals.model_copy(update={"closeness": 1.0, "reference": "nwo"})
    with pytest.raises(RequestError, match=r"\[goals\] reference: no order 'nwo'.*there are: now"):
        weights_of(board.model_copy(update={"goals": goals}), PASSAGES, has_amplifier=True)


def test_without_goals_levels_and_headroom_are_taken_and_said(board: Board) -> None:
    weights, (warning,) = weights_of(board, PASSAGES, has_amplifier=True)
    assert weights == {"levels": 1.0, "headroom": 1.0}
    assert warning.startswith("no goal has a weight, so levels = 1 and headroom = 1 are taken")
    assert all(name in warning for name in GOALS)
    weights, (warning,) = weights_of(board, ("verse",), has_amplifier=True)
    assert weights == {"headroom": 1.0}
    assert "so headroom = 1 is taken" in warning


def test_every_amp_alone_holds_the_goals_that_are_taken(board: Board) -> None:
    weights, warnings = weights_of(with_goals(board, every_amp=2), PASSAGES, has_amplifier=True)
    assert weights == {"levels": 1.0, "headroom": 1.0, "every_amp": 2.0}
    assert len(warnings) == 1


# Cable


@pytest.mark.parametrize(
    ("order", "amp", "metres"),
    [
        (Order(("press", "push", "grit"), ("room",)), "one", 5 + 0.25 + 4 + 7 + 8),
        (Order(("press", "grit", "push", "room")), "one", 5 + 3 * 0.25 + 4),
        (Order(("push", "press")), None, 5 + 4),
        (Order((), ("grit", "room")), "one", 5 + 7 + 0.25 + 8),
        (Order(), "one", 5),
    ],
)
def test_metres_are_those_that_the_path_lays(
    board: Board, order: Order, amp: str | None, metres: float
) -> None:
    assert Patching(board).metres(order) == pytest.approx(metres)
    path = path_of(board, order, "verse", amp, source_key=b"")
    laid_pf = sum(
        part.pf
        for step in path.steps
        for part in step.feeds[0].links[0].parts
        if isinstance(part, Cable)
    )
    assert laid_pf / board.cables.pf_per_m == pytest.approx(metres)


# Who is unbeaten


def by_definition(costs: Floats) -> list[bool]:
    """Each against each: nowhere larger and somewhere smaller beats."""
    by, beaten = costs[:, np.newaxis], costs[np.newaxis]
    beats = (by <= beaten).all(axis=2) & (by < beaten).any(axis=2)
    flags: list[bool] = (~beats.any(axis=0)).tolist()
    return flags


def flags_of(costs: Floats) -> list[bool]:
    return unbeaten({str(goal): column for goal, column in enumerate(costs.T)}).tolist()


@pytest.mark.parametrize("goals", range(1, 8))
@pytest.mark.parametrize("levels", [2, 5, 30, 10**6])
@pytest.mark.parametrize("count", [1, 60, 700])
@pytest.mark.parametrize("pairs", [0, 40, unbeaten_module._PAIRS])
def test_unbeaten_is_what_the_definition_says(
    goals: int, levels: int, count: int, pairs: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(unbeaten_module, "_PAIRS", pairs)  # halves down to the last, or seldom
    random = np.random.default_rng(goals * levels + count)
    costs = random.integers(0, levels, (count, goals)).astype(np.float64)
    costs[random.random(costs.shape) < 0.02] = INF
    costs = np.concatenate([costs, costs[: count // 3]])
    assert flags_of(costs) == by_definition(costs)


@pytest.mark.parametrize("noise", [0.0, 0.02])
def test_unbeaten_where_what_is_won_in_one_goal_is_lost_in_others(noise: float) -> None:
    random = np.random.default_rng(5)
    costs = random.dirichlet(np.ones(5), 1200) + noise * random.random((1200, 5))
    flags = flags_of(costs)
    assert flags == by_definition(costs)
    assert sum(flags) > 600  # nearly all of them: the front that is hardest to find


@given(
    costs=arrays(
        np.float64,
        array_shapes(min_dims=2, max_dims=2, max_side=12),
        elements=st.sampled_from([0.0, 0.5, 1.0, 2.0, INF]),
    )
)
def test_unbeaten_on_anything(costs: Floats) -> None:
    assert flags_of(costs) == by_definition(costs)


def test_equal_orders_do_not_beat_each_other() -> None:
    assert flags_of(np.array([[1.0, 2.0], [1.0, 2.0], [1.0, 3.0]])) == [True, True, False]
    with pytest.raises(ValueError, match="without a goal"):
        unbeaten({})


# Why


NOW = Order(("press", "push", "grit"), ("room",))
OTHER = Order(("grit", "press", "push"), ("room",))
THIRD = Order(("press", "push", "grit", "room"))


def ranked(order: Order, group: int, values: dict[str, float], costs: dict[str, float]) -> Ranked:
    score = sum(costs.values())
    return Ranked(order, score, values, costs, "full", group, 1, unbeaten=True)


def test_why_names_the_goal_that_leads_and_what_is_given_up(board: Board) -> None:
    ranking = [
        ranked(NOW, 1, {"levels": 0.42, "headroom": 2.1}, {"levels": 0.42, "headroom": 1.3}),
        ranked(OTHER, 2, {"levels": 1.2, "headroom": 1.5}, {"levels": 1.2, "headroom": 1.5}),
        ranked(THIRD, 3, {"levels": 3.0, "headroom": INF}, {"levels": 3.0, "headroom": 0.0}),
    ]
    assert why(board, ranking, {"levels": 1.0, "headroom": 1.0}) == (
        "now (press push grit | room) comes first because it sits closer to its levels than "
        "grit press push | room: 0.4 against 1.2 LU off. What it gives up: it has less "
        "headroom than press push grit room: 2.1 dB against no ceiling at all."
    )


def test_why_holds_the_winner_against_another_group(board: Board) -> None:
    ranking = [
        ranked(NOW, 1, {"dirt": -20.0}, {"dirt": 0.0}),
        ranked(OTHER, 1, {"dirt": -19.0}, {"dirt": 1.0 / 3.0}),
        ranked(THIRD, 2, {"dirt": -14.0}, {"dirt": 2.0}),
    ]
    assert why(board, ranking, {"dirt": -1.0}) == (
        "now (press push grit | room) comes first because it has less dirt than press push grit "
        "room: 20.0 against 14.0 dB below the tone. No other order is ahead of it in any goal."
    )


def test_why_weighs_what_is_ahead(board: Board) -> None:
    ranking = [
        ranked(NOW, 1, {"width": 0.2, "floor": -60.0}, {"width": 0.0, "floor": 0.0}),
        ranked(OTHER, 2, {"width": 0.15, "floor": -54.0}, {"width": 1.0, "floor": 2.0}),
    ]
    assert "because it has less noise than" in why(board, ranking, {"width": 1.0, "floor": 1.0})
    assert "because it has more of its energy at the sides than" in why(
        board, ranking, {"width": 3.0, "floor": 1.0}
    )


def test_why_does_not_speak_of_what_reads_the_same(board: Board) -> None:
    def orders(metres: float, steps: float) -> list[Ranked]:
        return [
            ranked(NOW, 1, {"patching": 24.25}, {"patching": 0.0}),
            ranked(OTHER, 2, {"patching": metres}, {"patching": steps}),
        ]

    assert why(board, orders(24.25, 0.0), {"patching": 1.0}) == (
        "now (press push grit | room) comes first by its sequence alone: grit press push | room "
        "has the same score. No other order is ahead of it in any goal."
    )
    assert "comes first by less than any figure shows, before grit press push | room." in why(
        board, orders(24.251, 0.001), {"patching": 1.0}
    )
    assert why(board, orders(0.0, 0.0)[1:], {"patching": 1.0}) == (
        "grit press push | room is the only order."
    )
    with pytest.raises(ValueError, match="no order"):
        why(board, [], {"patching": 1.0})


# Each goal with a better value, a worse one, and what is said of either.
SAID = {
    "levels": (0.4, 1.2, "sits {closer to|further off} its levels", "0.4|1.2", " LU off"),
    "headroom": (4.2, 2.1, "has {more|less} headroom", "4.2|2.1", " dB"),
    "floor": (-62.0, -58.0, "has {less|more} noise", "62.0|58.0", " dB below the music"),
    "dirt": (-8.0, -18.0, "has {more|less} dirt", "8.0|18.0", " dB below the tone"),
    "clarity": (9.0, -0.5, "lets repeats stand out {more|less}", "9.0|-0.5", " dB"),
    "width": (0.25, 0.1, "has {more|less} of its energy at the sides", "25|10", " %"),
    "closeness": (0.3, 2.4, "is {closer to|further from} the reference order", "0.3|2.4", ""),
    "every_amp": (0.0, 1.5, "loses {less|more} on another amplifier", "0.0|1.5", " steps"),
    "patching": (20.0, 20.3, "needs {less|more} cable", "20.00|20.30", " m"),
    "reach": (0.0, 2.0, "hides {fewer|more} of the blocks used often behind others", "0|2", ""),
}


@pytest.mark.parametrize("goal", list(GOALS))
def test_what_is_said_of_each_goal(board: Board, goal: str) -> None:
    best, worst, said, numbers, unit = SAID[goal]
    before, choice, behind = re.split("[{}]", said)
    better, worse = (f"{before}{word}{behind}" for word in choice.split("|"))
    high, low = numbers.split("|")
    lead = "levels" if goal == "headroom" else "headroom"
    one = ranked(OTHER, 1, {goal: best, lead: 1.0}, {goal: 0.0, lead: 1.0})
    other = ranked(THIRD, 2, {goal: worst, lead: 1.0}, {goal: 1.0, lead: 1.0})
    first = why(board, [one, other], {goal: 1.0, lead: 1.0})
    print(first)
    assert f"because it {better} than press push grit room: {high} against {low}{unit}." in first
    ahead = ranked(THIRD, 2, {goal: worst, lead: 4.0}, {goal: 1.0, lead: 0.0})
    second = why(board, [ahead, one], {goal: 1.0, lead: 2.0})
    print(second)
    given_up = f"it {worse} than grit press push | room: {low} against {high}{unit}."
    assert second.endswith(f"What it gives up: {given_up}")


@pytest.mark.parametrize(
    ("goal", "own", "others", "told"),
    [
        ("headroom", 3.0, -2.0, "3.0 dB against 2.0 dB too little"),
        ("headroom", INF, 2.0, "no ceiling at all against 2.0 dB"),
        ("levels", 3.0, INF, "3.0 LU off against silence in a passage"),
        ("floor", -60.0, 3.0, "60.0 dB below the music against 3.0 dB above the music"),
        ("floor", -INF, -60.0, "none at all against 60.0 dB below the music"),
        ("floor", -60.0, INF, "60.0 dB below the music against no music"),
        ("dirt", -20.0, -INF, "20.0 dB below the tone against none"),
        ("clarity", -0.04, -1.0, "0.0 against -1.0 dB"),
    ],
)
def test_what_is_said_where_numbers_end(
    board: Board, goal: str, own: float, others: float, told: str
) -> None:
    pair = [ranked(OTHER, 1, {goal: own}, {goal: 0.0}), ranked(THIRD, 2, {goal: others}, {goal: 1})]
    assert f": {told}. No other" in why(board, pair, {goal: 1.0})


def test_order_words(board: Board) -> None:
    assert order_words(board, Order()) == "the guitar alone"
    assert order_words(board, Order((), ("room",))) == "| room"
    assert order_words(board, NOW) == "now (press push grit | room)"
