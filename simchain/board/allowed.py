"""Every order that the rules of a board allow: counted before any is listed, and listed.

What may stand next depends only on which blocks stand already, not on their sequence: their number
gives the place, their set tells which rules are begun, and whether the split stands tells front
from loop. So orders are counted over sets (2**n of them at most) instead of sequences (n!).
"""

from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass
from itertools import pairwise
from math import factorial

import numpy as np
from numpy.typing import NDArray

from simchain.board.models import Board, Order
from simchain.board.rules import Rules, split_boxes
from simchain.errors import RequestError, unknown_name

# Sets of blocks that are counted over, some 5 s of work: 17 blocks and a split that rules all tell
# apart. Where rules tell fewer apart there may be more blocks.
MOST_SETS = 2**18


class Allowed:
    """Every order of some blocks of a board that its rules allow; boxes move as one.

    They are the orders about which `broken_rules` and `split_boxes` have nothing to say. Each is
    a word of tokens.

    Parameters
    ----------
    board
        The board with its rules. What a rule says of other blocks is skipped, and places are
        counted among the blocks that are there. Raises RequestError where they tell so many blocks
        apart that their orders cannot be counted.
    blocks
        The blocks that every order has, each once; left out, all of the board. Of a box, those
        that are given move as one. Raises RequestError for an unknown block or one given twice.
    has_amplifier
        With an amplifier the split is one more thing to place; without one all is in front.

    Attributes
    ----------
    tokens
        What each token places, numbered as the blocks are given: one block, or those of a box in
        the board's sequence; the split, where there is an amplifier, is the last and is ().
    split
        The number of the split's token; None without an amplifier.
    total, count
        How many orders there are without rules (the factorial of the number of tokens), and how
        many the rules allow.
    prefixes
        How many different beginnings, of one token to all of them, the allowed orders have: what
        is appended when all are visited as a tree.
    """

    def __init__(
        self, board: Board, blocks: Sequence[str] | None = None, *, has_amplifier: bool
    ) -> None:
        self._board = board
        self.tokens = _tokens(board, tuple(board.blocks if blocks is None else blocks))
        self.split: int | None = len(self.tokens) if has_amplifier else None
        if has_amplifier:
            self.tokens += ((),)
        self._token_of = {name: token for token, box in enumerate(self.tokens) for name in box}
        self._rules = tuple(_single_rules(board.rules))
        self._tree = _Tree(self.tokens, self._rules)
        self._following: dict[int, tuple[int, ...]] = {}
        self.total: int = factorial(len(self.tokens))
        self.count, self.prefixes = self._tree.count, self._tree.prefixes

    def first_word(self) -> tuple[int, ...]:
        """Return the first of `words`, without listing them; empty where nothing is allowed."""
        word: list[int] = []
        while following := self.following(sum(1 << token for token in word)):
            word.append(following[0])
        return tuple(word)

    def following(self, placed: int) -> tuple[int, ...]:
        """Return the tokens that may come next so that a whole order comes of it, ascending.

        `placed` is the bit mask of the tokens that stand already (bit t for token t). Nothing may
        follow what begins no allowed order.
        """
        if placed not in self._following:
            self._following[placed] = self._tree.following(placed)
        return self._following[placed]

    def words(self) -> NDArray[np.uint8]:
        """Return all allowed orders, shape (count, tokens), in ascending lexicographic order.

        Takes twice their size in memory: look at `count` first.
        """
        levels = [[0]]
        for _ in self.tokens:
            nexts = {mask | 1 << token for mask in levels[-1] for token in self.following(mask)}
            levels.append(sorted(nexts))
        # The ways to end after each set, from the whole back to nothing placed.
        endings = {mask: np.empty((1, 0), np.uint8) for mask in levels.pop()}
        for level in reversed(levels):
            endings = {
                mask: _joined(
                    len(self.tokens) - mask.bit_count(),
                    [(token, endings[mask | 1 << token]) for token in self.following(mask)],
                )
                for mask in level
            }
        return endings.get(0, np.empty((0, len(self.tokens)), np.uint8))

    def order(self, word: Sequence[int]) -> Order:
        """Return the order that a word of all tokens stands for.

        Raises RequestError when a token is missing, unknown or there twice.
        """
        numbers = [int(token) for token in word]
        if sorted(numbers) != list(range(len(self.tokens))):
            raise RequestError(
                f"{numbers} is no order: each token from 0 to {len(self.tokens) - 1} is wanted once"
            )
        cut = len(numbers) if self.split is None else numbers.index(self.split)
        front = tuple(name for token in numbers[:cut] for name in self.tokens[token])
        return Order(front, tuple(name for token in numbers[cut:] for name in self.tokens[token]))

    def word(self, order: Order) -> tuple[int, ...]:
        """Return the word that stands for an order, whether the rules allow it or not.

        Raises RequestError for other blocks than these, each once, for a loop without an
        amplifier, and for a box that is pulled apart or turned round.
        """
        if sorted(order.blocks) != sorted(self._token_of):
            wanted, given = ", ".join(self._token_of), ", ".join(order.blocks)
            raise RequestError(
                f"the order has {given or 'no blocks'}; each of {wanted or 'none'} is wanted once"
            )
        if order.loop and self.split is None:
            raise RequestError("a loop needs an amplifier, and these orders have none")
        for sentence in split_boxes(self._board, order):
            raise RequestError(sentence)
        front, loop = (
            tuple(dict.fromkeys(self._token_of[name] for name in stretch))
            for stretch in (order.front, order.loop)
        )
        return front if self.split is None else (*front, self.split, *loop)

    def contradiction(self) -> tuple[str, ...]:
        """Return rules that together allow no order, as they would stand in the file.

        Empty when there are orders. Otherwise every rule returned is needed: leave any of them
        out, and the rest allow an order, unless to know that four times `MOST_SETS` would have to
        be counted over. Each entry of `before` and `together`, each block of
        `fixed`, `front_only` and `loop_only`, and `first` and `last` count as one rule each.
        """
        if self.count:
            return ()
        kept, sets = self._rules, 0
        for rule in reversed(self._rules):
            if sets > 4 * MOST_SETS:
                break
            fewer = tuple(other for other in kept if other is not rule)
            try:
                tree = _Tree(self.tokens, fewer)
            except TooManySetsError:  # it is not known to allow none
                sets += MOST_SETS
                continue
            sets += tree.sets
            if not tree.count:
                kept = fewer
        return tuple(str(rule) for rule in kept)


