"""A search of small boards: every order counted, heard once, ranked, and put into one group."""

import json
from itertools import permutations
from math import factorial
from pathlib import Path

import pytest

import simchain
from simchain.board import Board, Order, broken_rules
from simchain.decide.found import Found
from simchain.errors import ClipError, RequestError
from simchain.report.search_document import search_document
from tests.searched import BLOCKS, BOARD, ON_AN_AMPLIFIER, written

LINEAR = {"tilt", "push"}  # they commute below their rails, with ideal links between them
SPLIT = "|"


def board_of(folder: Path, text: str = BOARD, **clip: float) -> Board:
    return simchain.load_board(written(folder, text, **clip))


def coarsely(board: Board, **asked: object) -> Found:
    return simchain.search(board, full=False, **asked)


@pytest.fixture(scope="module")
def mixer(tmp_path_factory: pytest.TempPathFactory) -> Found:
    return coarsely(board_of(tmp_path_factory.mktemp("mixer")))


@pytest.fixture(scope="module")
def amplifier(tmp_path_factory: pytest.TempPathFactory) -> Found:
    """Three blocks and the split; so soft that no linear block comes near a rail."""
    folder = tmp_path_factory.mktemp("amplifier")
    return coarsely(board_of(folder, BOARD + ON_AN_AMPLIFIER, loud=0.02), blocks=BLOCKS[:3])


def told(order: Order) -> tuple[tuple[str, ...], tuple[str, ...]]:
    return order.front, order.loop


def words(*tokens: str) -> set[tuple[str, ...]]:
    return set(permutations(tokens))


def different(word: tuple[str, ...]) -> tuple[str, ...]:
    """Return the smallest word that neighbours which commute can make of one."""
    found, left = {word}, [word]
    while left:
        here = left.pop()
        for at in range(len(here) - 1):
            if set(here[at : at + 2]) == LINEAR:
                other = (*here[:at], here[at + 1], here[at], *here[at + 2 :])
                left += [other] * (other not in found)
                found.add(other)
    return min(found)


def steps_of(every: set[tuple[str, ...]]) -> tuple[int, int]:
    """Return how many different beginnings some words have, and how many different words.

    By brute force, with no tree: the steps that must be run when nothing is run twice.
    """
    beginnings = {different(word[:size]) for word in every for size in range(1, len(word) + 1)}
    return len(beginnings), len({different(word) for word in every})


def test_counts_are_those_of_theory(mixer: Found, amplifier: Found) -> None:
    assert mixer.orders_total == mixer.orders_allowed == mixer.orders_visited == factorial(4)
    assert amplifier.orders_total == amplifier.orders_allowed == factorial(3 + 1)
    steps, ends = steps_of(words(*BLOCKS))
    assert (mixer.blocks_rendered, mixer.orders_distinct) == (steps, ends) == (53, 18)
    # The preamplifier stands at the split; power stage and speaker end every order.
    steps, ends = steps_of(words(*BLOCKS[:3], SPLIT))
    assert (amplifier.blocks_rendered, amplifier.orders_distinct) == (steps + 2 * ends, ends)


@pytest.mark.parametrize("which", ["mixer", "amplifier"])
def test_every_order_is_in_one_group(which: str, request: pytest.FixtureRequest) -> None:
    found: Found = request.getfixturevalue(which)
    members = [told(order) for group in found.groups for order in group.members]
    assert len(members) == len(set(members)) == found.orders_allowed
    assert sum(len(group.members) for group in found.groups) == found.orders_allowed
    assert all(set(order.blocks) == set(found.blocks) for g in found.groups for order in g.members)
    for group in found.groups:
        assert told(group.members[0]) == told(group.representative)
        assert 1 <= group.proved <= len(group.members)


@pytest.mark.parametrize("which", ["mixer", "amplifier"])
def test_best_first(which: str, request: pytest.FixtureRequest) -> None:
    found: Found = request.getfixturevalue(which)
    scores = [ranked.score for ranked in found.ranking]
    assert scores == sorted(scores)
    assert len(scores) == found.orders_distinct
    assert scores[0] < scores[-1]
    for ranked in found.ranking:
        weighted = [abs(found.weights[goal]) * cost for goal, cost in ranked.costs.items()]
        assert ranked.score == pytest.approx(sum(weighted))
    # A representative is the first of its group in the ranking, and groups stand as their best do.
    first = {ranked.group: told(ranked.order) for ranked in reversed(found.ranking)}
    assert first == {at: told(group.representative) for at, group in enumerate(found.groups)}
    assert list(dict.fromkeys(ranked.group for ranked in found.ranking)) == sorted(first)


