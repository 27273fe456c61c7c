"""How fast the search of orders is: python -m tests.benchmarks.search [PART ...]

Parts: `overhead cores demo`; and `brute brute-long`, which take a quarter of an hour and more and
are run when they are named. Boards are those of `search_boards`. The ranking is measured by
`tests.benchmarks.search_beam`, memory by `tests.benchmarks.search_memory`.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import argparse
import random
import statistics
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from math import factorial
from typing import Any
from unittest.mock import patch

import numpy as np

from simchain.board import Allowed, Board
from simchain.chain import tree, wires
from simchain.chain.path import path_from
from simchain.chain.source import Source
from simchain.chain.tree import Ground, Heard
from simchain.chain.walk import full_scale_volts, walk
from simchain.chain.walker import Walker
from simchain.decide import listen as listening
from simchain.decide.engine import Engine, engine
from simchain.decide.judge import TAKES
from simchain.decide.listen import Listened, listen
from simchain.decide.parallel import threads
from simchain.decide.runs import FULL, music
from simchain.decide.search import search
from simchain.signal import Signal
from tests.benchmarks.search_boards import SEVEN, SIX, board_of, demo_board
from tests.benchmarks.table import Row, main

CORES = 2
SAMPLED = 60  # orders that are rendered alone, of all
CHUNK = 20


class Stopwatch:
    """Seconds spent in functions, each without those of the others that it calls."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._open = threading.local()

    def around(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """Return a function that does the same and is timed as `name`."""

        def timed(*arguments: Any, **named: Any) -> Any:
            inner = self._open.__dict__.setdefault("inner", [])
            inner.append(0.0)
            begun = time.perf_counter()
            try:
                return function(*arguments, **named)
            finally:
                whole = time.perf_counter() - begun
                self.seconds[name] = self.seconds.get(name, 0.0) + whole - inner.pop()
                if inner:
                    inner[-1] += whole

        return timed


@contextmanager
def named_parts(watch: Stopwatch) -> Iterator[None]:
    """Time what listening does beside units and reading."""
    with ExitStack() as stack:
        for name, where, function in (
            ("planning", listening, "plan_of"),
            ("planning: too hot", listening, "too_hot"),
            ("laying again", tree.Layer, "laid"),
            ("peaks", tree, "peak_of"),
            ("wires, the filters apart", wires.Wires, "arriving"),
            ("wires' filters", wires, "_way"),
        ):
            real = getattr(where, function)
            if function == "_way":
                made: Any = _timed_ways(watch, name, real)
            else:
                made = watch.around(name, real)
            stack.enter_context(patch.object(where, function, made))
        yield


def _timed_ways(watch: Stopwatch, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
    def made(*arguments: Any) -> Any:
        way = real(*arguments)
        return None if way is None else watch.around(name, way)

    return made


def heard_by(board: Board, workers: int, words: Any = None) -> tuple[float, Listened]:
    """Return the seconds in which threads hear all orders, or `words`, and what they heard."""
    with threads(workers) as pool:
        return _heard_on(Engine(pool, workers), board, words)


def _heard_on(on: Engine, board: Board, words: Any = None) -> tuple[float, Listened]:
    allowed = Allowed(board, has_amplifier=bool(board.output.amps))
    amp = board.output.amps[0] if board.output.amps else None
    run = music(board, "played", allowed.tokens, amp, FULL)
    words = allowed.words() if words is None else words
    begun = time.perf_counter()
    (listened,) = listen(on, [run], words)
    return time.perf_counter() - begun, listened


def warmed(board: Board) -> None:
    """Compile and design what the first order needs."""
    heard_by(board, 1, Allowed(board, has_amplifier=False).words()[:2])


def overhead() -> Iterator[Row]:
    """Tell what one thread spends beside units and reading, of which three of six are linear."""
    for links in ("ideal", "real"):
        board = board_of(SIX, links=links)
        warmed(board)
        shares = []
        for _ in range(3):
            seconds, listened = heard_by(board, 1)
            work = listened.tally.seconds + listened.reading_s
            shares.append(seconds / work - 1.0)
        watch = Stopwatch()
        with named_parts(watch):
            seconds, listened = heard_by(board, 1)
        work = listened.tally.seconds + listened.reading_s
        filters = watch.seconds.get("wires' filters", 0.0)
        what, unit = f"overhead, {links} links, 6 blocks, one thread", "of units and reading"
        yield Row.of(what, shares, unit, 0.07)
        counted = seconds / (work + filters) - 1.0
        yield Row.of(f"{what}, the wires' filters counted as units", counted, unit)
        watch.seconds["anything else"] = seconds - work - sum(watch.seconds.values())
        watch.seconds["reading"] = listened.reading_s
        for name, spent in sorted(watch.seconds.items(), key=lambda each: -each[1]):
            yield Row.of(f"{what}: {name}", spent / work, unit)


def cores() -> Iterator[Row]:
    """Tell how much faster two cores are than one: threads, local workers, and what could be.

    One core is one that all threads share: of a search with one worker the thread that cuts the
    tree renders too, on another core where there is one.
    """
    board = board_of(SEVEN, links="real")
    warmed(board)
    words = Allowed(board, has_amplifier=False).words()[::24].copy()
    by_threads, by_workers, slower, apart = [], [], [], []
    with engine(local_workers=CORES) as workers:
        _heard_on(workers, board, words[:: len(words) // 40].copy())  # warm there too
        for turn in range(3):
            with on_core(turn % CORES):
                one, alone = heard_by(board, 1, words)
            two, beside = heard_by(board, CORES, words)
            by_threads.append(one / two)
            slower.append(work_of(beside) / work_of(alone))
            by_workers.append(one / _heard_on(workers, board, words)[0])
            apart.append(2.0 * one / _two_processes(board, words))
    for name, values, asked in (
        ("two local workers", by_workers, 1.85),
        ("two threads", by_threads, None),
        ("two processes that share nothing", apart, None),
    ):
        what = f"{name}, 7 blocks, every 24th of their orders"
        yield Row.of(what, values, "times one core", asked, at_least=True)
    yield Row.of("units and reading on two threads", slower, "times as long as on one")


@contextmanager
def on_core(number: int) -> Iterator[None]:
    """Keep this thread, and those it starts, on one of the cores that the process may use."""
    allowed = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {sorted(allowed)[number]})
    try:
        yield
    finally:
        os.sched_setaffinity(0, allowed)


def _two_processes(board: Board, words: Any) -> float:
    """Return the seconds that two processes take, each for all of it on a core of its own."""
    begun = time.perf_counter()
    children = []
    for number in range(2):
        child = os.fork()
        if child == 0:
            with on_core(number):
                heard_by(board, 1, words)
            os._exit(0)
        children.append(child)
    for child in children:
        os.waitpid(child, 0)
    return time.perf_counter() - begun


def work_of(listened: Listened) -> float:
    """Return the seconds in units and in reading."""
    return listened.tally.seconds + listened.reading_s


class Alone:
    """Orders rendered alone, one after another, and read as the search reads them."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.allowed = Allowed(board, has_amplifier=False)
        run = music(board, "played", self.allowed.tokens, None, FULL)
        self.volts, self.ground = run.volts, run.ground
        numbers = random.Random(7).sample(range(self.allowed.count), SAMPLED)
        self.words = self.allowed.words()[numbers]

    def bare(self, word: Sequence[int]) -> float:
        """Return the seconds one order takes, no test point read on the way."""
        begun = time.perf_counter()
        path = path_from(self._source(), self.board, self.allowed.order(word), None)
        walker = Walker(self.volts.copy(), needs_dry=False, metered=False)
        for step in path.steps:
            walker.pass_through(step)
        room = min((each.db for each in walker.headroom.values() if each), default=0.0)
        samples = walker.samples(full_scale_volts(self.board, None))
        self.ground.read(Heard(samples, self.board.rate, room, frozenset()))
        return time.perf_counter() - begun

    def plain(self, word: Sequence[int]) -> float:
        """Return the seconds one order takes by `walk`, which meters every test point too."""
        begun = time.perf_counter()
        source = self._source()
        path = path_from(source, self.board, self.allowed.order(word), None)
        rendered = walk(self.board, [path], source)[0]
        rate, samples = self.board.rate, rendered.output.samples
        self.ground.read(Heard(samples, rate, 0.0, frozenset()))
        return time.perf_counter() - begun

    def _source(self) -> Source:
        ground: Ground = self.ground
        signal = Signal(self.volts.copy(), self.board.rate)
        frames = self.volts.shape[1]
        return Source(signal, ground.timeline, 1, frames, False, ground.source_key)

    def rate(self, render: Callable[[Sequence[int]], float], words: Sequence[Any]) -> float:
        """Return the seconds of a core that an order takes over `words`, on all cores."""
        with threads(CORES) as pool:
            begun = time.process_time()
            list(pool.map(render, words))
            return (time.process_time() - begun) / len(words)


def brute(clip_s: float = 4.0) -> Iterator[Row]:
    """Tell what the search takes of seven blocks against each of the 5,040 orders rendered alone.

    Both on all cores, in seconds of a core that the process had: others on the machine count less.
    Groups need further phases of the modulator among the blocks: brute force renders as many, and
    is charged nothing for comparing what it hears.
    """
    board = board_of(SEVEN, clip_s=clip_s, goals="headroom = 1")
    warmed(board)
    alone = Alone(board)
    bare: list[float] = []
    plain: list[float] = []
    found: list[tuple[str, float, int, float]] = []
    works: tuple[tuple[str, float, int, Callable[[], object]], ...] = (
        ("listening to all once at full quality, to rank", 5.0, 1, lambda: heard_by(board, CORES)),
        ("whole search, coarse and full, with groups", 12.0, TAKES, lambda: search(board)),
        ("whole search at full quality, with groups", 5.0, TAKES, lambda: in_full(board)),
    )
    if clip_s > 4.0:
        works = works[1:2]
    for at, (name, asked, takes, work) in enumerate(works):
        words = alone.words[at * CHUNK : (at + 1) * CHUNK]
        bare.append(alone.rate(alone.bare, words))
        plain.append(alone.rate(alone.plain, words[: CHUNK // 2]))
        begun = time.process_time()
        work()
        found.append((name, asked, takes, time.process_time() - begun))
    orders = factorial(len(SEVEN))
    each, metered = statistics.mean(bare), statistics.mean(plain)
    yield Row.of(f"an order rendered alone, {clip_s:g} s, 7 blocks", np.array(bare) * 1e3, "ms")
    for name, asked, takes, seconds in found:
        what = f"{name}, {clip_s:g} s, 7 blocks, against {takes} an order"
        faster = takes * orders / seconds
        yield Row.of(what, faster * each, "times as fast", asked, at_least=True)
        yield Row.of(f"{what}, with all meters", faster * metered, "times as fast")


def in_full(board: Board) -> object:
    """Search at full quality alone."""
    return search(board, coarse=False)


def demo() -> Iterator[Row]:
    """Tell what the demo board takes, coarse."""
    board = demo_board()
    begun = time.perf_counter()
    found = search(board, full=False)
    seconds = time.perf_counter() - begun
    yield Row.of(f"demo board, coarse, {found.orders_allowed} orders", seconds, "s", 60.0)


PARTS = {
    "overhead": overhead,
    "cores": cores,
    "brute": brute,
    "brute-long": lambda: brute(12.0),
    "demo": demo,
}


def options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("parts", nargs="*", metavar="PART", help=", ".join(PARTS))


def rows(given: argparse.Namespace) -> Iterator[Row]:
    for part in given.parts or ("overhead", "cores", "demo"):
        yield from PARTS[part]()


if __name__ == "__main__":
    main(__doc__, rows, options)
