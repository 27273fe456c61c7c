"""The walk down many orders at once: what orders share at their beginning is rendered once.

A `Tree` says which steps there are and which follows which, a node for each different sound, as
words of tokens; `grow` runs them, depth-first, one buffer a level, so that memory does not depend
on the number of orders. A `Branch` is a part of the tree with the sound at its root, and can be
grown anywhere: in another thread, or on another machine.
"""

import math
from array import array
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from threading import Event
from time import perf_counter
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block
from simchain.chain.path import Laying
from simchain.chain.source import Source
from simchain.chain.step import Tally
from simchain.chain.steps import PAIR, Step
from simchain.chain.timeline import Timeline
from simchain.chain.walk import StoppedError, full_scale_volts
from simchain.chain.walker import Walker
from simchain.signal import Volts

Ints = NDArray[np.int32]
Bytes = NDArray[np.uint8]
Found = TypeVar("Found")

# What a token of a word stands for: the blocks that are laid, in this sequence; none is the split.
Tokens = Sequence[tuple[str, ...]]
END = 255
NOTHING = 254


class Heard(NamedTuple):
    """What stands at the end of a path: shape (2, frames), full scale 1, at `rate`.

    `clipping` are the blocks whose rails are touched on the way, `room_db` the least headroom of
    any, infinite without rails.
    """

    samples: Volts
    rate: int
    room_db: float
    clipping: frozenset[str]


@dataclass(frozen=True, eq=False)
class Ground:
    """What all branches of a tree grow on: one sound on one amplifier, in some blocks' orders.

    `timeline` is that of the passage (or song) on the board that is rendered. `read` is what is
    wanted of the sound at the end of each path.
    """

    timeline: Timeline
    tokens: tuple[tuple[str, ...], ...]
    amp: str | None
    source_key: bytes
    channels: int
    noisy: bool
    read: Callable[[Heard], Any]
    turn: float = 0.0

    @classmethod
    def of(
        cls,
        source: Source,
        tokens: Tokens,
        amp: str | None,
        read: Callable[[Heard], Any],
        *,
        turn: float = 0.0,
    ) -> "Ground":
        """Return the ground for `source`."""
        return cls(
            source.timeline,
            tuple(tokens),
            amp,
            source.key,
            source.channels,
            source.noisy,
            read,
            turn,
        )

    def bare(self) -> Laying:
        """Return a path of which nothing is laid yet but the guitar's cable."""
        return Laying(
            self.timeline,
            self.amp,
            source_key=self.source_key,
            channels=self.channels,
            turn=self.turn,
            noisy=self.noisy,
        )

    def lay(self, laying: Laying, token: int) -> None:
        """Lay the blocks of a token, the split, or the end."""
        if token == END:
            laying.end()
        elif self.tokens[token]:
            for name in self.tokens[token]:
                laying.add(name)
        else:
            laying.split()

    @property
    def joins_dry(self) -> bool:
        """Whether an amplifier of this ground has a parallel loop."""
        amps = self.timeline.board.amps
        return any(amps[name].loop_mix < 1.0 for name in (self.amp or "").split(PAIR) if name)


class Tree(NamedTuple):
    """Nodes, one for each step that is run: parents before children, node 0 is the source.

    The step of node i is the one numbered `places[i]` of the path that the word `words[i]` lays,
    which is filled up with `NOTHING` behind its last token. `leaves[i]` numbers the sounds that are
    read, -1 elsewhere. `keys[i]` is the step's key. `blocks[i]` says whether it is a block's: not
    of the amplifier, nor the end.
    """

    parents: Ints
    places: Ints
    words: Bytes
    leaves: Ints
    keys: Bytes
    blocks: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Branch:
    """A part of a tree: `nodes` of it, each after its parent, and a walker that stands at `root`.

    `nodes` are rows of node, parent, place and leaf; `words` go with them.
    """

    root: int
    walker: Walker
    nodes: Ints
    words: Bytes


@dataclass(eq=False)
class Grown:
    """What became of some nodes.

    `read` holds what was read at each leaf. `peaks` holds, for nodes that are blocks with rails,
    the peak volts on the input and behind the level: rows of node, in, out. `tally` counts the
    units run; `reading_s` is what reading took, in seconds of one core.
    """

    read: dict[int, Any] = field(default_factory=dict)
    nodes: list[int] = field(default_factory=list)
    peaks: list[tuple[float, float]] = field(default_factory=list)
    tally: Tally = field(default_factory=Tally)
    reading_s: float = 0.0