class TooManySetsError(RequestError):
    """Rules that tell so many blocks apart that orders cannot be counted."""

    def __init__(self) -> None:
        super().__init__(
            "the rules tell so many blocks apart that the orders they leave cannot be counted: "
            "name fewer blocks, or write fewer lists into [rules] before and together"
        )


@dataclass(frozen=True)
class _Rule:
    """One rule of a board that can be kept or left out by itself."""

    key: str
    blocks: tuple[str, ...]
    place: int = 0

    def __str__(self) -> str:
        listed = "[" + ", ".join(f'"{name}"' for name in self.blocks) + "]"
        if self.key == "fixed":
            return f"fixed = {{ {self.blocks[0]} = {self.place} }}"
        return f"{self.key} = " + (f"[{listed}]" if self.key in ("before", "together") else listed)


def _single_rules(rules: Rules) -> Iterator[_Rule]:
    yield from (_Rule(key, names) for key in ("first", "last") if (names := getattr(rules, key)))
    for key in ("before", "together"):
        yield from (_Rule(key, group) for group in getattr(rules, key))
    for key in ("front_only", "loop_only"):
        yield from (_Rule(key, (name,)) for name in getattr(rules, key))
    yield from (_Rule("fixed", (name,), place) for name, place in rules.fixed.items())


@dataclass
class _Wishes:
    """What rules want of one block; sets of blocks, and of groups, are bit masks."""

    places: frozenset[int] = frozenset()
    after: int = 0
    ahead_of: int = 0
    groups: int = 0
    front_only: bool = False
    loop_only: bool = False


