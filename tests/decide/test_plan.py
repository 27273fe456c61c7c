"""Plans of real units: what is run, and every order against itself rendered alone.

The judge is `chain.walk`, one order at a time, which knows of no plan: sample against sample,
without shift or gain. Rounding leaves some -270 dB; a proof must null below -200 (`decide.proof`).
"""

from dataclasses import replace
from math import factorial, perm

import numpy as np
import pytest

from simchain.chain.tree import NOTHING, Heard
from simchain.decide.commute import Commutes, Commuting
from simchain.decide.engine import engine
from simchain.decide.listen import Listened, listen
from simchain.decide.plan import Moved, Plan, plan_of, too_hot
from simchain.decide.proof import NEAR_A_RAIL_DB, PROOF_NULL_DB
from simchain.decide.runs import Run
from tests.decide.conftest import RATE, MakeBoard
from tests.growing import Field, peaks_of

LINEAR = {
    "push": 'kind = "boost", gain_db = 3, low_cut_hz = 90, output_ohm = 500',
    "tilt": 'kind = "equalizer", bands = [{ hz = 800, db = 4, q = 2, shape = "peak" }]',
    "shelf": 'kind = "equalizer", bands = [{ hz = 2000, db = 3, shape = "high_shelf" }]',
}
OTHERS = {
    "grit": 'kind = "drive", gain_db = 20',
    "press": 'kind = "compressor"',
    "sweep": 'kind = "modulation", shape = "chorus"',
    "fuzzy": 'kind = "fuzz"',
}
SIX = {**LINEAR, **{name: OTHERS[name] for name in ("grit", "press", "sweep")}}
AMP = "[amps.mine]\ngain_db = 8\n"
BOTH = ", inputs = 2, outputs = 2"


def board_text(blocks: dict[str, str], passage: str = "", amp: str = "") -> str:
    lines = [f"{name} = {{ {settings} }}" for name, settings in blocks.items()]
    order = f"[orders.o]\nfront = {list(blocks)}"
    on = f"[passages.p]\n{passage or f'on = {list(blocks)}'}"
    return "\n".join(["[blocks]", *lines, amp, order, on])


def noise(seconds: float = 0.05, channels: int = 1) -> np.ndarray:
    return 0.05 * np.random.default_rng(7).standard_normal((channels, round(seconds * RATE)))


def plan(field: Field) -> Plan:
    return plan_of(field.ground, field.words, field.frames)


def check_all(field: Field) -> tuple[Plan, np.ndarray]:
    """Grow all orders; return the plan and the null of each order against itself alone."""
    made = plan(field)
    grown = field.grown(made.tree)
    assert set(grown.read) == set(range(made.leaves))
    assert not too_hot(made, field.source.timeline, peaks_of(made.tree, grown))
    nulls_db = field.nulls_db(made.leaf_of, grown.read)
    print(
        f"{len(field.words)} orders, {made.leaves} sounds, {grown.tally.units} units run; "
        f"worst null {nulls_db.max():.0f} dB"
    )
    return made, nulls_db


# How much is run


@pytest.mark.parametrize("links", ["ideal", "real"])
def test_seven_blocks_of_which_three_are_linear(make_board: MakeBoard, links: str) -> None:
    """speed.md's figures; with real links the linear ones have equal inputs and outputs here."""
    field = Field(make_board(board_text(LINEAR | OTHERS), noise(0.001), links))
    made = plan(field)
    blocks = int(made.tree.blocks.sum())
    print(f"{links}: {7 * factorial(7)} one by one, {field.allowed.prefixes} shared, {blocks} so")
    assert (7 * len(field.words), field.allowed.prefixes) == (35_280, 13_699)
    assert (blocks, made.leaves) == (9_067, 3_000)


@pytest.mark.parametrize("many", [1, 2, 3, 4])
def test_the_split_is_one_thing_more_to_place(make_board: MakeBoard, many: int) -> None:
    """A step for each beginning of (n + 1)! words; power stage and cabinet behind each of them."""
    blocks = {f"b{number}": f'kind = "drive", gain_db = {10 + number}' for number in range(many)}
    field = Field(make_board(board_text(blocks, amp=AMP), noise(0.001)), "mine")
    made = plan(field)
    things = many + 1
    beginnings = sum(perm(things, begun) for begun in range(1, things + 1))
    assert made.leaves == len(field.words) == factorial(things)
    assert len(made.tree.parents) == 1 + beginnings + 2 * factorial(things)
    # Of the beginnings as many end with each of the things.
    assert made.tree.blocks.sum() * things == beginnings * many
    grown = field.grown(made.tree, 7)
    assert grown.tally.units == len(made.tree.parents) - 1


