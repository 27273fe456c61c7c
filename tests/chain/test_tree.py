"""One walk down many orders: the same sounds however the tree is cut, and no more than is wanted.

The trees here are made without a plan: a node for each different beginning of the words.
"""

import math
import pickle
from collections.abc import Callable
from threading import Event

import numpy as np
import pytest

from simchain.chain.tree import END, NOTHING, Branch, Heard, Layer, Tree, branches, grow
from simchain.chain.walk import StoppedError
from tests.chain.conftest import MakeBoard
from tests.growing import Field, peaks_of, sound_of

BOARD = """[blocks]
push = { kind = "boost", gain_db = 26 }
grit = { kind = "drive", rail_volts = 1.0 }
room = { kind = "reverb", decay_s = 0.2, outputs = 2, bypass = "buffered" }
[amps.mine]
loop_mix = 0.5
[orders.o]
front = ["push", "grit", "room"]
[passages.p]
on = ["push", "grit", "room"]
events = [{ at = 0.01, block = "grit", do = "off" }]
"""


def tree_of(field: Field) -> Tree:
    """Return a tree of all words: a node for each different step."""
    layer, width = Layer(field.ground), len(field.ground.tokens) + 1
    rows, node_of, leaves = [(-1, -1)], {field.ground.source_key: 0}, [-1]
    words, keys = [b""], [field.ground.source_key]
    for number, word in enumerate(field.words):
        parent = 0
        for place, step in enumerate(layer.laid(word.tobytes() + bytes((END,))).steps):
            if step.key not in node_of:
                node_of[step.key] = len(rows)
                rows.append((parent, place))
                words.append(word.tobytes() + bytes((END,)))
                keys.append(step.key)
                leaves.append(-1)
            parent = node_of[step.key]
        assert leaves[parent] < 0
        leaves[parent] = number
    parents, places = np.array(rows, dtype=np.int32).T
    padded = b"".join(word.ljust(width, bytes((NOTHING,))) for word in words)
    return Tree(
        parents,
        places,
        np.frombuffer(padded, np.uint8).reshape(-1, width),
        np.array(leaves, dtype=np.int32),
        np.frombuffer(b"".join(keys), np.uint8).reshape(len(keys), -1),
        np.ones(len(rows), dtype=np.bool_),
    )


@pytest.fixture(params=[None, "mine"])
def field(request: pytest.FixtureRequest, make_board: MakeBoard, noise: np.ndarray) -> Field:
    return Field(make_board(BOARD, noise[:, :2400], links="real"), request.param)


def units(field: Field, tree: Tree) -> int:
    """How many nodes are units; the input of a mixer is none."""
    return len(tree.parents) - 1 - (field.amp is None) * int((tree.leaves >= 0).sum())


@pytest.mark.parametrize("largest", [1, 2, 5, 10_000])
def test_however_it_is_cut_the_sounds_are_the_same(field: Field, largest: int) -> None:
    tree = tree_of(field)
    before = field.volts.copy()
    whole, cut = field.grown(tree, len(tree.parents)), field.grown(tree, largest)
    assert sorted(cut.read) == sorted(whole.read) == list(range(len(field.words)))
    assert all(np.array_equal(cut.read[leaf], whole.read[leaf]) for leaf in whole.read)
    np.testing.assert_array_equal(peaks_of(tree, cut), peaks_of(tree, whole))
    assert cut.tally.units == whole.tally.units == units(field, tree)
    np.testing.assert_array_equal(field.volts, before)


def test_branches_are_no_larger_than_asked_and_share_no_node(field: Field) -> None:
    tree = tree_of(field)
    *parts, shared = branches(field.ground, tree, field.volts, 5)
    assert all(isinstance(part, Branch) and len(part.nodes) <= 5 for part in parts)
    nodes = [node for part in parts for node in part.nodes[:, 0].tolist()]
    assert len(nodes) == len(set(nodes))
    run_here = len(tree.parents) - 1 - len(nodes)
    assert shared.tally.units == run_here > 0


def test_each_order_is_what_it_is_alone(field: Field) -> None:
    tree = tree_of(field)
    nulls_db = field.nulls_db(np.arange(len(field.words), dtype=np.int32), field.grown(tree).read)
    print(f"{len(nulls_db)} orders, worst null {nulls_db.max():.0f} dB")
    assert nulls_db.max() < -250