class _Tree:
    """The beginnings of the orders of some tokens that some rules allow, counted over sets.

    A token is its blocks; the one without blocks is the split.
    """

    def __init__(self, tokens: Sequence[Sequence[str]], rules: Sequence[_Rule]) -> None:
        names = [name for token in tokens for name in token]
        bits = {name: 1 << number for number, name in enumerate(names)}
        self._wishes = {bit: _Wishes() for bit in bits.values()}
        self._groups: list[int] = []
        for rule in rules:
            self._add(rule, [bits[name] for name in rule.blocks if name in bits])
        self._tokens = [tuple(bits[name] for name in token) for token in tokens]
        self._split = sum(1 << number for number, token in enumerate(tokens) if not token)
        self._alike = self._classes()
        self._count()

    def first_word(self) -> tuple[int, ...]:
        """Return the first of `words`, without listing them; empty where nothing is allowed."""
        word: list[int] = []
        while following := self.following(sum(1 << token for token in word)):
            word.append(following[0])
        return tuple(word)

    def following(self, placed: int) -> tuple[int, ...]:
        """Return the tokens with which an allowed order can go on, ascending."""
        if self._same(placed) not in self._ways:
            return ()
        steps = self._steps(placed)
        return tuple(token for token in steps if self._ways[self._same(placed | 1 << token)])

    def _add(self, rule: _Rule, present: list[int]) -> None:
        wishes = [self._wishes[bit] for bit in present]
        match rule.key:
            case "first" | "last" | "fixed":
                ends_at = len(self._wishes) - len(present) + 1
                start = {"first": 1, "last": ends_at, "fixed": rule.place}[rule.key]
                for place, wish in enumerate(wishes, start):
                    wish.places |= {place}
            case "before":
                for early, late in pairwise(present):
                    # A block that stands twice in a list is not before itself.
                    self._wishes[early].ahead_of |= late & ~early
                    self._wishes[late].after |= early & ~late
            case "together":
                for wish in wishes:
                    wish.groups |= 1 << len(self._groups)
                self._groups.append(sum(set(present)))
            case "front_only" | "loop_only":
                for wish in wishes:
                    setattr(wish, rule.key, True)

    def _classes(self) -> list[tuple[int, list[int]]]:
        """Return classes of tokens that no rule tells apart, with the sets that stand for theirs.

        Which of them are placed makes no difference to what may follow, only how many: the first
        so many stand for any. That keeps boards of many blocks and few rules fast.
        """
        classes: dict[tuple[object, ...], list[int]] = {}
        for number, token in enumerate(self._tokens):
            wanted = tuple(astuple(self._wishes[bit]) for bit in token)
            classes.setdefault(wanted, []).append(1 << number)
        return [
            (sum(alike), [sum(alike[:many]) for many in range(len(alike) + 1)])
            for alike in classes.values()
            if len(alike) > 1
        ]

    def _same(self, placed: int) -> int:
        """Return the set that stands for all sets that no rule tells from this one."""
        for alike, sets in self._alike:
            placed = placed & ~alike | sets[(placed & alike).bit_count()]
        return placed

    def _count(self) -> None:
        """Count, for each set that can be reached, the ways to go on to a whole order."""
        steps: dict[int, list[int]] = {0: []}
        levels = [[0]]
        for _ in self._tokens:
            for placed in levels[-1]:
                steps[placed] = [self._same(placed | 1 << token) for token in self._steps(placed)]
            levels.append(list({after for placed in levels[-1] for after in steps[placed]}))
            if len(steps) + len(levels[-1]) > MOST_SETS:
                raise TooManySetsError
        self.sets = len(steps)
        self._ways = dict.fromkeys(levels.pop(), 1)
        beginnings = dict.fromkeys(self._ways, 0)
        for placed in (placed for level in reversed(levels) for placed in level):
            self._ways[placed] = sum(self._ways[after] for after in steps[placed])
            beginnings[placed] = sum(
                1 + beginnings[after] for after in steps[placed] if self._ways[after]
            )
        self.count, self.prefixes = self._ways[0], beginnings[0]

    def _steps(self, placed: int) -> list[int]:
        """Return the tokens that may come next as far as what stands already tells."""
        standing = sum(
            sum(token) for number, token in enumerate(self._tokens) if placed >> number & 1
        )
        in_loop = bool(placed & self._split)
        return [
            number
            for number, token in enumerate(self._tokens)
            if not placed >> number & 1 and self._fits(token, standing, in_loop)
        ]

    def _fits(self, token: tuple[int, ...], standing: int, in_loop: bool) -> bool:
        for bit in token:
            wishes, place = self._wishes[bit], standing.bit_count() + 1
            wrong_place = wishes.places - {place}
            wrong_stretch = wishes.front_only if in_loop else wishes.loop_only
            if wrong_place or wrong_stretch or wishes.after & ~standing:
                return False
            # A group that is begun goes on until it is whole; the split may stand inside.
            if any(group & standing and group & ~standing and not group & bit
                   for group in self._groups):  # fmt: skip
                return False
            standing |= bit
        return True


def _tokens(board: Board, blocks: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
    """Return what moves as one: each block, or the blocks given of a box."""
    for name in blocks:
        if name not in board.blocks:
            raise unknown_name("block", name, board.blocks)
        if blocks.count(name) > 1:
            raise RequestError(f"'{name}' is given twice; each block is wanted once")
    boxes: dict[tuple[str, str], tuple[str, ...]] = {}
    for name in blocks:
        box = board.blocks[name].box
        key = ("block", name) if box is None else ("box", box)
        boxes[key] = (*boxes.get(key, ()), name)
    listed = list(board.blocks)
    return tuple(tuple(sorted(members, key=listed.index)) for members in boxes.values())


def _joined(width: int, branches: list[tuple[int, NDArray[np.uint8]]]) -> NDArray[np.uint8]:
    """Return words of that width: each branch's token, followed by each of its endings."""
    words = np.empty((sum(len(endings) for _, endings in branches), width), np.uint8)
    row = 0
    for token, endings in branches:
        words[row : row + len(endings), 0] = token
        words[row : row + len(endings), 1:] = endings
        row += len(endings)
    return words
