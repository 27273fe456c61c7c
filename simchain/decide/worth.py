"""What each block of an order is worth: what is lost without it, passage by passage.

A block is taken out by its switch (see `without`): it stays on the path, and what is lost is what
it does while it is on.
"""

import itertools
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from threading import Event
from typing import Literal

from simchain.board import Board, Judging, Order
from simchain.chain.path import named_order
from simchain.chain.render import amp_name
from simchain.chain.unchanged import of_unchanged_sounds
from simchain.decide.best_four import FOUR, kept_by_each_four
from simchain.decide.in_use import InUse, Played, is_heard, played
from simchain.decide.judge import VERDICTS, Cost
from simchain.decide.parallel import Stop, in_parallel
from simchain.decide.without import Listener, Lost, Without
from simchain.errors import RequestError

Class = Literal["always_on", "switched", "essential", "rarely"]
Progress = Callable[[int, int, str], None]

# Passages rendered in all, singles first; where these alone take more than half, twice as many.
MOST_RENDERS = 60
# Choices of four that are rendered to see what is lost with them.
CHECKED = 3
# A block on for less than this share of the time has to be missed clearly to earn its place.
SELDOM = 0.1
# A choice of four that keeps as much as another within this is told apart by its render.
_EQUAL = 0.01


@dataclass(frozen=True, eq=False)
class BlockWorth:
    """One block: how it is used, and what each passage in which it is ever on loses without it."""

    use: InUse
    lost: dict[str, Lost]
    judged_as: Class

    @property
    def worst(self) -> Lost | None:
        """The passage that decides its verdict; None where it is never on."""
        return max(self.lost.values(), key=_by_word, default=None)


@dataclass(frozen=True, eq=False)
class Four:
    """Four blocks, the share of what all do that they keep, and what is lost by the others' going.

    `lost` has the passages in which others are ever on; None where it was not rendered.
    """

    blocks: tuple[str, ...]
    kept: float
    lost: dict[str, Lost] | None


@dataclass(frozen=True, eq=False)
class Worth:
    """All blocks of one order on one amplifier (None: into the mixer).

    `pairs` are two blocks that were switched off together, as neither is missed alone. `best` are
    the choices of four that keep most. `renders` counts passages rendered in an order, equal ones
    once; `cost` has what else it took.
    """

    board: Board
    order_name: str
    order: Order
    amp: str | None
    passages: tuple[str, ...]
    blocks: dict[str, BlockWorth]
    pairs: tuple[Lost, ...]
    best: tuple[Four, ...]
    renders: int
    cost: Cost
    warnings: tuple[str, ...]


@of_unchanged_sounds
def worth(
    board: Board,
    order: str | Order,
    *,
    passages: Sequence[str] | None = None,
    amp: str | None = None,
    progress: Progress | None = None,
    stop: Event | None = None,
) -> Worth:
    """Find what each block of `order` does over `passages` (default all) on `amp`.

    Each block that is ever on in a passage is switched off there and the passage judged against
    itself as it is. Two that are hardly missed alone are switched off together, and the best
    choices of four are rendered, as far as `MOST_RENDERS` goes. `progress` is called with parts
    done, parts there are, and what was done.

    Raises RequestError for names that the board does not have, for one without passages, and for an
    order of fewer than four blocks; ClipError for clips; StoppedError once `stop` is set.
    """
    name, given = named_order(board, order)
    end = amp_name(board, amp)
    chosen = tuple(dict.fromkeys(passages or board.passages))
    if not chosen:
        raise RequestError("the board has no passages to tell from what its blocks are worth")
    if len(given.blocks) < FOUR:
        raise RequestError(
            f"order '{name}' has {len(given.blocks)} blocks; the best four are chosen from "
            "four or more"
        )
    work = _Work(board, given, end, played(board, chosen), progress, Stop(stop))
    singles = {passage: [frozenset((block,)) for block in work.on[passage]] for passage in chosen}
    work.hear(singles, "each block off", told=True)
    room = max(MOST_RENDERS, 2 * work.renders) - work.renders - CHECKED * len(chosen)
    work.hear(_pairs(work, room), "two blocks off", told=False)
    return Worth(
        board,
        name,
        given,
        end,
        chosen,
        {block: _worth_of(work, block) for block in given.blocks},
        tuple(lost for key, lost in work.lost.items() if len(key[1]) == 2),
        _best(work),
        work.renders,
        sum((one.judge.cost for one in work.listeners.values()), start=Cost()),
        tuple(dict.fromkeys(text for one in work.listeners.values() for text in one.warnings)),
    )


