"""What the rules allow: counted against closed forms, listed against trying every order.

Sources are given beside the closed forms; their formulas and section numbers are from memory.
"""

import json
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from itertools import permutations
from math import comb, factorial, prod
from random import Random
from typing import Any

import numpy as np
import pytest

from simchain.board import (
    Allowed,
    Board,
    Order,
    broken_rules,
    read_board,
    split_boxes,
    starter,
)
from simchain.errors import RequestError

Asked = dict[str, Any]


def board_of(
    names: Iterable[str], rules: Asked | None = None, boxes: dict[str, str] | None = None
) -> Board:
    lines = ["[amps.mine]", "[passages.all]", f"[orders.all]\nfront = {json.dumps([*names])}"]
    for name in names:
        box = f'\nbox = "{boxes[name]}"' if boxes and name in boxes else ""
        lines.append(f'[blocks.{name}]\nkind = "boost"{box}')
    lines.append("[rules]")
    for key, value in (rules or {}).items():
        if key == "fixed":
            value = "{" + ", ".join(f"{name} = {place}" for name, place in value.items()) + "}"
        lines.append(f"{key} = {value if key == 'fixed' else json.dumps(value)}")
    return read_board("\n".join(lines))


def count(names: Iterable[str], rules: Asked | None = None, *, has_amplifier: bool = False) -> int:
    return Allowed(board_of(names, rules), has_amplifier=has_amplifier).count


def numbered(many: int) -> list[str]:
    return [f"b{number}" for number in range(many)]


# Without rules


@pytest.mark.parametrize("many", [1, 2, 5, 11, 30])
def test_without_rules_the_split_is_one_more_thing_to_place(many: int):
    board = board_of(numbered(many))
    with_it = Allowed(board, has_amplifier=True)
    without = Allowed(board, has_amplifier=False)
    assert with_it.count == with_it.total == factorial(many + 1)
    assert without.count == without.total == factorial(many)
    assert with_it.split == many
    assert with_it.tokens[-1] == ()
    assert without.split is None


