"""A search by beam, and the places that orders take."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from simchain.board import Board, broken_rules
from simchain.decide.climb import climbed
from simchain.decide.found import Found
from simchain.decide.library import Library
from simchain.decide.runs import COARSE
from simchain.decide.search import search
from simchain.decide.trial import Trial
from tests.decide.asking import Asks, Given, asking

FOUR = (
    'press = { kind = "compressor" }\n'
    'push = { kind = "boost", gain_db = 9 }\n'
    'grit = { kind = "drive", gain_db = 14 }\n'
    'tilt = { kind = "equalizer", bands = [{ hz = 800, db = 4, q = 1 }] }'
)
ECHOES = 'echo = { kind = "delay" }\nroom = { kind = "reverb" }'
DIRTY = "headroom = 1\ndirt = -1"
LEVELS = (
    '[passages.verse]\non = ["press"]\n'
    '[passages.solo]\non = ["press", "push", "grit"]\nabove = { passage = "verse", lu = 2 }'
)
# Boards of 4 and 5 things to place (the split is one), each with a beam and goals.
BOARDS = {
    "four": (Given(FOUR, rest=f"[goals]\n{DIRTY}", seconds=0.8), 3),
    "more dirt": (Given(FOUR, rest="[goals]\ndirt = 1\nheadroom = 0.2", seconds=0.8), 3),
    "levels": (
        Given(FOUR, passages=LEVELS, rest="[goals]\nlevels = 1\ndirt = -0.5", seconds=0.8),
        3,
    ),
    "loop": (
        Given(
            FOUR,
            amps="one = { gain_db = 14 }",
            rest=f'[goals]\n{DIRTY}\n[rules]\nfront_only = ["press", "push"]',
            seconds=0.8,
        ),
        4,
    ),
    "five": (Given(f"{FOUR}\n{ECHOES.splitlines()[0]}", rest=f"[goals]\n{DIRTY}", seconds=0.8), 4),
    "rules": (
        Given(
            f"{FOUR}\n{ECHOES.splitlines()[1]}",
            rest='[goals]\nheadroom = 1\ndirt = 1\n[rules]\nbefore = [["press", "grit"]]',
            seconds=0.8,
        ),
        4,
    ),
}
# Sounds that are proved the same differ by rounding.
TOLERANCE = 1e-6


@pytest.fixture(scope="module")
def asks() -> Iterator[Asks]:
    with asking() as made:
        yield made


def weights_of(board: Board) -> dict[str, float]:
    given = board.goals.model_dump()
    return {name: value for name, value in given.items() if isinstance(value, float) and value}


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(name, marks=pytest.mark.soak if name in ("five", "more dirt", "loop") else ())
        for name in BOARDS
    ],
)
def test_a_beam_finds_the_best_of_all_and_visits_fewer(
    asks: Asks, tmp_path: Path, name: str
) -> None:
    """On every one of six boards of 24 to 120 orders."""
    given, beam = BOARDS[name]
    board = given.board(tmp_path)
    weights = weights_of(board)
    asked = asks(board, weights=weights, library=Library())
    every = asked.allowed.words()
    climb = climbed(asked, beam)
    visited = {word.tobytes() for word in climb.words}
    assert len(visited) == len(climb.words) < len(every)
    assert visited < {word.tobytes() for word in every}, "keeps to the rules"
    whole = Trial(asks(board, weights=weights), COARSE, every)
    score = whole.table().score
    best = min(score[whole.number_of(word)] for word in climb.words)
    print(
        f"{len(visited)} of {len(every)} orders visited, best {best:.3f} "
        f"for {score.min():.3f}, worst {score.max():.3f}"
    )
    assert best <= score.min() + TOLERANCE
    # So that the best could be missed.
    assert np.ptp(score) > 0.1


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=() if name == "four" else pytest.mark.soak) for name in BOARDS],
)
def test_a_beam_repeats_itself(asks: Asks, tmp_path: Path, name: str) -> None:
    given, beam = BOARDS[name]
    board = given.board(tmp_path)
    climb, again = (
        climbed(asks(board, weights=weights_of(board), library=Library()), beam) for _ in range(2)
    )
    assert again.words.tobytes() == climb.words.tobytes()
    assert again.blocks_rendered == climb.blocks_rendered


def test_what_was_listened_to_is_not_run_again(asks: Asks, tmp_path: Path) -> None:
    """Of what a round adds only its way is run once more, for no volts are kept."""
    board = BOARDS["four"][0].board(tmp_path)
    weights = weights_of(board)
    asked = asks(board, weights=weights, library=Library())
    climb = climbed(asked, 3)
    without = climbed(asks(board, weights=weights), 3)
    assert without.words.tobytes() == climb.words.tobytes()
    at_once = Trial(asks(board, weights=weights), COARSE, climb.words)
    units = sum(each.tally.units for each in at_once.music)
    run = climb.blocks_rendered
    print(f"{run} units run, {without.blocks_rendered} without a library, {units} in one pass")
    assert units <= run < 0.6 * without.blocks_rendered
    once_more = Trial(asked, COARSE, climb.words)
    assert sum(each.tally.units for each in once_more.music) == 0
    assert once_more.table().score == pytest.approx(at_once.table().score, abs=1e-9)


# Places: ranked, grouped, told.


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    given = Given(
        FOUR,
        amps="one = { gain_db = 14 }",
        rest='[goals]\nheadroom = 1\ndirt = -1\npatching = 0.1\n[rules]\nfront_only = ["grit"]',
        seconds=0.8,
    )
    return given.board(tmp_path_factory.mktemp("board"))


@pytest.fixture(scope="module")
def found(board: Board) -> Found:
    return search(board)


def test_the_ranking_is_by_score_and_then_by_coarse_place(found: Found) -> None:
    told = [(one.quality == "coarse", one.score, one.coarse_place) for one in found.ranking]
    full = [one for one in told if not one[0]]
    assert full == sorted(full)
    coarse = [place for is_coarse, _, place in told if is_coarse]
    assert coarse == sorted(coarse)
    assert told == full + [one for one in told if one[0]], "what was heard again stands first"
    assert sorted(one.coarse_place for one in found.ranking) == list(
        range(1, found.orders_distinct + 1)
    )


def test_a_score_is_the_sum_of_weight_times_cost(found: Found) -> None:
    for one in found.ranking:
        total = sum(abs(found.weights[name]) * cost for name, cost in one.costs.items())
        assert one.score == pytest.approx(total, rel=1e-12, abs=1e-12)


def test_what_the_coarse_pass_lost_is_told(found: Found) -> None:
    assert found.lost is not None
    again = [one for one in found.ranking if one.quality == "full"]
    assert found.lost.tried == len(again)
    assert found.lost.best_was == found.ranking[0].coarse_place
    assert found.lost.ten_were == max(one.coarse_place for one in found.ranking[:10])


def test_unbeaten_are_those_of_full_quality_that_none_beats(found: Found) -> None:
    """By the definition, costs to a hundredth of a step."""
    again = [one for one in found.ranking if one.quality == "full"]
    costs = np.round([[one.costs[name] for name in found.weights] for one in again], 2)
    for own, one in zip(costs, again, strict=True):
        beaten = ((costs <= own).all(axis=1) & (costs < own).any(axis=1)).any()
        assert one.unbeaten == (not beaten)
    assert not any(one.unbeaten for one in found.ranking if one.quality == "coarse")
    assert any(one.unbeaten for one in again)


def test_every_allowed_order_is_in_one_group_and_keeps_to_the_rules(
    board: Board, found: Found
) -> None:
    members = [order for group in found.groups for order in group.members]
    assert len(members) == len(set(members)) == found.orders_allowed == found.orders_visited
    assert not any(broken_rules(board, order) for order in members)
    ranked = {one.order: one for one in found.ranking}
    assert len(ranked) == found.orders_distinct
    bests = [ranked[group.representative] for group in found.groups]
    places = [found.ranking.index(one) for one in bests]
    assert places == sorted(places)
    assert [one.group for one in bests] == list(range(len(bests)))
    for number, group in enumerate(found.groups):
        assert group.members[0] == group.representative
        inside = [ranked[order] for order in group.members if order in ranked]
        assert all(one.group == number for one in inside)
        is_full = all(one.quality == "full" for one in inside)
        assert group.quality == ("full" if is_full else "coarse")
        assert 1 <= group.proved <= len(group.members)


def test_orders_of_one_score_stand_in_canonical_sequence(tmp_path: Path) -> None:
    """Without rails nothing costs anything."""
    given = Given(
        'press = { kind = "compressor", supply_volts = 60 }\n'
        'tilt = { kind = "equalizer", supply_volts = 60, bands = [{ hz = 800, db = 6, q = 1 }] }\n'
        'room = { kind = "reverb", supply_volts = 60 }',
        rest="[goals]\nheadroom = 1",
        seconds=0.8,
    )
    for full in (False, True):
        found = search(given.board(tmp_path), full=full)
        assert {one.score for one in found.ranking} == {0.0}
        names = list(found.board.blocks)
        words = [[names.index(block) for block in one.order.front] for one in found.ranking]
        assert words == sorted(words)
        assert [one.coarse_place for one in found.ranking] == list(range(1, len(words) + 1))


def test_quality_says_which_pass_was_heard(board: Board) -> None:
    blocks = list(board.blocks)[:2]
    coarse = search(board, blocks=blocks, full=False)
    full = search(board, blocks=blocks, coarse=False)
    assert {one.quality for one in coarse.ranking} == {"coarse"}
    assert coarse.lost is None
    assert (coarse.coarse_rate, coarse.coarse_s) == (COARSE.rate, COARSE.longest_s)
    assert {group.quality for group in coarse.groups} == {"coarse"}
    assert {one.quality for one in full.ranking} == {"full"}
    assert full.lost is None
    assert full.coarse_rate is None
    assert {group.quality for group in full.groups} == {"full"}
