"""Which steps must be run to hear many orders in one passage, each different sound once.

Orders are words of tokens (`board.allowed`), taken in ascending sequence. Words that lead to the
same sound and leave the same to come are one *state*: because their steps have equal keys, or
because neighbours that commute have changed places. Such a swap is looked for as each token is
appended: back over the trailing run of tokens that commute with it, to the first one that is
greater; standing before that one it makes a smaller word, whose sound was planned before. (Where
it does not depend on what stands before, that is the lexicographic normal form of a trace:
Cartier and Foata 1969, Mazurkiewicz 1977; from memory.) So nothing is rendered twice, and a swap
that the rules forbid, or that commutes in some places only, costs no more than a further render.

Neighbours commute below the rails only, which is known when all is rendered: `too_hot` then names
the swaps for which it does not hold, and a plan made without them renders what is missing.
"""

from array import array
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simchain.chain.path import Laying
from simchain.chain.timeline import Timeline
from simchain.chain.tree import END, NOTHING, Ground, Tree
from simchain.decide.commute import Commutes, Commuting
from simchain.decide.proof import NEAR_A_RAIL_DB
from simchain.units import db_to_ratio

Ints = NDArray[np.int32]
Words = NDArray[np.uint8]
Floats = NDArray[np.float64]

_PATHS_KEPT = 1000


class Swap(NamedTuple):
    """Two neighbours that change places: the key of what they stand behind, and which comes first.

    The key is that of a step: the same swap has it in every plan.
    """

    behind: bytes
    first: str
    then: str


class Moved(NamedTuple):
    """A swap that was made use of: proved if `watched` blocks stay below their rails.

    `before` is the node that the two stand behind, `after_first` that behind the one that came
    first; the other way round, `after_then` is the node behind the other one, and `after_both` that
    behind both of them.
    """

    swap: Swap
    before: int
    after_first: int
    after_then: int
    after_both: int
    watched: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Plan:
    """The tree of what is to be run, and for each word the number of the sound at its end."""

    tree: Tree
    leaf_of: Ints
    moved: list[Moved]

    @property
    def leaves(self) -> int:
        """How many different sounds there are."""
        return int(self.leaf_of.max()) + 1


def plan_of(
    ground: Ground, words: Words, frames: int, barred: Collection[Swap] = frozenset()
) -> Plan:
    """Plan how to hear `words`, shape (orders, tokens), ascending, on `ground`.

    `frames` is the length of the sound; of swaps that are `barred` no use is made.
    """
    return _Planner(ground, frames, frozenset(barred)).planned(words)


def too_hot(plan: Plan, timeline: Timeline, peaks: Floats) -> set[Swap]:
    """Return the swaps of a plan that bring a block to within 1 dB of a rail.

    `peaks`, shape (nodes, 2), are the peak volts on the input and behind the level of each node,
    NaN where they were not measured.
    """
    return {
        moved.swap
        for moved in plan.moved
        if not all(_stays_below(timeline, *passing) for passing in _passing(moved, peaks))
    }


def _passing(moved: Moved, peaks: Floats) -> Iterator[tuple[str, float, float]]:
    """Yield the watched blocks of a swap in both sequences, each with its peaks in and out."""
    before, after_first, after_then, after_both = (peaks[node] for node in moved[1:5])
    first, then = moved.swap.first, moved.swap.then
    # Where the one that came first has no rails its input was not measured.
    arriving = after_first[0] if np.isfinite(after_first[0]) else before[1]
    for name, peak_in, peak_out in (
        (first, arriving, after_first[1]),
        (then, arriving, after_then[1]),
        (first, after_then[1], after_both[1]),
        (then, after_first[1], after_both[1]),
    ):
        if name in moved.watched:
            yield name, peak_in, peak_out


def _stays_below(timeline: Timeline, name: str, peak_in: float, peak_out: float) -> bool:
    """Whether a block with these peaks on its input and behind its level has 1 dB of room."""
    block = timeline.block(name)
    idle = timeline.gate(name).is_never_on
    asked = peak_out if idle else peak_out / db_to_ratio(block.level_db)
    return bool(max(peak_in, asked) <= block.ceiling_volts / db_to_ratio(NEAR_A_RAIL_DB))