def test_beginnings_without_rules():
    """Arrangements of some of n things, at least one: n! (1/0! + 1/1! + ... + 1/(n-1)!), the
    integer part of e n! less 1 (OEIS A007526): 986409 for 8 blocks and the split."""
    assert Allowed(board_of(numbered(8)), has_amplifier=True).prefixes == 986409
    for many in range(1, 12):
        expected = sum(factorial(many) // factorial(left) for left in range(many))
        assert Allowed(board_of(numbered(many)), has_amplifier=False).prefixes == expected


def test_all_orders_of_eight_blocks_are_listed_once_and_ascending():
    words = Allowed(board_of(numbered(8)), has_amplifier=True).words()
    assert words.dtype == np.uint8
    expected = np.array([*permutations(range(9))], np.uint8)  # ascending, as itertools promises
    np.testing.assert_array_equal(words, expected)


def test_no_blocks_have_one_order():
    assert [*map(tuple, Allowed(board_of(["a"]), (), has_amplifier=True).words())] == [(0,)]
    assert Allowed(board_of(["a"]), (), has_amplifier=False).words().shape == (1, 0)


# Closed forms


def test_the_demo_board():
    """The tuner first leaves 8 things to place, of which the split follows three others: 8!/4."""
    allowed = Allowed(read_board(starter("demo")), has_amplifier=True)
    assert allowed.total == factorial(9)
    assert allowed.count == factorial(8) // 4 == 10080
    assert allowed.words().shape == (10080, 9)


@pytest.mark.parametrize(("chain", "many"), [(2, 5), (3, 7), (5, 11), (11, 11), (7, 14)])
def test_a_chain_among_others(chain: int, many: int):
    """Linear extensions of a chain of k beside single elements: n!/k! (Stanley, Enumerative
    Combinatorics, vol. 1, section 3.5: those of a disjoint union multiply by a binomial)."""
    rules = {"before": [numbered(many)[:chain]]}
    assert count(numbered(many), rules) == factorial(many) // factorial(chain)
    with_it = count(numbered(many), rules, has_amplifier=True)
    assert with_it == factorial(many + 1) // factorial(chain)


def test_two_chains():
    """Shuffles of two chains: (k + m over k) (Stanley, as above)."""
    names = numbered(9)
    assert count(names, {"before": [names[:5], names[5:]]}) == comb(9, 4) == 126


def test_trees():
    """A forest in which each stands before its branches: n! over the product of the sizes of all
    branches (Knuth, The Art of Computer Programming, vol. 3, section 5.1.4, exercise 20)."""
    parents = {1: 0, 2: 0, 3: 1, 4: 1, 5: 2, 6: 5, 8: 7, 9: 7}
    names = numbered(10)
    sizes = [1] * 10
    for child in sorted(parents, reverse=True):
        sizes[parents[child]] += sizes[child]
    rules = {"before": [[names[parent], names[child]] for child, parent in parents.items()]}
    assert count(names, rules) == factorial(10) // prod(sizes)


@pytest.mark.parametrize(("many", "ways"), [(2, 1), (3, 2), (4, 5), (5, 16), (6, 61), (8, 1385)])
def test_zigzags(many: int, ways: int):
    """Alternating permutations: Euler's numbers 1, 2, 5, 16, 61, 272, 1385 (Stanley, vol. 1,
    section 1.6, after Andre 1879)."""
    names = numbered(many)
    pairs = [(k, k + 1) if k % 2 else (k + 1, k) for k in range(many - 1)]
    assert count(names, {"before": [[names[a], names[b]] for a, b in pairs]}) == ways


@pytest.mark.parametrize(("columns", "ways"), [(3, 5), (4, 14), (5, 42), (8, 1430)])
def test_two_rows(columns: int, ways: int):
    """Two chains, each of one before its partner in the other: Catalan's numbers (Stanley, vol. 2,
    exercise 6.19)."""
    names = numbered(2 * columns)
    upper, lower = names[:columns], names[columns:]
    pairs = [list(pair) for pair in zip(upper, lower, strict=True)]
    assert count(names, {"before": [upper, lower, *pairs]}) == ways


@pytest.mark.parametrize(
    ("sides", "ways"), [(2, 2), (3, 48), (4, 1680384), (5, 14807804035657359360)]
)
def test_cubes(sides: int, ways: int):
    """Linear extensions of the subsets of a set of 2 to 5 (OEIS A046873): up to 32 blocks, whose
    orders nobody could list."""
    names = numbered(2**sides)
    pairs = [
        [names[corner], names[corner | 1 << side]]
        for corner in range(2**sides)
        for side in range(sides)
        if not corner >> side & 1
    ]
    assert count(names, {"before": pairs}) == ways


@pytest.mark.parametrize(("group", "many"), [(2, 5), (3, 6), (4, 11)])
def test_neighbours(group: int, many: int):
    """k side by side among n: k! (n - k + 1)!, as any textbook has it; the split may stand at
    any of n + 1 places, also between them."""
    rules = {"together": [numbered(many)[:group]]}
    expected = factorial(group) * factorial(many - group + 1)
    assert count(numbered(many), rules) == expected
    assert count(numbered(many), rules, has_amplifier=True) == expected * (many + 1)


def test_places():
    """k of n held: (n - k)!, times n + 1 places for the split, which is no place of a block."""
    names = numbered(11)
    rules = {"first": names[:2], "last": [names[2]], "fixed": {names[3]: 5}}
    assert count(names, rules) == factorial(7)
    assert count(names, rules, has_amplifier=True) == 12 * factorial(7)


def test_stretches():
    """Three that stand before the split and two after it: of the 6! sequences of these six,
    3! 2! are such, and the others stand anywhere."""
    names = numbered(8)
    rules = {"front_only": names[:3], "loop_only": names[3:5]}
    assert count(names, rules, has_amplifier=True) == factorial(9) * 12 // factorial(6)


# Against trying every order


def tried(board: Board, blocks: Sequence[str], *, has_amplifier: bool) -> Iterator[Order]:
    """Yield every order about which rules and boxes have nothing to say."""
    for sequence in permutations(blocks):
        for cut in range(len(blocks) + 1) if has_amplifier else [len(blocks)]:
            order = Order(sequence[:cut], sequence[cut:])
            if not broken_rules(board, order) and not split_boxes(board, order):
                yield order


def some_rules(random: Random, names: list[str], many: int) -> Asked:
    """Return some rules, also with blocks named twice and places that nothing has."""
    rules: Asked = {}
    for key in random.choices(
        ["first", "last", "before", "together", "front_only", "loop_only", "fixed"], k=many
    ):
        if key == "fixed":
            place = random.randint(1, len(names))
            rules.setdefault("fixed", {})[random.choice(names)] = place
        elif key in ("before", "together"):
            group = random.sample(names, random.randint(2, 3))
            if random.random() < 0.1:
                group.insert(random.randint(0, len(group)), random.choice(group))
            rules.setdefault(key, []).append(group)
        else:
            rules[key] = [*rules.get(key, []), random.choice(names)]
    return rules


def some_board(number: int) -> tuple[Board, list[str], bool]:
    """Return a board with rules and boxes, some of its blocks, and whether it has an amplifier."""
    random = Random(number)
    names = numbered(random.randint(4, 7))
    boxed = random.sample(names, random.choice([0, 0, 2, 3, 4]))
    boxes = {name: random.choice(["left", "right"]) for name in boxed}
    rules = some_rules(random, names, random.randint(0, 4))
    blocks = random.sample(names, min(len(names), random.choice([4, 4, 5, 5, 6])))
    return board_of(names, rules, boxes), blocks, random.random() < 0.7


BOARDS = range(240)


@pytest.mark.parametrize("number", BOARDS)
def test_exactly_what_keeps_the_rules(number: int):
    board, blocks, has_amplifier = some_board(number)
    allowed = Allowed(board, blocks, has_amplifier=has_amplifier)
    expected = [*tried(board, blocks, has_amplifier=has_amplifier)]
    words = [tuple(map(int, word)) for word in allowed.words()]
    assert allowed.count == len(words) == len(expected)
    assert {allowed.order(word) for word in words} == set(expected)
    assert words == sorted(allowed.word(order) for order in expected)
    beginnings = {word[:length] for word in words for length in range(len(word) + 1)}
    assert allowed.prefixes == len(beginnings - {()})
    assert following_sets(allowed) == sets_of(beginnings, len(allowed.tokens))
    assert (allowed.contradiction() == ()) == bool(expected)


def following_sets(allowed: Allowed) -> dict[int, tuple[int, ...]]:
    return {placed: allowed.following(placed) for placed in range(1 << len(allowed.tokens))}


def sets_of(beginnings: set[tuple[int, ...]], tokens: int) -> dict[int, tuple[int, ...]]:
    """Return what follows each set of tokens, in whatever sequence they stand."""
    nexts: dict[int, set[int]] = {placed: set() for placed in range(1 << tokens)}
    for beginning in beginnings - {()}:
        nexts[sum(1 << token for token in beginning[:-1])].add(beginning[-1])
    return {placed: tuple(sorted(tokens)) for placed, tokens in nexts.items()}


def test_the_boards_tried_are_of_every_sort():
    boards = [some_board(number) for number in BOARDS]
    counts = [
        Allowed(board, blocks, has_amplifier=amp).count / factorial(len(blocks) + amp)
        for board, blocks, amp in boards
    ]
    assert sum(share == 0 for share in counts) > 30
    assert sum(0 < share < 0.5 for share in counts) > 100
    boxed = [any(board.blocks[name].box for name in blocks) for board, blocks, _ in boards]
    assert 80 < sum(boxed) < 200
    for key in ("first", "last", "before", "together", "front_only", "loop_only", "fixed"):
        having = [
            share
            for share, (board, _, _) in zip(counts, boards, strict=True)
            if getattr(board.rules, key) and share > 0
        ]
        assert len(having) > 15


# Tokens, words


def test_a_box_is_one_token_in_the_boards_sequence():
    board = board_of("abcd", boxes={"a": "twin", "c": "twin"})
    assert Allowed(board, has_amplifier=True).tokens == (("a", "c"), ("b",), ("d",), ())
    given = Allowed(board, ("d", "c", "b", "a"), has_amplifier=False)
    assert given.tokens == (("d",), ("a", "c"), ("b",))
    assert Allowed(board, ("c", "b"), has_amplifier=False).tokens == (("c",), ("b",))


def test_words_and_orders():
    board = board_of("abcd", {"before": [["d", "b"]]}, boxes={"a": "twin", "c": "twin"})
    allowed = Allowed(board, has_amplifier=True)
    assert allowed.order((2, 3, 0, 1)) == Order(("d",), ("a", "c", "b"))
    assert allowed.word(Order(("d",), ("a", "c", "b"))) == (2, 3, 0, 1)
    assert allowed.word(Order(("b", "d", "a", "c"))) == (1, 2, 0, 3)  # against the rules


@pytest.mark.parametrize(
    ("order", "says"),
    [
        (Order(("a", "b", "c")), "the order has a, b, c; each of a, c, b, d is wanted once"),
        (Order(("a", "c", "b", "d", "d")), "has a, c, b, d, d; each of a, c, b, d is wanted once"),
        (Order(("a", "c", "b", "d", "e")), "each of a, c, b, d is wanted once"),
        (Order(("a", "b", "c", "d")), "box 'twin' holds a, c: this order pulls them apart"),
        (Order(("b", "a"), ("c", "d")), "box 'twin' holds a, c: this order pulls them apart"),
        (Order(("c", "a", "b", "d")), "box 'twin' is wired inside as a, c"),
    ],
)
def test_an_order_that_has_no_word(order: Order, says: str):
    board = board_of("abcd", boxes={"a": "twin", "c": "twin"})
    with pytest.raises(RequestError, match=says) as caught:
        Allowed(board, has_amplifier=True).word(order)
    assert "\n" not in str(caught.value)


def test_a_loop_without_an_amplifier_has_no_word():
    with pytest.raises(RequestError, match="a loop needs an amplifier"):
        Allowed(board_of("ab"), has_amplifier=False).word(Order(("a",), ("b",)))


@pytest.mark.parametrize("word", [(0, 1), (0, 1, 1), (0, 1, 3), (0, 1, 2, 2), (-1, 0, 1)])
def test_a_word_that_is_no_order(word: tuple[int, ...]):
    with pytest.raises(RequestError, match="is no order: each token from 0 to 2 is wanted once"):
        Allowed(board_of("ab"), has_amplifier=True).order(word)


def test_blocks_that_cannot_be_asked_for():
    board = board_of(["grit", "push"])
    with pytest.raises(RequestError, match=r"no block 'girt' on this board .*did you mean 'grit'"):
        Allowed(board, ("girt", "push"), has_amplifier=True)
    with pytest.raises(RequestError, match="'push' is given twice; each block is wanted once"):
        Allowed(board, ("push", "grit", "push"), has_amplifier=True)


# Contradictions

CONTRADICTIONS: list[tuple[Asked, bool, set[str]]] = [
    (
        {"before": [["a", "b"], ["c", "d"], ["b", "a"]], "first": ["c"]},
        True,
        {'before = [["a", "b"]]', 'before = [["b", "a"]]'},
    ),
    (
        {"before": [["a", "b", "c"], ["c", "d"], ["d", "a"]]},
        True,
        {'before = [["a", "b", "c"]]', 'before = [["c", "d"]]', 'before = [["d", "a"]]'},
    ),
    ({"first": ["a"], "last": ["a"]}, True, {'first = ["a"]', 'last = ["a"]'}),
    (
        {"first": ["a"], "fixed": {"b": 1, "c": 3}},
        True,
        {'first = ["a"]', "fixed = { b = 1 }"},
    ),
    ({"fixed": {"a": 5}, "first": ["b"]}, True, {"fixed = { a = 5 }"}),
    ({"first": ["a", "a"]}, True, {'first = ["a", "a"]'}),
    ({"loop_only": ["a", "b"]}, False, {'loop_only = ["a"]'}),
    (
        {"front_only": ["a", "b"], "loop_only": ["b", "c"]},
        True,
        {'front_only = ["b"]', 'loop_only = ["b"]'},
    ),
    (
        {"front_only": ["b"], "loop_only": ["a"], "before": [["a", "b"]]},
        True,
        {'front_only = ["b"]', 'loop_only = ["a"]', 'before = [["a", "b"]]'},
    ),
    (
        {"together": [["b", "c"], ["a", "b"]], "fixed": {"a": 1, "b": 3}},
        True,
        {'together = [["a", "b"]]', "fixed = { a = 1 }", "fixed = { b = 3 }"},
    ),
]


@pytest.mark.parametrize(("rules", "has_amplifier", "named"), CONTRADICTIONS)
def test_rules_that_allow_nothing_are_named(rules: Asked, has_amplifier: bool, named: set[str]):
    allowed = Allowed(board_of("abcd", rules), has_amplifier=has_amplifier)
    assert set(allowed.contradiction()) == named
    assert len(allowed.contradiction()) == len(named)
    assert allowed.count == allowed.prefixes == 0
    assert allowed.words().shape == (0, 4 + has_amplifier)
    assert allowed.following(0) == ()


def test_a_rule_against_the_wiring_of_a_box_stands_alone():
    board = board_of("abc", {"before": [["b", "a"]]}, boxes={"a": "twin", "b": "twin"})
    assert Allowed(board, has_amplifier=True).contradiction() == ('before = [["b", "a"]]',)


def test_where_there_are_orders_nothing_contradicts():
    assert Allowed(board_of("abcd", {"first": ["a"]}), has_amplifier=True).contradiction() == ()


def together_again(texts: Iterable[str]) -> Asked:
    """Return rules written one by one as one table."""
    rules: Asked = {}
    for text in texts:
        ((key, value),) = tomllib.loads(text).items()
        if key == "fixed":
            rules[key] = rules.get(key, {}) | value
        else:
            rules[key] = rules.get(key, []) + value
    return rules


@pytest.mark.parametrize("number", range(60))
def test_each_rule_of_a_contradiction_is_needed(number: int):
    random = Random(1000 + number)
    names = numbered(4)
    allowed = Allowed(board_of(names, some_rules(random, names, 7)), has_amplifier=True)
    found = allowed.contradiction()
    assert bool(found) == (allowed.count == 0)
    if found:
        board = board_of(names, together_again(found))
        assert next(tried(board, names, has_amplifier=True), None) is None
    for rule in found:
        others = together_again(text for text in found if text != rule)
        assert next(tried(board_of(names, others), names, has_amplifier=True), None) is not None
