"""Exchanging neighbours: which there are, what is proved, what it costs, and names of kinds."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from simchain import clips
from simchain.blocks import kinds
from simchain.board import Board, Order, Passage, load_board, new_board
from simchain.decide.exchanges import Exchange, exchanges
from simchain.decide.swaps import Swaps, swaps
from simchain.errors import RequestError
from simchain.report.swaps import swaps_document
from simchain.signal import Signal, read_clip, write_float_wav
from tests.decide.conftest import RATE, MakeBoard

EIGHT = ("tuner", "press", "grit", "push", "sweep", "wobble", "room", "repeat")
FIVE = ("press", "grit", "push", "room", "repeat")

SPLIT = Order(front=("a", "b", "c"), loop=("d", "e"))


def names(found: Sequence[Exchange]) -> list[str]:
    return [f"{one.first} {one.second or one.move}" for one in found]


def test_neighbours_that_are_on_and_moves_across_the_split() -> None:
    found = exchanges(SPLIT, {"a", "c", "d", "e"}, has_amplifier=True)
    assert names(found) == ["a c", "d e", "c to_loop", "d to_front"]
    assert found[0].of(SPLIT) == Order(front=("c", "b", "a"), loop=("d", "e"))
    assert found[2].of(SPLIT) == Order(front=("a", "b"), loop=("c", "d", "e"))
    assert found[3].of(SPLIT) == Order(front=("a", "b", "c", "d"), loop=("e",))
    series = Order(front=("a", "b"))
    assert names(exchanges(series, {"a", "b"}, has_amplifier=True)) == ["a b", "b to_loop"]
    assert names(exchanges(series, {"a", "b"}, has_amplifier=False)) == ["a b"]
    every = exchanges(SPLIT, set("abcde"), has_amplifier=True, every=True)
    assert len(every) == 10 + 2
    assert every[3].of(SPLIT) == Order(front=("e", "b", "c"), loop=("d", "a"))


BOARD = """
[blocks]
grit = { kind = "drive" }
push = { kind = "boost", gain_db = 6, supply_volts = 60 }
tilt = { kind = "equalizer", supply_volts = 60, bands = [{ hz = 700, db = 3, q = 1 }] }
press = { kind = "compressor" }
room = { kind = "reverb", decay_s = 0.4 }
[orders.all]
front = ["press", "grit", "push", "tilt", "room"]
[passages.solo]
on = ["grit", "push", "tilt", "room"]
[passages.verse]
on = ["press", "room"]
[passages.off]
on = []
[rules]
before = [["grit", "push"]]
"""


@pytest.fixture
def riff() -> np.ndarray:
    return 3.0 * read_clip(clips.path("riff")).volts[:, : 2 * RATE]


@pytest.fixture
def found(make_board: MakeBoard, riff: np.ndarray) -> Swaps:
    return swaps(make_board(BOARD, riff, tail_s=0.5), "all")


def test_pairs_are_judged_where_they_are_neighbours(found: Swaps) -> None:
    table = {
        (one.exchange.first, one.exchange.second): [swap.passage for swap in one.swaps]
        for one in found.exchanged
    }
    assert table == {
        ("press", "room"): ["verse"],
        ("grit", "push"): ["solo"],
        ("push", "tilt"): ["solo"],
        ("tilt", "room"): ["solo"],
    }
    by_name = {(one.exchange.first, one.exchange.second): one for one in found.exchanged}
    moved = by_name["press", "room"]
    assert not moved.is_free
    assert moved.not_judged == ("solo",), "there the room would go to the front"
    assert by_name["grit", "push"].not_judged == ()
    assert by_name["grit", "push"].breaks == ("before: 'grit' should come before 'push'",)
    assert found.cost.renders == 4 + 2


def test_what_is_free_so_far_is_judged_wherever_it_changes_the_sequence(
    make_board: MakeBoard, riff: np.ndarray
) -> None:
    """A block has one place in all passages: proved in one of them is not enough."""
    text = BOARD.replace('["press", "grit", "push", "tilt", "room"]', '["tilt", "grit", "room"]')
    text = text.replace('on = ["press", "room"]', 'on = ["tilt", "room"]')
    text = text.replace('on = ["grit", "push", "tilt", "room"]', 'on = ["tilt", "grit", "room"]')
    found = swaps(make_board(text, riff, tail_s=0.5), "all")
    one = next(
        each for each in found.exchanged if each.exchange == Exchange("tilt", "room", "swap")
    )
    assert [(swap.passage, swap.proved) for swap in one.swaps] == [("verse", True)]
    assert [swap.passage for swap in one.also] == ["solo"]
    assert one.worst.passage == "solo"
    assert not one.is_free
    assert one.not_judged == ()
    assert found.cost.renders == 3 + 2 + 2


def test_what_is_linear_on_wires_is_proved_and_a_drive_is_not(found: Swaps) -> None:
    for one in found.exchanged:
        (swap,) = one.swaps
        print(one.exchange, swap.score.verdict, swap.difference.null_db, swap.why_not)
        assert swap.proved is (one.exchange.first in ("push", "tilt"))
        if swap.proved:
            assert swap.difference.null_db < -200
            assert swap.score.verdict == "same"
            assert swap.score.score < 0.01
            assert one.turn_db(0.5) == 0.0
    grit = next(one for one in found.exchanged if one.exchange.first == "grit")
    assert grit.worst.score.verdict in ("subtle", "clear")
    assert not grit.is_free


def test_the_same_with_every_kind_called_something_else(
    make_board: MakeBoard, riff: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No verdict, proof or sentence depends on a kind."""
    board = make_board(BOARD, riff, tail_s=0.5)
    before = swaps_document(swaps(board, "all"))
    for number, kind in enumerate(kinds().values()):
        monkeypatch.setattr(kind, "kind", f"thing_{number}")
    after = swaps_document(swaps(board, "all"))
    assert after == before