class _Planner:
    def __init__(self, ground: Ground, frames: int, barred: frozenset[Swap]) -> None:
        self.ground, self.barred = ground, barred
        self.commutes = Commutes(frames)
        self.tokens = len(ground.tokens)
        self.nodes = _Nodes(ground)
        self.states = _States(self.tokens)
        self.moved: list[Moved] = []
        self._paths = {0: ground.bare()}

    def planned(self, words: Words) -> Plan:
        leaf_of = np.empty(len(words), dtype=np.int32)
        stack = [0]
        last = b""
        for number, row in enumerate(words):
            word = row.tobytes()
            shared = 0
            while shared < len(last) and word[shared] == last[shared]:
                shared += 1
            del stack[shared + 1 :]
            for token in word[shared:]:
                stack.append(self.state_after(stack[-1], token))
            leaf_of[number] = self.leaf_after(stack[-1])
            last = word
        return Plan(self.nodes.tree(), leaf_of, self.moved)

    def state_after(self, state: int, token: int) -> int:
        """Return the state behind `token`."""
        known = self.states.after(state, token)
        if known < 0:
            known = self._appended(state, token)
            self.states.set_after(state, token, known)
        return known

    def leaf_after(self, state: int) -> int:
        """Return the number of the sound at the end of a state's path."""
        known = self.states.after(state, self.tokens)
        if known < 0:
            known = self.nodes.leaf(self._laid(state, END, self._laying(state, END)))
            self.states.set_after(state, self.tokens, known)
        return known

    def _appended(self, state: int, token: int) -> int:
        laying = self._laying(state, token)
        node = self._known_node(state, token)
        if node < 0:
            node = self._laid(state, token, laying)
        return self.states.of(node, laying.all_drivers, state, token)

    def _known_node(self, state: int, token: int) -> int:
        """Return the node of a smaller word that sounds like this one with `token`, or -1."""
        word = self.states.word(state)
        last = bytes((token,))
        for place, swaps in self._insertions(state, word, token):
            smaller = word[:place] + last + word[place:]
            there = self._known_state(smaller)
            if there >= 0:
                self._note(word, place, smaller, swaps)
                return self.states.node[there]
        return -1

    def _insertions(self, state: int, word: bytes, token: int) -> list[tuple[int, list[Commuting]]]:
        """Return where in `word` the token may stand to make it smaller, the best place first.

        Each with what is asked of the swaps that bring it there, that at its place first.
        """
        places: list[tuple[int, list[Commuting]]] = []
        swaps: list[Commuting] = []
        blocks = self.ground.tokens[token]
        for place in range(len(word) - 1, -1, -1):
            other = self.ground.tokens[word[place]]
            # Neither the split nor a box, whose blocks have other wires between them.
            if len(blocks) != 1 or len(other) != 1:
                break
            state = self.states.before[state]
            commuting = self.commutes.at(self._path(state), other, blocks)
            if commuting is None or self._swap(state, *other, *blocks) in self.barred:
                break
            swaps.insert(0, commuting)
            if word[place] > token:
                places.insert(0, (place, list(swaps)))
        return places

    def _known_state(self, word: bytes) -> int:
        """Return the state of a word all of whose beginnings were planned, or -1."""
        state = 0
        for token in word:
            state = self.states.after(state, token)
            if state < 0:
                break
        return state

    def _note(self, word: bytes, place: int, smaller: bytes, swaps: Sequence[Commuting]) -> None:
        """Note each swap that brings the last token to `place`, from there on."""
        for here, swap in enumerate(swaps, start=place):
            if not swap.watched:
                continue
            states = [
                self._known_state(each)
                for each in (
                    word[:here],
                    word[: here + 1],
                    smaller[: here + 1],
                    smaller[: here + 2],
                )
            ]
            (first,), (then,) = (self.ground.tokens[each] for each in (word[here], smaller[place]))
            before, one, other, both = (self.states.node[state] for state in states)
            made = self._swap(states[0], first, then)
            self.moved.append(Moved(made, before, one, other, both, swap.watched))

    def _swap(self, state: int, first: str, then: str) -> Swap:
        return Swap(self.nodes.key(self.states.node[state]), first, then)

    def _path(self, state: int) -> Laying:
        """Return the path of a state; it is not to be laid on.

        Keys go on from that of the state's node: what led there otherwise sounds the same.
        """
        path = self._paths.get(state)
        if path is None:
            word = self.states.word(state)
            path = self._laying(self.states.before[state], word[-1])
            path.draft.key = self.nodes.key(self.states.node[state])
            if len(self._paths) > _PATHS_KEPT:
                self._paths = {0: self._paths[0]}
            self._paths[state] = path
        return path

    def _laying(self, state: int, token: int) -> Laying:
        """Return a path that goes on from a state with `token`."""
        laying = self._path(state).fork()
        self.ground.lay(laying, token)
        return laying

    def _laid(self, state: int, token: int, laying: Laying) -> int:
        """Return the node behind what `token` lays behind `state`."""
        begun = len(self._path(state).steps)
        node = self.states.node[state]
        word = self.states.word(state) + bytes((token,))
        for place, step in enumerate(laying.steps[begun:], start=begun):
            node = self.nodes.behind(node, step.key, word, place)
        return node


