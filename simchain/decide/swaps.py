"""Exchanges of blocks in one order: proved the same, or judged, passage by passage."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from threading import Event, Lock

from simchain.board import Board, Order, broken_rules, split_boxes
from simchain.chain.path import named_order
from simchain.chain.render import amp_name
from simchain.chain.timeline import timeline_of_passage
from simchain.chain.unchanged import of_unchanged_sounds
from simchain.decide.conditions import CONDITIONS, Condition
from simchain.decide.difference import Difference
from simchain.decide.exchanges import Exchange, exchanges
from simchain.decide.holding import FreeMove, Held, Tried, tried, turn_for
from simchain.decide.judge import FREE_WORDS, VERDICTS, Cost, Judge, Judged
from simchain.decide.parallel import in_parallel
from simchain.decide.proof import PROOF_NULL_DB, why_not_proved
from simchain.decide.score import Score
from simchain.errors import RequestError

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, eq=False)
class Swap:
    """One exchange in one passage; the exchanged order is measured against the given one.

    `why_not` says why it is not proved the same, None where it is.
    """

    exchange: Exchange
    passage: str
    judged: Judged
    why_not: str | None

    @property
    def difference(self) -> Difference:
        """The plain difference."""
        return self.judged.difference

    @property
    def score(self) -> Score:
        """How far it is expected to be heard."""
        return self.judged.score

    @property
    def proved(self) -> bool:
        """Whether it is proved to give the same sound."""
        return self.why_not is None


@dataclass(frozen=True, eq=False)
class Exchanged:
    """One exchange over all passages in which it was judged.

    `order` is the order after it. `swaps` are the passages in which the blocks are neighbours,
    `also` others in which it changes the sequence of what is on: these are judged too where it is
    free so far, since a block has one place in all passages. `not_judged` are those that were not.
    `breaks` are the rules and boxes that it would break. `held` says what became of a free one
    when it was played and set otherwise; None where that was not tried.
    """

    exchange: Exchange
    order: Order
    swaps: tuple[Swap, ...]
    breaks: tuple[str, ...] = ()
    not_judged: tuple[str, ...] = ()
    also: tuple[Swap, ...] = ()
    held: tuple[Held, ...] | None = None

    @property
    def everywhere(self) -> tuple[Swap, ...]:
        """All passages in which it was judged."""
        return self.swaps + self.also

    @property
    def worst(self) -> Swap:
        """The passage that decides: the strongest word, and the highest score in it."""
        return max(
            self.everywhere,
            key=lambda swap: (VERDICTS.index(swap.score.verdict), swap.score.score),
        )

    @property
    def is_free(self) -> bool:
        """Whether no difference but that in level is expected to be heard in any passage."""
        return self.worst.score.verdict in FREE_WORDS

    def turn_db(self, free_move_lu: float) -> float | None:
        """Return by how many dB the level is to be turned after a move that is otherwise free.

        None where no one turn serves in every passage: see `turn_for`.
        """
        return turn_for([swap.difference.trim_lu for swap in self.everywhere], free_move_lu)

    def turn_in(self, swap: Swap, free_move_lu: float) -> float:
        """Return `turn_db`, or by how many dB to turn in one passage alone where no one turn is."""
        turn_db = self.turn_db(free_move_lu)
        return -swap.difference.trim_lu if turn_db is None else turn_db


@dataclass(frozen=True, eq=False)
class Swaps:
    """All exchanges of one order on one amplifier (None: into the mixer), and what they cost.

    `holding_cost` is what it cost to try where free ones hold; None where that was not tried.
    """

    board: Board
    order_name: str
    order: Order
    amp: str | None
    passages: tuple[str, ...]
    exchanged: tuple[Exchanged, ...]
    cost: Cost
    warnings: tuple[str, ...]
    holding_cost: Cost | None = None


@of_unchanged_sounds
def swaps(
    board: Board,
    order: str | Order,
    *,
    passages: Sequence[str] | None = None,
    amp: str | None = None,
    every: bool = False,
    holds: bool = False,
    progress: Progress | None = None,
) -> Swaps:
    """Judge the exchanges of `order` over `passages` (default all) on `amp` (default the board's).

    In each passage: any two neighbours that are on there change places, the last one in front
    moves into the loop, the first one of the loop to the front. With `every`, any two blocks.
    An exchange that is free there is judged in every other passage whose sequence it changes.
    What is proved is rendered all the same. With `holds`, what is free is tried under `CONDITIONS`
    in every passage in which it was judged, which takes some six times as many renders. `progress`
    is called with parts done, parts there are, and what was done; from other threads, one at a
    time.

    Raises RequestError for names that the board does not have, ClipError for clips.
    """
    name, given = named_order(board, order)
    end = amp_name(board, amp)
    chosen = tuple(dict.fromkeys(passages or board.passages))
    if not chosen:
        raise RequestError("the board has no passages to swap blocks in")
    wanted = {
        passage: exchanges(
            given, _heard_in(board, passage), has_amplifier=end is not None, every=every
        )
        for passage in chosen
    }
    steps = _Steps(progress)
    work = _Work(board, given, end, steps)
    results = _all_judged(work, wanted)
    found = _gathered(board, given, [swap for each in results for swap in each.swaps], chosen)
    elsewhere = {
        passage: tuple(one.exchange for one in found if one.is_free and passage in one.not_judged)
        for passage in chosen
    }
    more = _all_judged(work, {passage: asked for passage, asked in elsewhere.items() if asked})
    found = [_with_more(one, [swap for each in more for swap in each.swaps]) for one in found]
    holding_cost = None
    if holds:
        found, holding_cost = _with_holding(work, found)
    return Swaps(
        board,
        name,
        given,
        end,
        chosen,
        tuple(found),
        sum((each.cost for each in (*results, *more)), start=Cost()),
        tuple(dict.fromkeys(text for each in results for text in each.warnings)),
        holding_cost,
    )


class _Steps:
    """Counts what is done, for several threads."""

    def __init__(self, progress: Progress | None) -> None:
        self.progress, self.total, self.done = progress, 0, 0
        self.lock = Lock()

    def done_with(self, what: str) -> None:
        with self.lock:
            self.done += 1
            if self.progress:
                self.progress(self.done, self.total, what)


@dataclass(frozen=True)
class _Work:
    board: Board
    order: Order
    amp: str | None
    steps: _Steps


@dataclass(frozen=True)
class _Found:
    swaps: list[Swap]
    cost: Cost
    warnings: tuple[str, ...] = ()


def _heard_in(board: Board, passage: str) -> set[str]:
    """Return the blocks that are on at some time, or whose loop is recorded or played."""
    timeline = timeline_of_passage(board, passage)
    return {*timeline.ever_on, *(name for name in board.blocks if timeline.takes(name))}


def _all_judged(work: _Work, wanted: dict[str, tuple[Exchange, ...]]) -> list[_Found]:
    """Judge exchanges passage by passage, as many at once as there are cores."""
    work.steps.total += sum(1 + len(exchanged) for exchanged in wanted.values())
    stop = Event()
    jobs = list(wanted.items())
    return in_parallel(lambda job: _judged_in(work, *job, stop), jobs, stop=stop)


def _judged_in(work: _Work, passage: str, wanted: Sequence[Exchange], stop: Event) -> _Found:
    judge, steps = Judge(work.board, passage, work.amp, stop=stop), work.steps
    if not wanted:
        steps.done_with(f"{passage}: nothing to exchange")
        return _Found([], judge.cost)
    given, *others = judge.sounds([work.order, *(each.of(work.order) for each in wanted)])
    steps.done_with(f"{passage}: {len(others) + 1} orders rendered")
    pairs = [(given, other) for other in others]
    why_not = [why_not_proved(given.rendering, other.rendering) for other in others]
    found: list[Swap] = []

    def one_more(number: int, judged: Judged) -> None:
        reason = why_not[number]
        if reason is None and judged.difference.null_db > PROOF_NULL_DB:
            reason = f"the null is only {judged.difference.null_db:.0f} dB"
        found.append(Swap(wanted[number], passage, judged, reason))
        steps.done_with(f"{passage}: {_called(wanted[number])}")

    judge.judged(pairs, each=one_more)
    return _Found(found, judge.cost, given.rendering.warnings)


def _called(exchange: Exchange) -> str:
    if exchange.second is not None:
        return f"{exchange.first} and {exchange.second}"
    return f"{exchange.first} {exchange.move.replace('_', ' ')}"


def _gathered(
    board: Board, order: Order, judged: Sequence[Swap], passages: Sequence[str]
) -> list[Exchanged]:
    """Gather the passages of each exchange, in the order of the path."""
    by_exchange: dict[Exchange, list[Swap]] = {}
    for swap in judged:
        by_exchange.setdefault(swap.exchange, []).append(swap)
    on = {passage: _heard_in(board, passage) for passage in passages}
    own = {*broken_rules(board, order), *split_boxes(board, order)}
    found = []
    for exchange, swaps_of_it in by_exchange.items():
        other = exchange.of(order)
        judged_in = {swap.passage for swap in swaps_of_it}
        others = tuple(
            passage
            for passage, heard in on.items()
            if passage not in judged_in and _sequence(heard, order) != _sequence(heard, other)
        )
        broken = [*broken_rules(board, other), *split_boxes(board, other)]
        breaks = tuple(text for text in broken if text not in own)
        found.append(Exchanged(exchange, other, tuple(swaps_of_it), breaks, others))
    return sorted(found, key=lambda each: _place(order, each.exchange))


def _with_more(exchanged: Exchanged, judged: Sequence[Swap]) -> Exchanged:
    """Return an exchange with what was found of it in further passages."""
    also = tuple(swap for swap in judged if swap.exchange == exchanged.exchange)
    names = {swap.passage for swap in also}
    left = tuple(passage for passage in exchanged.not_judged if passage not in names)
    return replace(exchanged, also=also, not_judged=left)


def _with_holding(work: _Work, found: Sequence[Exchanged]) -> tuple[list[Exchanged], Cost]:
    """Try every exchange that is free, in each passage it was judged in, under every condition."""
    limit = work.board.judging.free_move_lu
    moves: dict[str, dict[Exchange, FreeMove]] = {}
    for one in found:
        for swap in one.everywhere if one.is_free else ():
            move = FreeMove(work.order, one.order, one.turn_in(swap, limit))
            moves.setdefault(swap.passage, {})[one.exchange] = move
    jobs = [(condition, passage) for condition in CONDITIONS for passage in moves]
    work.steps.total += len(jobs)
    stop = Event()

    def work_on(job: tuple[Condition, str]) -> Tried:
        condition, passage = job
        wanted = list(moves[passage].values())
        result = tried(work.board, condition, passage, work.amp, wanted, stop=stop)
        work.steps.done_with(f"{passage}: {condition.replace('_', ' ')}")
        return result

    results = in_parallel(work_on, jobs, stop=stop)
    held: dict[Exchange, tuple[Held, ...]] = {one.exchange: () for one in found if one.is_free}
    for (_, passage), result in zip(jobs, results, strict=True):
        for exchange, more in zip(moves[passage], result.held, strict=True):
            held[exchange] += more
    told = [replace(one, held=held.get(one.exchange)) for one in found]
    return told, sum((each.cost for each in results), start=Cost())


def _sequence(on: Collection[str], order: Order) -> tuple[tuple[str, ...], ...]:
    """Return what is heard of an order, in front and in the loop."""
    return tuple(tuple(name for name in part if name in on) for part in (order.front, order.loop))


def _place(order: Order, exchange: Exchange) -> tuple[int, int, int]:
    places = order.blocks
    second = exchange.second
    behind = places.index(second) if second is not None else len(places)
    return second is None, places.index(exchange.first), behind