NEAR = """
[blocks]
push = { kind = "boost", gain_db = 0, rail_volts = 0.9 }
more = { kind = "boost", gain_db = 6, rail_volts = 9 }
grit = { kind = "drive" }
[orders.all]
front = ["push", "more", "grit"]
[passages.soft]
on = ["push", "more"]
[passages.hard]
on = ["push", "more", "grit"]
"""


def test_what_is_free_is_tried_in_every_passage_and_what_is_heard_is_not(
    make_board: MakeBoard, riff: np.ndarray
) -> None:
    """A rail 3.5 dB above one of two boosts: proved, until the strings are picked 6 dB harder."""
    steps: list[tuple[int, int]] = []
    board = make_board(NEAR, riff * (0.3 / np.abs(riff).max()), tail_s=0.2)
    found = swaps(
        board, "all", holds=True, progress=lambda done, total, _: steps.append((done, total))
    )
    by_name = {(one.exchange.first, one.exchange.second): one for one in found.exchanged}
    free, heard = by_name["push", "more"], by_name["more", "grit"]
    assert heard.held is None
    assert all(swap.proved for swap in free.swaps)
    told = [(one.condition, one.music, one.holds) for one in free.held]
    assert told == [
        (condition, passage, condition != "picking_harder" or passage == "hard")
        for condition in ("picking_softer", "picking_harder", "levels_up", "levels_down")
        for passage in ("soft", "hard")
    ], "a drive behind it hides what the rail does"
    assert found.holding_cost.renders == 2 * 8
    assert steps[-1] == (len(steps), len(steps))
    text = swaps_document(found)["exchanges"][0]["text"]
    print(text)
    assert "; stops holding in soft when picked 6 dB harder (" in text
    plain = swaps(board, "all")
    assert plain.cost == found.cost
    assert plain.holding_cost is None
    assert all(one.held is None for one in plain.exchanged)


def test_a_move_louder_alike_in_every_passage_is_one_turn(found: Swaps) -> None:
    one = next(each for each in found.exchanged if each.exchange.first == "push")
    (swap,) = one.swaps

    def with_trims(*trims: float) -> float | None:
        changed = [
            replace(
                swap,
                judged=replace(swap.judged, difference=replace(swap.difference, trim_lu=trim)),
            )
            for trim in trims
        ]
        return replace(one, swaps=tuple(changed)).turn_db(0.5)

    assert with_trims(0.4, -0.4) == 0.0
    assert with_trims(3.0, 3.4) == pytest.approx(-3.2)
    assert with_trims(-3.0) == 3.0
    assert with_trims(0.0, 3.0) is None
    assert with_trims(float("inf")) is None


def demo_board(folder: Path, on: Sequence[str]) -> Board:
    """The board that ships, three passages of it with `on` switched on, and a short clip."""
    new_board(folder / "board.toml", "demo")
    board = load_board(folder / "board.toml")
    riff = read_clip(clips.path("riff"))
    write_float_wav(folder / "short.wav", Signal(riff.volts[:, : riff.rate], riff.rate))
    passages = {name: Passage(on=on, clip="short.wav") for name in ("verse", "solo", "intro")}
    return board.model_copy(update={"passages": passages, "tail_s": 0.5})


@pytest.mark.parametrize(
    ("on", "limit"),
    [(EIGHT, 45), pytest.param(EIGHT[1:], 45, marks=pytest.mark.soak), (FIVE, 20)],
)
@pytest.mark.parametrize("order", ["series", "split"])
def test_cost_on_the_demo_board(
    tmp_path: Path, on: tuple[str, ...], limit: int, order: str
) -> None:
    """Three passages: within 45 renders with all eight on (the tuner mutes), 20 with five."""
    steps: list[tuple[int, int]] = []
    found = swaps(
        demo_board(tmp_path, on), order, progress=lambda done, total, _: steps.append((done, total))
    )
    print(f"{order}, {len(on)} on: {found.cost}")
    assert found.cost.renders <= limit
    assert steps == [(number + 1, len(steps)) for number in range(len(steps))]
    assert len(steps) == 3 + sum(len(one.swaps) for one in found.exchanged)


def test_names_that_the_board_does_not_have(make_board: MakeBoard, riff: np.ndarray) -> None:
    board = make_board(BOARD, riff)
    with pytest.raises(RequestError, match="no order 'al'"):
        swaps(board, "al")
    with pytest.raises(RequestError, match="no passage 'sol'"):
        swaps(board, "all", passages=["sol"])
