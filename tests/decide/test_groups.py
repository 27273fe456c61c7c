"""Groups of orders that sound alike, and which block may stand elsewhere."""

import itertools
from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simchain.board import Allowed, Order, read_board
from simchain.decide.found import FreePlace
from simchain.decide.groups import Grouping, Louder, Orders, grouped

BOARD = """
source = { kind = "line", clip = "riff" }
[blocks]
press = { kind = "compressor" }
grit = { kind = "drive" }
room = { kind = "reverb" }
echo = { kind = "delay" }
[amps]
one = {}
[orders.now]
front = ["press", "grit"]
[passages.p]
on = ["press"]
"""


def in_both_ways(alike: Mapping[tuple[int, int], float]) -> dict[tuple[int, int], float]:
    return {**alike, **{(b, a): lu for (a, b), lu in alike.items()}}


def louder_of(alike: Mapping[tuple[int, int], float]) -> Louder:
    """Say of some pairs how much louder one is; all others sound apart."""
    both = in_both_ways(alike)
    return lambda a, others: np.array([both.get((a, b), np.nan) for b in others.tolist()])


def told(groups: list[Grouping]) -> list[tuple[list[int], float]]:
    return [(group.members, group.louder_lu) for group in groups]


def test_what_is_like_a_member_only_does_not_join() -> None:
    # 0 is like 1 and 1 like 2, but 0 is not like 2.
    louder = louder_of({(0, 1): 0.1, (1, 2): 0.2})
    assert told(grouped([0, 1, 2], louder)) == [([0, 1], 0.1), ([2], 0.0)]


def test_the_best_comes_first_whatever_its_number() -> None:
    louder = louder_of({(0, 1): 0.1, (1, 2): 0.2})
    assert told(grouped([1, 2, 0], louder)) == [([1, 2, 0], 0.2)]
    assert told(grouped([2, 0, 1], louder)) == [([2, 1], 0.2), ([0], 0.0)]


def test_what_is_like_two_joins_the_better_group() -> None:
    louder = louder_of({(5, 7): 0.4, (6, 7): 0.0})
    assert told(grouped([5, 6, 7], louder)) == [([5, 7], 0.4), ([6], 0.0)]


def test_the_level_is_held_against_the_best_only() -> None:
    # 1 and 2 would be 5 LU apart.
    louder = louder_of({(0, 1): 3.0, (0, 2): 2.0, (1, 2): 5.0, (0, 3): 0.5})
    assert told(grouped([0, 1, 2, 3], louder)) == [([0, 1, 2, 3], 3.0)]


def test_no_orders_make_no_groups() -> None:
    assert grouped([], louder_of({})) == []


@given(st.data(), st.integers(1, 8))
@settings(max_examples=100, deadline=None)
def test_each_joins_the_first_whose_best_it_sounds_like(data: st.DataObject, count: int) -> None:
    pairs = list(itertools.combinations(range(count), 2))
    chosen = data.draw(st.sets(st.sampled_from(pairs)) if pairs else st.just(set()))
    alike = {pair: float(sum(pair)) for pair in chosen}
    both = in_both_ways(alike)
    ranked = data.draw(st.permutations(range(count)))
    groups = grouped(ranked, louder_of(alike))
    place = {number: at for at, number in enumerate(ranked)}
    bests = [group.members[0] for group in groups]
    assert sorted(number for group in groups for number in group.members) == list(range(count))
    assert bests == sorted(bests, key=place.__getitem__)
    # Two that sound alike are never both the best of a group.
    assert not any(pair in both for pair in itertools.combinations(bests, 2))
    for at, group in enumerate(groups):
        best, *others = group.members
        assert group.members == sorted(group.members, key=place.__getitem__)
        assert group.louder_lu == max((both[best, other] for other in others), default=0.0)
        for other in others:
            assert not any((better, other) in both for better in bests[:at])


# Which block may stand elsewhere.


@pytest.fixture(scope="module")
def allowed() -> Allowed:
    return Allowed(read_board(BOARD), has_amplifier=True)


def by_hand(allowed: Allowed, words: list[bytes], best: bytes) -> dict[str, set[bytes]]:
    """Put each block of `best` to every other place, and see whether that is one of `words`."""
    found: dict[str, set[bytes]] = {}
    for at, token in enumerate(best):
        others = list(best[:at] + best[at + 1 :])
        for place in range(len(best)):
            moved = bytes([*others[:place], token, *others[place:]])
            if moved != best and moved in words and token != allowed.split:
                found.setdefault(allowed.tokens[token][0], set()).add(moved)
    return found


def told_places(allowed: Allowed, places: tuple[FreePlace, ...]) -> dict[str, set[bytes]]:
    assert all(len(set(each.orders)) == len(each.orders) for each in places)
    return {each.block: {bytes(allowed.word(order)) for order in each.orders} for each in places}


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_free_places_are_those_where_one_block_alone_has_moved(
    allowed: Allowed, data: st.DataObject
) -> None:
    rows = allowed.words()
    chosen = sorted(data.draw(st.sets(st.integers(0, len(rows) - 1), min_size=1)))
    best = rows[data.draw(st.sampled_from(chosen))]
    words = [rows[number].tobytes() for number in chosen]
    places = Orders(allowed, rows[chosen]).free_places(best)
    assert told_places(allowed, places) == by_hand(allowed, words, best.tobytes())


def test_two_neighbours_that_changed_places_have_both_moved(allowed: Allowed) -> None:
    best, swapped, split = (
        allowed.word(Order(front=tuple(front.split()), loop=tuple(loop.split())))
        for front, loop in (
            ("press grit room echo", ""),
            ("press grit echo room", ""),
            ("press grit room", "echo"),
        )
    )
    orders = Orders(allowed, np.array(sorted((best, swapped, split)), dtype=np.uint8))
    room_moved, echo_moved = (
        tuple(order for order in orders if bytes(allowed.word(order)) in map(bytes, words))
        for words in ((swapped,), (swapped, split))
    )
    # That the split has moved is told of the block that went past it.
    assert {each.block: each.orders for each in orders.free_places(best)} == {
        "room": room_moved,
        "echo": echo_moved,
    }


def test_orders_are_made_of_words_when_they_are_asked_for(allowed: Allowed) -> None:
    rows = allowed.words()
    orders = Orders(allowed, rows)
    assert len(orders) == allowed.count == 120
    assert orders[7] == allowed.order(rows[7])
    assert list(orders[3:6]) == [allowed.order(row) for row in rows[3:6]]
    assert [bytes(allowed.word(order)) for order in orders] == [row.tobytes() for row in rows]