def test_the_document_has_the_names_that_are_fixed(amplifier: Found) -> None:
    document = json.loads(json.dumps(search_document(amplifier, members=True), allow_nan=False))
    assert document["simchain"] == simchain.__version__
    assert {"orders_total", "groups", "ranking", "blocks_rendered", "seconds"} <= set(document)
    for group in document["groups"]:
        assert set(group["representative"]) == {"front", "loop"}
        assert group["size"] == len(group["members"])
        assert group["representative"] == group["members"][0]
    assert all("members" not in group for group in search_document(amplifier)["groups"])


def test_what_is_infinite_is_null(tmp_path: Path) -> None:
    silent = search_document(coarsely(board_of(tmp_path, loud=0.0)))
    json.dumps(silent, allow_nan=False)
    assert len(silent["groups"]) == 1
    assert {ranked["values"]["headroom"] for ranked in silent["ranking"]} == {None}


def test_the_rules_that_are_kept(tmp_path: Path) -> None:
    rules = '[rules]\nfirst = ["squash"]\nbefore = [["tilt", "push"]]\n'
    board = board_of(tmp_path, BOARD + rules)
    found = coarsely(board)
    assert (found.orders_total, found.orders_allowed) == (24, 3)  # 3! of the rest, halved
    members = [order for group in found.groups for order in group.members]
    assert [broken_rules(board, order) for order in members] == [[], [], []]
    kept = {each for each in words(*BLOCKS) if each[0] == "squash" and before(each)}
    assert {order.front for order in members} == kept
    # A swap that the rules forbid saves nothing: each beginning is run as it is.
    assert found.blocks_rendered == len({each[:size] for each in kept for size in (1, 2, 3, 4)})


def before(word: tuple[str, ...]) -> bool:
    return word.index("tilt") < word.index("push")


def test_some_blocks_only(tmp_path: Path) -> None:
    board = board_of(tmp_path)
    found = coarsely(board, blocks=["squash", "grit"])
    assert (found.orders_total, found.blocks_rendered) == (2, 4)
    assert {order.front for group in found.groups for order in group.members} == (
        words("squash", "grit")
    )
    one = coarsely(board, blocks=["grit"])
    assert (one.orders_total, len(one.groups), one.blocks_rendered) == (1, 1, 1)


def test_both_passes_and_each_alone(tmp_path: Path) -> None:
    board = board_of(tmp_path)
    blocks = list(BLOCKS[1:])
    both, coarse, full = (
        simchain.search(board, blocks=blocks, coarse=one, full=other)
        for one, other in ((True, True), (True, False), (False, True))
    )
    assert {ranked.quality for ranked in both.ranking} == {"full"}  # so few are all heard again
    assert {ranked.quality for ranked in coarse.ranking} == {"coarse"}
    assert {ranked.quality for ranked in full.ranking} == {"full"}
    assert (both.coarse_rate, coarse.coarse_rate, full.coarse_rate) == (24_000, 24_000, None)
    assert both.lost is not None
    assert both.lost.tried == both.orders_distinct
    assert coarse.lost is full.lost is None
    # The full pass is the same whether a coarse one went before it or not.
    scores = [{told(each.order): each.score for each in found.ranking} for found in (both, full)]
    assert scores[0] == scores[1]
    with pytest.raises(RequestError, match=r"^neither the coarse pass nor the full one"):
        simchain.search(board, coarse=False, full=False)


@pytest.mark.parametrize(
    "goals",
    [
        "levels = 1",
        "headroom = 1",
        "floor = 1",
        "dirt = 1",
        "dirt = -1",
        "clarity = 1",
        "width = 1",
        'closeness = 1\nreference = "fewer"',
        "every_amp = 1\nheadroom = 1",
        "patching = 1",
    ],
)
@pytest.mark.parametrize("end", ["", ON_AN_AMPLIFIER + "[amps.other]\n"], ids=["mixer", "amps"])
def test_every_goal_can_be_counted(tmp_path: Path, goals: str, end: str) -> None:
    fewer = f'[orders.fewer]\nfront = ["{BLOCKS[2]}", "{BLOCKS[3]}"]\n'
    text = BOARD.partition("[goals]")[0] + f"{fewer}{end}[goals]\n{goals}\n"
    found = coarsely(board_of(tmp_path, text), blocks=BLOCKS[2:])
    assert found.ranking
    json.dumps(search_document(found), allow_nan=False)