def class_of(
    use: InUse, missed: Mapping[str, float], weights: Mapping[str, float], judging: Judging
) -> Class:
    """Say what a block is; `missed` has the passages it is ever on in, `weights` all there are.

    Passages that count for nothing are left out. `rarely`: it is never missed, or is on for less
    than a tenth of the time and not missed clearly. `always_on`: it is on throughout.
    `essential`: missed in one passage of several, and clearly there. `switched`: all others.
    """
    counted = [size for passage, size in missed.items() if weights[passage] > 0.0]
    heard = [size for size in counted if size >= judging.free_below]
    most = max(heard, default=0.0)
    if not heard or (use.on_share < SELDOM and most <= judging.clear_above):
        return "rarely"
    if use.on_share == 1.0:
        return "always_on"
    if len(heard) == 1 and most > judging.clear_above and len(weights) > 1:
        return "essential"
    return "switched"


@dataclass(eq=False)
class _Work:
    """What is known so far, and who hears more."""

    board: Board
    order: Order
    amp: str | None
    played: Played
    progress: Progress | None
    stop: Event
    lost: dict[tuple[str, Without], Lost] = field(default_factory=dict)

    def __post_init__(self) -> None:
        timelines = self.played.timelines
        self.listeners = {
            passage: Listener(self.board, self.order, self.amp, passage, self.stop)
            for passage in timelines
        }
        self.on = {
            passage: [name for name in self.order.blocks if is_heard(timeline, name)]
            for passage, timeline in timelines.items()
        }

    @property
    def renders(self) -> int:
        return sum(one.renders for one in self.listeners.values())

    def hear(self, wanted: Mapping[str, Collection[Without]], what: str, *, told: bool) -> None:
        """Find what passages lose without the `wanted` blocks, where that is not known yet."""
        missing = [
            (passage, [each for each in sets if (passage, each) not in self.lost])
            for passage, sets in wanted.items()
        ]
        jobs = [(passage, sets) for passage, sets in missing if sets]

        def work(job: tuple[str, list[Without]]) -> list[Lost]:
            return self.listeners[job[0]].lost(job[1], told=told)

        def done(number: int, job: tuple[str, list[Without]]) -> None:
            if self.progress:
                self.progress(number, len(jobs), f"{job[0]}, {what}")

        for found in in_parallel(work, jobs, each=done) if jobs else ():
            self.lost |= {(one.passage, one.without): one for one in found}

    def weights(self) -> dict[str, float]:
        """Return how much passages count; all the same where none counts anything."""
        given = dict(self.played.weights)
        return given if any(given.values()) else dict.fromkeys(given, 1.0)


def _pairs(work: _Work, room: int) -> dict[str, list[Without]]:
    """Return the pairs of which neither is missed alone, those of weighty passages first."""
    least, weights = work.board.judging.free_below, work.weights()
    found = [
        (passage, frozenset(pair))
        for passage, blocks in sorted(work.on.items(), key=lambda item: -weights[item[0]])
        for pair in itertools.combinations(blocks, 2)
        if all(work.lost[passage, frozenset((name,))].missed < least for name in pair)
    ]
    wanted: dict[str, list[Without]] = {}
    for passage, pair in found[: max(0, room)]:
        wanted.setdefault(passage, []).append(pair)
    return wanted


def _worth_of(work: _Work, block: str) -> BlockWorth:
    single = frozenset((block,))
    lost = {passage: one for (passage, without), one in work.lost.items() if without == single}
    use = work.played.in_use(block)
    missed = {passage: one.missed for passage, one in lost.items()}
    return BlockWorth(use, lost, class_of(use, missed, work.weights(), work.board.judging))


def _best(work: _Work) -> tuple[Four, ...]:
    """Choose fours by what is known, and render what is lost with the best of them."""
    clear, weights = work.board.judging.clear_above, work.weights()
    shares = {key: min(1.0, lost.missed / clear) for key, lost in work.lost.items()}
    fours = kept_by_each_four(work.order.blocks, weights, shares)[:CHECKED]
    gone = [frozenset(work.order.blocks) - set(choice) for choice, _ in fours]
    wanted = {
        passage: list(dict.fromkeys(off for off in (each & set(on) for each in gone) if off))
        for passage, on in work.on.items()
    }
    work.hear(wanted, "four blocks left", told=False)
    found = []
    for (choice, kept), off in zip(fours, gone, strict=True):
        lost = {p: work.lost[p, off & set(on)] for p, on in work.on.items() if off & set(on)}
        found.append(Four(choice, kept, lost))
    found.sort(key=lambda four: (-round(four.kept / _EQUAL), _missed_in_all(four, weights, clear)))
    return tuple(found)


def _missed_in_all(four: Four, weights: Mapping[str, float], clear: float) -> float:
    lost = four.lost or {}
    return sum(weights[passage] * min(clear, one.missed) for passage, one in lost.items())


def _by_word(lost: Lost) -> tuple[int, float]:
    score = lost.judged.score
    return VERDICTS.index(score.verdict), score.score