def room_of(heard: Heard) -> tuple[float, frozenset[str]]:
    return heard.room_db, heard.clipping


def test_headroom_and_peaks_are_those_of_the_test_points(
    make_board: MakeBoard, noise: np.ndarray
) -> None:
    field = Field(make_board(BOARD, noise[:, :2400], links="real"), read=room_of)
    tree = tree_of(field)
    grown = field.grown(tree, 5)
    peaks, clips = peaks_of(tree, grown), 0
    for number, word in enumerate(field.words):
        points = field.alone(word.tolist()).points
        rooms = {n: p.headroom.db for n, p in points.items() if p.headroom is not None}
        clipping = {name.partition(".")[0] for name, db in rooms.items() if db < 0}
        assert grown.read[number] == (pytest.approx(min(rooms.values())), clipping)
        clips += bool(clipping)
        node = int(tree.parents[np.flatnonzero(tree.leaves == number)[0]])
        names = [field.ground.tokens[token][0] for token in word]
        while node:
            step = Layer(field.ground).laid(tree.words[node].tobytes()).steps[tree.places[node]]
            assert step.name in names
            if step.name != "grit":  # what leaves a switched one is not heard all the time
                out = max(level.peak_volts for level in points[f"{step.name}.out"].channels)
                assert peaks[node, 1] == pytest.approx(out, rel=1e-9)
                if math.isfinite(peaks[node, 0]) and step.name != "room":
                    came = max(level.peak_volts for level in points[f"{step.name}.in"].channels)
                    assert peaks[node, 0] == pytest.approx(came, rel=1e-9)
            node = int(tree.parents[node])
    assert clips > 0


def test_only_what_is_wanted_is_run_and_what_leads_there(field: Field) -> None:
    tree = tree_of(field)
    whole = field.grown(tree)
    for leaf in (0, 2, len(field.words) - 1):
        wanted = tree.leaves == leaf
        on_the_way, node = 0, int(np.flatnonzero(wanted)[0])
        while node:
            on_the_way, node = on_the_way + 1, int(tree.parents[node])
        for largest in (1, 100):
            found = field.grown(tree, largest, wanted=wanted)
            assert list(found.read) == [leaf]
            assert np.array_equal(found.read[leaf], whole.read[leaf])
            assert found.tally.units == on_the_way - (field.amp is None)
    nothing = field.grown(tree, 10, wanted=np.zeros(len(tree.parents), dtype=np.bool_))
    assert (nothing.read, nothing.tally.units) == ({}, 0)


@pytest.mark.parametrize("largest", [1, 10_000])
def test_it_stops_when_told(make_board: MakeBoard, noise: np.ndarray, largest: int) -> None:
    stop = Event()
    heard: list[int] = []

    def read(_: Heard) -> None:
        heard.append(1)
        if len(heard) == 3:
            stop.set()

    field = Field(make_board(BOARD, noise[:, :480]), read=read)
    tree = tree_of(field)

    def all_of(stop: Event) -> None:
        for part in branches(field.ground, tree, field.volts, largest, stop=stop):
            if isinstance(part, Branch):
                grow(field.ground, part, stop)

    with pytest.raises(StoppedError):
        all_of(stop)
    assert len(heard) == 3
    with pytest.raises(StoppedError):
        all_of(stop)
    assert len(heard) == 3


@pytest.mark.parametrize("sent", [lambda thing: thing, lambda it: pickle.loads(pickle.dumps(it))])
def test_a_branch_grows_the_same_bytes_again_and_elsewhere(
    field: Field, sent: Callable[[object], object]
) -> None:
    """As it is sent to another process: the ground, and the branch with the sound at its root."""
    parts = [
        part
        for part in branches(field.ground, tree_of(field), field.volts, 4)
        if isinstance(part, Branch)
    ]
    assert len(parts) > 2
    for part in parts:
        first = grow(field.ground, part)
        there = grow(sent(field.ground), sent(part))
        assert first.read.keys() == there.read.keys()
        assert all(np.array_equal(first.read[leaf], there.read[leaf]) for leaf in first.read)
        assert (first.nodes, first.tally.units) == (there.nodes, there.tally.units)
        np.testing.assert_array_equal(first.peaks, there.peaks)
    assert field.ground.read is sound_of
