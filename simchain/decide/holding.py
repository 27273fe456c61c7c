"""Where a free move stops holding: the same two orders, played and set otherwise.

Under each condition both orders are rendered and judged on the changed board, as they were on the
board itself. A move holds where the word is still `same` or `free`, whichever of the two, and
where the turn of the level that goes with the move still leaves less than `free_move_lu`.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from threading import Event

from simchain.blocks import Block
from simchain.board import Board, Order
from simchain.chain.path import path_from
from simchain.chain.source import Source, source_of
from simchain.chain.steps import Path, Step
from simchain.chain.walk import walk
from simchain.decide.conditions import CONDITIONS, LEVELS_DB, Condition, changed
from simchain.decide.judge import FRAMES_AT_ONCE, FREE_WORDS, Cost, Judge, Judged, Sound


@dataclass(frozen=True)
class FreeMove:
    """Two orders that are free in a passage or song.

    `turn_db` is by how many dB the level is turned after the move from `a` to `b`: see `turn_for`.
    """

    a: Order
    b: Order
    turn_db: float = 0.0


@dataclass(frozen=True, eq=False)
class Held:
    """A free move under one condition in one passage or song, called `music`.

    `left_lu` is by how much the second order is louder, with the level turned as the move asks.
    """

    condition: Condition
    music: str
    judged: Judged
    left_lu: float
    holds: bool


@dataclass(frozen=True, eq=False)
class Tried:
    """Of each move what was found, and what all of it cost.

    A condition that changes nothing on the way of a move is not among what was found.
    """

    held: tuple[tuple[Held, ...], ...]
    cost: Cost


def turn_for(trims_lu: Sequence[float], free_move_lu: float) -> float | None:
    """Return by how many dB the level is to be turned after a move that changes it by `trims_lu`.

    0 where none is as much as `free_move_lu`; else what leaves all of them within it, or None
    where no one turn does.
    """
    if all(abs(trim) < free_move_lu for trim in trims_lu):
        return 0.0
    middle = (max(trims_lu) + min(trims_lu)) / 2.0
    within = math.isfinite(middle) and max(trims_lu) - middle < free_move_lu
    return -middle if within else None


def holding(
    board: Board,
    music: str,
    amp: str | None,
    moves: Sequence[FreeMove],
    *,
    is_song: bool = False,
    stop: Event | None = None,
    each: Callable[[Condition], None] | None = None,
) -> Tried:
    """Try `moves` in a passage or song under every condition in turn: see `tried`.

    `each` is called with every condition that is done.
    """
    found: list[tuple[Held, ...]] = [()] * len(moves)
    cost = Cost()
    for condition in CONDITIONS if moves else ():
        one = tried(board, condition, music, amp, moves, is_song=is_song, stop=stop)
        found = [held + more for held, more in zip(found, one.held, strict=True)]
        cost += one.cost
        if each:
            each(condition)
    return Tried(tuple(found), cost)


def tried(
    board: Board,
    condition: Condition,
    music: str,
    amp: str | None,
    moves: Sequence[FreeMove],
    *,
    is_song: bool = False,
    stop: Event | None = None,
) -> Tried:
    """Try `moves` in passage or song `music` on `amp` (None: into the mixer) under one condition.

    An order that is in several moves is rendered once, and what orders share is run once. Raises
    StoppedError once `stop` is set, and what rendering the board itself raises.
    """
    asked = _Asked(board, condition, music, amp, is_song)
    held: list[tuple[Held, ...]] = [()] * len(moves)
    cost = Cost()
    for batch in _batches(_trials(asked, moves)):
        source = asked.source(batch[0].board)
        paths = [path for trial in batch for path in trial.paths.values()]
        rendered = iter(walk(board, paths, source, stop=stop))
        cost += Cost(renders=len(paths))
        for trial in batch:
            sounds = {order: Sound(next(rendered)) for order in trial.paths}
            judge = Judge(trial.board, music, amp, is_song=is_song, stop=stop)
            pairs = [(sounds[moves[each].a], sounds[moves[each].b]) for each in trial.moves]
            for number, found in zip(trial.moves, judge.judged(pairs), strict=True):
                held[number] = (_held(asked, moves[number], found),)
            cost += judge.cost
    return Tried(tuple(held), cost)


@dataclass(frozen=True, eq=False)
class _Asked:
    """What is tried, and where."""

    board: Board
    condition: Condition
    music: str
    amp: str | None
    is_song: bool

    def source(self, board: Board) -> Source:
        return source_of(board, self.music, song=self.is_song)


@dataclass(frozen=True, eq=False)
class _Trial:
    """Moves, by number, on one changed board: their orders' paths, and how long they last."""

    board: Board
    moves: tuple[int, ...]
    paths: dict[Order, Path]
    frames: int


def _held(asked: _Asked, move: FreeMove, found: Judged) -> Held:
    left_lu = found.difference.trim_lu + move.turn_db
    near = abs(left_lu) < asked.board.judging.free_move_lu
    holds = near and found.score.verdict in FREE_WORDS
    return Held(asked.condition, asked.music, found, left_lu, holds)


def _trials(asked: _Asked, moves: Sequence[FreeMove]) -> Iterator[_Trial]:
    """Yield what is to be rendered: on each changed board the moves on whose way it matters."""
    before, _ = _paths(asked, asked.board, moves)
    together: dict[frozenset[str], list[int]] = {}
    for number, move in enumerate(moves):
        turns = asked.condition in LEVELS_DB
        names = moved_blocks(before[move.a], before[move.b]) if turns else frozenset()
        together.setdefault(names, []).append(number)
    for names, numbers in together.items():
        board = changed(asked.board, asked.condition, sorted(names))
        after, frames = _paths(asked, board, [moves[number] for number in numbers])
        others = {order for order, path in after.items() if _end(path) != _end(before[order])}
        touched = tuple(n for n in numbers if others & {moves[n].a, moves[n].b})
        wanted = {order for n in touched for order in (moves[n].a, moves[n].b)}
        paths = {order: path for order, path in after.items() if order in wanted}
        if touched:
            yield _Trial(board, touched, paths, frames)


def _paths(asked: _Asked, board: Board, moves: Sequence[FreeMove]) -> tuple[dict[Order, Path], int]:
    """Return the path of each order of `moves`, and the frames of what goes down them."""
    source = asked.source(board)
    orders = dict.fromkeys(order for move in moves for order in (move.a, move.b))
    paths = {order: path_from(source, board, order, asked.amp) for order in orders}
    return paths, source.taken().shape[1]


def _end(path: Path) -> bytes:
    return path.steps[-1].key


def _batches(trials: Iterator[_Trial]) -> Iterator[list[_Trial]]:
    """Yield as many trials at once as memory allows: they share the starts of their paths."""
    batch: list[_Trial] = []
    for trial in trials:
        orders = sum(len(each.paths) for each in (*batch, trial))
        if batch and orders * trial.frames > FRAMES_AT_ONCE:
            yield batch
            batch = []
        batch.append(trial)
    if batch:
        yield batch


def moved_blocks(a: Path, b: Path) -> frozenset[str]:
    """Return the blocks that are ever on and stand where two paths differ.

    Places are counted along the path; the amplifier has its own among them.
    """
    steps = zip_longest(a.steps, b.steps)
    apart = [pair for pair in steps if _name(pair[0]) != _name(pair[1])]
    return frozenset(
        step.name
        for pair in apart
        for step in pair
        if step and isinstance(step.unit, Block) and not step.gate.is_never_on
    )


def _name(step: Step | None) -> str:
    return step.name if step else ""
