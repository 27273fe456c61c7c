"""Orders of a comparison that are free of one another, tried played and set otherwise."""

import itertools
from collections.abc import Callable, Mapping, Sequence
from threading import Event

from simchain.board import Board, Order
from simchain.decide.comparison import FreePair, Music, Pair
from simchain.decide.conditions import CONDITIONS, Condition
from simchain.decide.holding import FreeMove, Held, Tried, tried, turn_for
from simchain.decide.judge import FREE_WORDS
from simchain.decide.parallel import Stop, in_parallel

Progress = Callable[[int, int, str], None]
Key = tuple[str, str, str | None]


def free_pairs(
    board: Board,
    orders: Mapping[str, Order],
    music: Sequence[Music],
    pairs: Sequence[Pair],
    progress: Progress | None = None,
    told_to: Event | None = None,
) -> tuple[FreePair, ...]:
    """Try each pair of `orders` that is free in all of `music` under every condition, there.

    `pairs` are judged. `progress` is called with parts done, parts there are, and what was done.
    Raises StoppedError once `told_to` is set.
    """
    free = {key: found for key, found in _by_orders(pairs).items() if _is_free(found)}
    limit = board.judging.free_move_lu
    turns = {key: turn_for([one.trim_lu for one in found], limit) for key, found in free.items()}
    amps = dict.fromkeys(amp for _, _, amp in free)
    jobs = list(itertools.product(CONDITIONS, music, amps))
    stop = Stop(told_to)

    def moves_on(amp: str | None, where: Music) -> dict[Key, FreeMove]:
        return {
            key: FreeMove(orders[key[0]], orders[key[1]], _turn(free[key], turns[key], where))
            for key in free
            if key[2] == amp
        }

    def work(job: tuple[Condition, Music, str | None]) -> Tried:
        condition, where, amp = job
        moves = list(moves_on(amp, where).values())
        return tried(board, condition, where.name, amp, moves, is_song=where.is_song, stop=stop)

    def told(done: int, job: tuple[Condition, Music, str | None]) -> None:
        if progress:
            progress(done, len(jobs), f"{job[1].label}: {job[0].replace('_', ' ')}")

    held: dict[Key, list[Held]] = {key: [] for key in free}
    results = in_parallel(work, jobs, stop=stop, each=told)
    for (_, where, amp), result in zip(jobs, results, strict=True):
        for key, found in zip(moves_on(amp, where), result.held, strict=True):
            held[key] += found
    return tuple(FreePair(*key, turns[key], tuple(held[key])) for key in free)


def _by_orders(pairs: Sequence[Pair]) -> dict[Key, list[Pair]]:
    found: dict[Key, list[Pair]] = {}
    for pair in pairs:
        found.setdefault((pair.a, pair.b, pair.amp), []).append(pair)
    return found


def _is_free(pairs: Sequence[Pair]) -> bool:
    return all(pair.score is not None and pair.score.verdict in FREE_WORDS for pair in pairs)


def _turn(pairs: Sequence[Pair], turn_db: float | None, where: Music) -> float:
    """Return by how many dB the level is turned: where no one turn serves, here alone."""
    if turn_db is not None:
        return turn_db
    return -next(pair.trim_lu for pair in pairs if pair.passage == where.label)