class Layer:
    """Lays one word after another; what two words in a row share is laid once."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._word = b""
        self._stack = [ground.bare()]

    def laid(self, word: bytes) -> Laying:
        """Return the path that a word lays; it is not to be laid on."""
        shared = 0
        while shared < min(len(word), len(self._word)) and word[shared] == self._word[shared]:
            shared += 1
        del self._stack[shared + 1 :]
        for token in word[shared:]:
            here = self._stack[-1].fork()
            self._ground.lay(here, token)
            self._stack.append(here)
        self._word = word
        return self._stack[-1]


class _Runner:
    """Runs nodes of a tree on one ground, and notes what became of them."""

    def __init__(self, ground: Ground, stop: Event | None) -> None:
        self.ground, self.stop = ground, stop
        self.layer = Layer(ground)
        self.grown = Grown()

    def run(self, node: int, word: Bytes, place: int, leaf: int, here: Walker) -> None:
        """Go through the step of a node; note its peaks, and read what stands at a leaf."""
        if self.stop is not None and self.stop.is_set():
            raise StoppedError
        laid = self.layer.laid(word.tobytes().rstrip(bytes((NOTHING,)))).steps[: place + 1]
        step = laid[-1]
        passed = here.pass_through(step)
        if isinstance(step.unit, Block):
            room = passed.headroom_in
            peak_in = room.ceiling_volts / 10.0 ** (room.db / 20.0) if room else math.nan
            self.grown.nodes.append(node)
            self.grown.peaks.append((peak_in, peak_of(passed.volts)))
        if leaf >= 0:
            self._read(leaf, laid, here)

    def _read(self, leaf: int, laid: Sequence[Step], here: Walker) -> None:
        begun = perf_counter()
        board = self.ground.timeline.board
        rooms = list(_rooms(laid, here))
        heard = Heard(
            here.samples(full_scale_volts(board, self.ground.amp)),
            board.rate,
            min((db for _, db in rooms), default=math.inf),
            frozenset(name for name, db in rooms if db < 0.0),
        )
        self.grown.read[leaf] = self.ground.read(heard)
        self.grown.reading_s += perf_counter() - begun


def branches(
    ground: Ground,
    tree: Tree,
    volts: Volts,
    largest: int,
    *,
    wanted: NDArray[np.bool_] | None = None,
    stop: Event | None = None,
) -> Iterator[Branch | Grown]:
    """Run what is shared by parts of more than `largest` nodes, and yield those parts.

    `volts` are the sound at the source; it is not written to. `wanted` are the nodes to be run,
    None for all; those above them are run too. What became of the nodes run here comes last.
    """
    runner = _Runner(ground, stop)
    sizes, (starts, below) = _sizes(tree, wanted), _children(tree.parents)

    def children(node: int) -> list[int]:
        return [int(each) for each in below[starts[node] : starts[node + 1]] if sizes[each]]

    def descend(node: int, here: Walker) -> Iterator[Branch]:
        here.share()
        large = [child for child in children(node) if sizes[child] > largest]
        small = [child for child in children(node) if sizes[child] <= largest]
        for part in _packed(small, sizes, largest):
            yield _branch(tree, node, here.fork(), _all_below(part, children))
        for child in large:
            ahead = here.fork()
            place, leaf = int(tree.places[child]), int(tree.leaves[child])
            runner.run(child, tree.words[child], place, leaf, ahead)
            yield from descend(child, ahead)

    walker = Walker(volts, needs_dry=ground.joins_dry, metered=False, tally=runner.grown.tally)
    yield from descend(0, walker)
    yield runner.grown


def grow(ground: Ground, branch: Branch, stop: Event | None = None) -> Grown:
    """Run all nodes of a branch. Raises StoppedError before the next one once `stop` is set."""
    runner = _Runner(ground, stop)
    nodes, parents, places, leaves = branch.nodes.T.tolist()
    row_of = {node: row for row, node in enumerate(nodes)}
    children: dict[int, list[int]] = {}
    for row, parent in enumerate(parents):
        children.setdefault(row_of.get(parent, -1), []).append(row)

    def descend(row: int, here: Walker) -> None:
        below = children.get(row, [])
        if len(below) > 1:
            here.share()
        for child in below:
            ahead = here if child == below[-1] else here.fork()
            runner.run(nodes[child], branch.words[child], places[child], leaves[child], ahead)
            descend(child, ahead)

    start = branch.walker.fork()
    start.tally = runner.grown.tally
    start.share()
    descend(-1, start)
    return runner.grown


def _rooms(laid: Sequence[Step], here: Walker) -> Iterator[tuple[str, float]]:
    """Yield the headroom at the input and the output of each step that has some, in dB."""
    for step in laid:
        for place in (step.input, step.out):
            if (room := here.headroom.get(place)) is not None:
                yield step.name, room.db


def peak_of(volts: Volts) -> float:
    """Return the largest distance from 0 V in any channel."""
    return max(float(volts.max()), -float(volts.min()))


def _branch(tree: Tree, root: int, walker: Walker, nodes: list[int]) -> Branch:
    rows = np.array(nodes, dtype=np.int32)
    table = np.column_stack((rows, tree.parents[rows], tree.places[rows], tree.leaves[rows]))
    return Branch(root, walker, table, tree.words[rows])


def _children(parents: Ints) -> tuple[Ints, Ints]:
    """Return where each node's children begin in a list of all of them, and that list."""
    below = np.argsort(parents, kind="stable").astype(np.int32)[1:]
    starts = np.searchsorted(parents[below], np.arange(len(parents) + 1)).astype(np.int32)
    return starts, below


def _sizes(tree: Tree, wanted: NDArray[np.bool_] | None) -> Ints:
    """Return how many nodes must be run below each node, itself included."""
    mine = np.ones(len(tree.parents), dtype=np.int32) if wanted is None else wanted
    sizes = array("i", mine.astype(np.int32).tobytes())
    for node in range(len(sizes) - 1, 0, -1):
        if sizes[node]:
            parent = tree.parents[node]
            sizes[parent] = max(sizes[parent], 1) + sizes[node]
    return np.array(sizes, dtype=np.int32)


def _all_below(nodes: Sequence[int], children: Callable[[int], list[int]]) -> list[int]:
    """Return some nodes and all below them, each after its parent."""
    found, left = [], list(reversed(nodes))
    while left:
        here = left.pop()
        found.append(here)
        left.extend(reversed(children(here)))
    return found


def _packed(nodes: Sequence[int], sizes: Ints, largest: int) -> Iterator[list[int]]:
    """Put nodes together as long as their parts have no more than `largest` nodes together."""
    part: list[int] = []
    held = 0
    for node in nodes:
        if part and held + sizes[node] > largest:
            yield part
            part, held = [], 0
        part.append(node)
        held += int(sizes[node])
    if part:
        yield part