# Every order against itself rendered alone


@pytest.mark.parametrize("links", [pytest.param("ideal", marks=pytest.mark.soak), "real"])
def test_six_blocks_every_order(make_board: MakeBoard, links: str) -> None:
    field = Field(make_board(board_text(SIX), noise(), links))
    made, nulls_db = check_all(field)
    assert len(nulls_db) == 720
    assert made.leaves == 384
    assert nulls_db.max() < PROOF_NULL_DB
    # Counted where units are run: none twice, none left out.
    assert field.grown(made.tree, 9).tally.units == made.tree.blocks.sum() == 1222


def test_four_blocks_and_an_amplifier_every_order(make_board: MakeBoard) -> None:
    blocks = {name: SIX[name] for name in ("push", "tilt", "grit", "press")}
    field = Field(make_board(board_text(blocks, amp=AMP), noise(), "real"), "mine")
    made, nulls_db = check_all(field)
    assert made.leaves < len(nulls_db) == 120
    assert nulls_db.max() < PROOF_NULL_DB


SWITCHED = (
    "on = ['push', 'tilt', 'grit']\n"
    "events = [{ at = 0.02, block = 'grit', do = 'off' }, "
    "{ at = 0.01, block = 'room', do = 'on' }]"
)
# Blocks, passage, channels of the source, and how many sounds there are where links are ideal: the
# classes of the table of `test_plan_theory`, but that behind a switched unit nothing is proved.
BOARDS = {
    "off throughout": (
        {
            **{name: SIX[name] for name in ("push", "tilt", "grit")},
            "idle": 'kind = "fuzz", bypass = "buffered"',
            "gone": 'kind = "fuzz", bypass = "true"',
        },
        "on = ['push', 'tilt', 'grit']",
        1,
        4,  # of push, tilt and grit; the others are nothing
    ),
    "switched": (
        {
            **{name: SIX[name] for name in ("push", "tilt", "grit")},
            "room": 'kind = "reverb", decay_s = 0.3, bypass = "buffered"',
        },
        SWITCHED,
        1,
        18 + 2,  # ab commute; not right behind grit, with room before it or after them
    ),
    "stereo": (
        {
            "room": 'kind = "reverb", decay_s = 0.4, max_dbu = 40' + BOTH,
            "echo": 'kind = "delay", time_ms = 5, spread = 1.0, max_dbu = 40' + BOTH,
            "push": LINEAR["push"] + BOTH,
            "grit": OTHERS["grit"],
        },
        "",
        2,
        12,  # ab, bc
    ),
    "a passive pot": (
        {**{name: SIX[name] for name in ("push", "tilt", "grit")}, "pot": 'kind = "volume"'},
        "",
        1,
        18,  # ab
    ),
    "a box": (
        {
            "push": LINEAR["push"] + ', box = "twin"',
            "grit": OTHERS["grit"] + ', box = "twin"',
            **{name: SIX[name] for name in ("tilt", "shelf", "press")},
        },
        "",
        1,
        18,  # ab
    ),
    "other impedances": (
        {
            "push": 'kind = "boost", input_ohm = 20e3, output_ohm = 5e3',
            "tilt": LINEAR["tilt"] + ", output_ohm = 2e3",
            "shelf": LINEAR["shelf"] + ", input_ohm = 15e3",
            "grit": OTHERS["grit"],
            "fuzzy": OTHERS["fuzzy"],
        },
        "",
        1,
        54,  # ab, ac, bc of five
    ),
}


@pytest.mark.parametrize("links", ["ideal", "real"])
@pytest.mark.parametrize("name", BOARDS)
def test_other_boards_every_order(make_board: MakeBoard, name: str, links: str) -> None:
    blocks, passage, channels, sounds = BOARDS[name]
    field = Field(make_board(board_text(blocks, passage), noise(channels=channels), links))
    made, nulls_db = check_all(field)
    assert nulls_db.max() < PROOF_NULL_DB
    if links == "ideal":
        assert made.leaves == sounds
    else:
        assert sounds <= made.leaves <= len(field.words)


def test_two_that_mix_left_and_right_keep_their_sequence(make_board: MakeBoard) -> None:
    blocks, passage, channels, _ = BOARDS["stereo"]
    field = Field(make_board(board_text(blocks, passage), noise(channels=channels)))
    leaf_of, numbers = plan(field).leaf_of, field.numbers()

    def share(a: str, b: str) -> bool:
        one, other = (leaf_of[numbers[tuple(order.split())]] for order in (a, b))
        return bool(one == other)

    assert not share("room echo push grit", "echo room push grit")
    assert share("room echo push grit", "room push echo grit")


