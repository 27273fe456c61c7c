"""Which moves of one block are free: every one of them, held against `Judge` at full quality."""

from pathlib import Path

import pytest

from simchain.board import Board, Order
from simchain.decide.free_moves import free_moves
from simchain.decide.judge import FREE_WORDS, Judge
from simchain.errors import RequestError
from tests.decide.asking import Given

GIVEN = Given(
    'tilt = { kind = "equalizer", bands = [{ hz = 800, db = 2, q = 1 }] }\n'
    'grit = { kind = "drive", gain_db = 12 }\n'
    'sway = { kind = "modulation", shape = "chorus" }\n'
    'room = { kind = "reverb" }',
    amps="mine = { gain_db = 12 }",
    seconds=1.2,
    rest='[orders.split]\nfront = ["tilt", "grit"]\nloop = ["sway", "room"]',
)


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    return GIVEN.board(tmp_path_factory.mktemp("board"))


def one_moved(order: Order) -> dict[Order, set[str]]:
    """Each order that comes of taking one block, or the split, out and putting it elsewhere."""
    line = [*order.front, "|", *order.loop]
    found: dict[Order, set[str]] = {}
    for at, name in enumerate(line):
        rest = line[:at] + line[at + 1 :]
        for place in range(len(line)):
            made = [*rest[:place], name, *rest[place:]]
            split = made.index("|")
            other = Order(front=tuple(made[:split]), loop=tuple(made[split + 1 :]))
            if made != line:
                found.setdefault(other, set()).add(name)
    return found


@pytest.mark.parametrize("name", [pytest.param("given", marks=pytest.mark.soak), "split"])
def test_what_is_free_is_what_judge_calls_so(board: Board, name: str) -> None:
    """But near the border, where half the rate and fewer phases may tip it."""
    given, moved = board.orders[name], one_moved(board.orders[name])
    found = {(move.block, move.order): move for move in free_moves(board, name)}
    judge = Judge(board, "p", "mine")
    others = list(moved)
    first, *sounds = judge.sounds([given, *others])
    judged = judge.judged([(first, sound) for sound in sounds])
    told, free = 0, 0
    for other, one in zip(others, judged, strict=True):
        for block in moved[other] - {"|"}:
            is_free = (block, other) in found
            assert one.score.borderline or is_free == (one.score.verdict in FREE_WORDS), other
            told, free = told + 1, free + is_free
            if is_free:
                move = found[block, other]
                trim_lu = abs(one.difference.trim_lu)
                assert move.louder_lu == pytest.approx(trim_lu, abs=0.1)
                assert not move.proved or one.difference.null_db < -200.0
    print(f"{name}: {free} of {told} moves are free")
    assert free == len(found)
    assert 0 < free < told


def test_swaps_of_linear_neighbours_are_proved(tmp_path: Path) -> None:
    given = Given(
        'tilt = { kind = "equalizer", bands = [{ hz = 800, db = 2, q = 1 }] }\n'
        'lift = { kind = "boost", gain_db = 2, supply_volts = 18 }\n'
        'fuzz = { kind = "fuzz" }'
    )
    board = given.board(tmp_path)
    moves = free_moves(board, "given")
    swapped = Order(front=("lift", "tilt", "fuzz"), loop=())
    assert {move.block for move in moves if move.order == swapped and move.proved} == {
        "tilt",
        "lift",
    }
    assert all(move.louder_lu == 0.0 for move in moves if move.proved)


def test_rules_are_kept(tmp_path: Path) -> None:
    given = Given(
        'tilt = { kind = "equalizer", bands = [{ hz = 800, db = 2, q = 1 }] }\n'
        'lift = { kind = "boost", gain_db = 2, supply_volts = 18 }',
        rest='[rules]\nbefore = [["tilt", "lift"]]',
    )
    assert free_moves(given.board(tmp_path), "given") == []


def test_what_the_board_does_not_have_is_refused(board: Board) -> None:
    for told in ({"order": "no"}, {"order": "given", "passages": ["no"]}):
        with pytest.raises(RequestError, match="no"):
            free_moves(board, **told)
    with pytest.raises(RequestError, match="no"):
        free_moves(board, "given", amp="no")