def test_the_reference_order_is_closest_to_itself(tmp_path: Path) -> None:
    text = BOARD.partition("[goals]")[0] + '[goals]\ncloseness = 1\nreference = "given"\n'
    board = board_of(tmp_path, text)
    given = different(board.orders["given"].front)
    ranking = coarsely(board).ranking
    apart = {different(each.order.front): each.values["closeness"] for each in ranking}
    assert apart.pop(given) == 0.0
    assert min(apart.values()) > 0.0


def test_a_beam_that_is_wide_enough_finds_the_best_of_all(tmp_path: Path, mixer: Found) -> None:
    found = coarsely(board_of(tmp_path), beam=24)
    assert (found.beam, found.orders_visited) == (24, 24)
    assert [told(each.order) for each in found.ranking] == [told(e.order) for e in mixer.ranking]
    assert [each.score for each in found.ranking] == [each.score for each in mixer.ranking]
    assert found.blocks_rendered >= mixer.blocks_rendered


def test_rules_that_contradict_are_named(tmp_path: Path) -> None:
    rules = '[rules]\nfirst = ["grit"]\nlast = ["push"]\nbefore = [["tilt", "grit"]]\n'
    with pytest.raises(RequestError) as caught:
        coarsely(board_of(tmp_path, BOARD + rules))
    assert str(caught.value) == (
        "these rules contradict each other, no order keeps to all of them: "
        'first = ["grit"]; before = [["tilt", "grit"]]. Loosen one in [rules]'
    )


def test_a_rule_that_leaves_nothing_is_named(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match=r"^no order keeps to the rule fixed = \{ grit = 9 \}"):
        coarsely(board_of(tmp_path, BOARD + "[rules]\nfixed = { grit = 9 }\n"))


def test_too_many_orders(tmp_path: Path) -> None:
    checkpoint = tmp_path / "heard"
    with pytest.raises(RequestError) as caught:
        coarsely(board_of(tmp_path), limit=23, checkpoint=checkpoint)
    line = str(caught.value)
    assert line.startswith("24 orders are left by the rules, more than the limit of 23; to listen")
    assert "about 1 minute here" in line
    assert all(name in line for name in ("[rules]", "--blocks", "--beam", "--limit"))
    # What was tried for it is not kept.
    assert len(checkpoint.read_text().splitlines()) == 1
    assert coarsely(board_of(tmp_path), limit=24).orders_visited == 24


def test_far_too_many_orders_are_told_in_years(tmp_path: Path) -> None:
    names = [f"b{number}" for number in range(16)]
    blocks = "".join(f'[blocks.{name}]\nkind = "boost"\n' for name in names)
    text = f'source = {{ clip = "clip.wav" }}\n{blocks}[orders.o]\nfront = ["b0"]\n[passages.p]\n'
    with pytest.raises(
        RequestError, match=r"^20,922,789,888,000 orders .* about [\d,]+ years here"
    ):
        coarsely(board_of(tmp_path, text))


def test_a_reference_with_other_blocks(tmp_path: Path) -> None:
    text = BOARD.replace("headroom = 1", 'closeness = 1\nreference = "given"')
    with pytest.raises(
        RequestError, match=r"^\[goals\] reference 'given': .* each of grit, push is wanted"
    ):
        coarsely(board_of(tmp_path, text), blocks=["grit", "push"])


def test_names_that_the_board_does_not_have(tmp_path: Path) -> None:
    board = board_of(tmp_path)
    for asked, line in (
        ({"blocks": ["girt"]}, r"^no block 'girt' .*did you mean 'grit'\?$"),
        ({"blocks": ["grit", "grit"]}, r"^'grit' is given twice"),
        ({"passages": ["rif"]}, r"^no passage 'rif' .*did you mean 'riff'\?$"),
        ({"amp": "loud"}, r"^no amplifier 'loud' "),
    ):
        with pytest.raises(RequestError, match=line):
            coarsely(board, **asked)


def test_a_board_without_passages(tmp_path: Path) -> None:
    board = board_of(tmp_path).model_copy(update={"passages": {}})
    with pytest.raises(RequestError, match=r"^the board has no passages to listen to"):
        coarsely(board)


def test_a_passage_without_a_clip(tmp_path: Path) -> None:
    with pytest.raises((ClipError, RequestError), match=r"^passage 'riff' has no clip"):
        coarsely(board_of(tmp_path, BOARD.replace('clip = "clip.wav", ', "")))