def test_a_swap_made_in_vain_is_seen(
    make_board: MakeBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The tests above can fail: a drive is said to commute with an equalizer, and the null tells.

    Only orders that were put together with others can be wrong.
    """
    real = Commutes.at

    def at(self: Commutes, here, first: tuple[str, ...], then: tuple[str, ...]):
        if {*first, *then} == {"grit", "tilt"}:
            return Commuting(())
        return real(self, here, first, then)

    blocks = {name: SIX[name] for name in ("push", "tilt", "grit")}
    field = Field(make_board(board_text(blocks), noise()))
    monkeypatch.setattr(Commutes, "at", at)
    made, nulls_db = check_all(field)
    assert nulls_db.max() > -60
    assert sum(nulls_db < PROOF_NULL_DB) >= made.leaves


# Rails


def for_listening(heard: Heard) -> tuple[tuple[float], np.ndarray]:
    """Read the headroom, and the sound in the place of what the ear has of it."""
    return (heard.room_db,), heard.samples.copy()


def hot_field(make_board: MakeBoard, level_db: float) -> Field:
    """A drive so loud that some of what stands behind it comes near its rails or past them."""
    blocks = SIX | {"grit": OTHERS["grit"] + f", level_db = {level_db}"}
    return Field(make_board(board_text(blocks), noise()))


def listened(field: Field) -> Listened:
    run = Run("p", "", replace(field.ground, read=for_listening), field.volts)
    with engine() as threads:
        (found,) = listen(threads, [run], field.words)
    return found


def near_a_rail(field: Field, made: Plan, moved: Moved) -> bool:
    """Whether a watched block is near its rail in either sequence, rendered alone."""
    row = made.tree.words[moved.before]
    begun = [token for token in row.tolist() if token < NOTHING]
    tokens = field.ground.tokens
    pair = [tokens.index((name,)) for name in (moved.swap.first, moved.swap.then)]
    rest = [token for token in range(len(tokens)) if token not in (*begun, *pair)]
    both = [field.alone([*begun, *two, *rest]) for two in (pair, pair[::-1])]
    rooms = [
        rendering.points[f"{name}.{end}"].headroom
        for rendering in both
        for name in moved.watched
        for end in ("in", "out")
    ]
    return any(room is not None and room.db < NEAR_A_RAIL_DB for room in rooms)


def test_swaps_that_come_near_a_rail_are_named_and_no_others(make_board: MakeBoard) -> None:
    field = hot_field(make_board, 9.0)
    made = plan(field)
    peaks = peaks_of(made.tree, field.grown(made.tree))
    peaks[0, 1] = np.abs(field.volts).max()
    hot = too_hot(made, field.source.timeline, peaks)
    near = {moved.swap for moved in made.moved if near_a_rail(field, made, moved)}
    swaps = {moved.swap for moved in made.moved}
    print(f"{len(hot)} of {len(swaps)} swaps come near a rail")
    assert hot == near
    assert 0 < len(hot) < len(swaps)
    # The same two in the same sequence: near a rail behind one thing, not behind another.
    hot_pairs, cool_pairs = ({each[1:] for each in some} for some in (hot, swaps - hot))
    assert hot_pairs & cool_pairs


@pytest.mark.parametrize("level_db", [10.0, pytest.param(20.0, marks=pytest.mark.soak)])
def test_planned_again_every_order_is_right(make_board: MakeBoard, level_db: float) -> None:
    """Where blocks clip in one order only, the first plan by itself would not null."""
    field = hot_field(make_board, level_db)
    first = plan(field)
    found = listened(field)
    nulls_db = field.nulls_db(found.leaf_of, dict(enumerate(found.ears)))
    print(
        f"drive at {level_db:+g} dB: {found.barred} swaps barred, {first.leaves} sounds, then "
        f"{len(found.ears)} of {len(field.words)}; worst null {nulls_db.max():.0f} dB"
    )
    assert nulls_db.max() < PROOF_NULL_DB
    assert found.barred > 0
    assert first.leaves < len(found.ears) < len(field.words)
    # Before the drive nothing is near a rail: those still share a sound.
    numbers = field.numbers()
    a, b = (
        numbers[tuple(order.split())]
        for order in ("push tilt shelf grit press sweep", "shelf tilt push grit press sweep")
    )
    assert found.leaf_of[a] == found.leaf_of[b]
    without_db = field.nulls_db(first.leaf_of, field.grown(first.tree).read).max()
    print(f"without the second plan: {without_db:.0f} dB")
    assert without_db > -100