class _Nodes:
    """Nodes of the tree while it grows, each different sound once; flat arrays, for millions."""

    def __init__(self, ground: Ground) -> None:
        source_key, width = ground.source_key, len(ground.tokens) + 1
        self._width, self._not_blocks = width, {END, *_splits(ground)}
        self._parents, self._places, self._leaves = (
            array("i", [-1]),
            array("b", [-1]),
            array("i", [-1]),
        )
        self._first, self._next = array("i", [-1]), array("i", [-1])
        self._keys, self._key_size = bytearray(source_key), len(source_key)
        self._words = bytearray((NOTHING,) * width)
        self._blocks = bytearray(1)
        self._count = 0

    def behind(self, parent: int, key: bytes, word: bytes, place: int) -> int:
        """Return the node of a step; as a key holds all that leads to it, its parent's child."""
        size = len(key)
        node = self._first[parent]
        while node >= 0 and self._keys[node * size : (node + 1) * size] != key:
            node = self._next[node]
        if node >= 0:
            return node
        node = len(self._parents)
        for line, value in (
            (self._parents, parent),
            (self._places, place),
            (self._leaves, -1),
            (self._first, -1),
            (self._next, self._first[parent]),
        ):
            line.append(value)
        self._first[parent] = node
        self._blocks.append(word[-1] not in self._not_blocks)
        self._keys += key
        self._words += word.ljust(self._width, bytes((NOTHING,)))
        return node

    def key(self, node: int) -> bytes:
        """Return the key of a node's step."""
        size = self._key_size
        return bytes(self._keys[node * size : (node + 1) * size])

    def leaf(self, node: int) -> int:
        """Return the number of the sound at a node where paths end."""
        if self._leaves[node] < 0:
            self._leaves[node] = self._count
            self._count += 1
        return self._leaves[node]

    def tree(self) -> Tree:
        parents, places, leaves = (
            np.array(each, dtype=np.int32) for each in (self._parents, self._places, self._leaves)
        )
        words = np.frombuffer(self._words, dtype=np.uint8).reshape(-1, self._width)
        keys = np.frombuffer(self._keys, dtype=np.uint8).reshape(len(parents), -1)
        blocks = np.frombuffer(self._blocks, dtype=np.bool_)
        return Tree(parents, places, words, leaves, keys, blocks)


def _splits(ground: Ground) -> list[int]:
    return [token for token, blocks in enumerate(ground.tokens) if not blocks]


class _States:
    """What a word leads to and leaves to come: the node behind it, what drives it, what is placed.

    All words that are alike in this are one state; `after` says which state a token leads to, and
    `before` from which one the first of its words came.
    """

    def __init__(self, tokens: int) -> None:
        self._width = tokens + 1
        self.node, self.before = array("i", [0]), array("i", [-1])
        self._words, self._lengths = bytearray(tokens), array("b", [0])
        self._same_node, self._told = array("i", [-1]), array("q", [-1])
        self._of_node = array("i", [0])
        self._drivers: dict[object, int] = {}
        self._after = array("i", [-1] * self._width)

    def word(self, state: int) -> bytes:
        """Return the word that stands for a state, the first that led there."""
        start = state * (self._width - 1)
        return bytes(self._words[start : start + self._lengths[state]])

    def after(self, state: int, token: int) -> int:
        """Return what `token` leads to, -1 where that was not looked for yet."""
        return self._after[state * self._width + token]

    def set_after(self, state: int, token: int, to: int) -> None:
        """Keep what `token` leads to."""
        self._after[state * self._width + token] = to

    def of(self, node: int, drivers: object, before: int, token: int) -> int:
        """Return the state behind `token`, which comes behind state `before`."""
        word = self.word(before) + bytes((token,))
        driven = self._drivers.setdefault(drivers, len(self._drivers))
        told = driven << 32 | sum(1 << each for each in word)
        if node >= len(self._of_node):
            self._of_node.extend([-1] * (node + 1 - len(self._of_node)))
        first = state = self._of_node[node]
        while state >= 0 and self._told[state] != told:
            state = self._same_node[state]
        if state >= 0:
            return state
        state = self._of_node[node] = len(self.node)
        self.node.append(node)
        self.before.append(before)
        self._same_node.append(first)
        self._told.append(told)
        self._words += word.ljust(self._width - 1, bytes((NOTHING,)))
        self._lengths.append(len(word))
        self._after.extend([-1] * self._width)
        return state
