"""Memory of a search of eight blocks and a split: python -m tests.benchmarks.search_memory [BLOCKS]

The plan and all that is kept of 362,880 orders are of real size, and so are the sounds: of each
branch the first nodes are run as they are, which goes to its full depth. Figures of the others are
drawn by chance, since running them takes hours. The best of those are then listened to again and
put into groups as they are. Asked for: less than 600 MB at the peak, the program included.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import argparse
import math
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from threading import Event
from typing import Any
from unittest.mock import patch

import numpy as np

from simchain.chain.tree import Branch, Ground, Grown, grow
from simchain.decide import listen as listening
from simchain.decide import places, trial
from simchain.decide.listen import Listened, listen
from simchain.decide.runs import Figures, Listener
from simchain.decide.search import search
from tests.benchmarks.memory import peak_bytes
from tests.benchmarks.search_boards import EIGHT, board_of
from tests.benchmarks.table import Row, main

ASKED_MB = 600
RUN_FIRST = 60  # nodes of each branch
begun = time.perf_counter()


def grown_mostly_by_chance(
    shared: tuple[Event, tuple[Ground, ...]], job: tuple[int, Branch]
) -> Grown:
    """Grow the first nodes of a branch, and draw figures and low peaks for the others."""
    stop, grounds = shared
    number, branch = job
    ground = grounds[number]
    if not isinstance(ground.read, Listener) or ground.read.keeps_ear:
        return grow(ground, branch, stop)
    nodes, words = branch.nodes[:RUN_FIRST], branch.words[:RUN_FIRST]
    found = grow(ground, Branch(branch.root, branch.walker, nodes, words), stop)
    random = np.random.default_rng(int(branch.nodes[0, 0]))
    for node, _, _, leaf in branch.nodes[RUN_FIRST:].tolist():
        found.nodes.append(node)
        found.peaks.append((0.01, 0.01))
        found.tally.units += 1
        if leaf >= 0:
            lufs, room = -20.0 + random.normal(), 3.0 + random.normal()
            found.read[leaf] = Figures(lufs, room, 0.0, 0, 1, 1), None
    return found


def told(what: str) -> None:
    """Print how much memory the process holds, and has held at most."""
    status = Path("/proc/self/status").read_text()
    held = int(status.split("VmRSS:")[1].split()[0]) / 1024
    print(
        f"{time.perf_counter() - begun:6.0f} s  {what:52}{held:6.0f} MB now, "
        f"{peak_bytes() / 2**20:6.0f} MB at most",
        file=sys.stderr,
        flush=True,
    )


def planned(*arguments: Any) -> Any:
    """Plan, and tell how large the plan is."""
    plan = real_plan_of(*arguments)
    told(f"planned: {len(plan.tree.parents):,} nodes, {plan.leaves:,} sounds")
    return plan


def listened_to(engine: Any, runs: Any, words: Any, **more: Any) -> list[Listened]:
    """Listen, and tell what that took."""
    told(f"begins to listen: {len(words):,} orders, {len(runs)} runs")
    found = listen(engine, runs, words, **more)
    told(f"listened: {sum(each.tally.units for each in found):,} units")
    return found


def hot(*arguments: Any) -> Any:
    """Find the swaps that come too near a rail, and tell how many those are."""
    swaps = real_too_hot(*arguments)
    told(f"{len(swaps):,} swaps too near a rail, of {len(arguments[0].moved):,}")
    return swaps


real_plan_of, real_too_hot = listening.plan_of, listening.too_hot
real_grouped = places.grouped


def grouped(ranked: Sequence[int], louder: Any) -> Any:
    """Put into groups, and tell."""
    told(f"{len(ranked):,} orders are put into groups")
    return real_grouped(ranked, louder)


def options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("blocks", nargs="?", type=int, default=len(EIGHT), metavar="BLOCKS")


def rows(given: argparse.Namespace) -> Iterator[Row]:
    """Run the search, tell memory at each stage on standard error, and yield its peak."""
    board = board_of(EIGHT[: given.blocks], amplifier=True, goals="headroom = 1")
    told("board")
    with (
        patch.object(listening, "plan_of", planned),
        patch.object(listening, "too_hot", hot),
        patch.object(listening, "_grow", grown_mostly_by_chance),
        patch.object(trial, "listen", listened_to),
        patch.object(places, "grouped", grouped),
    ):
        found = search(board)
    told(f"done: {found.orders_distinct:,} of {math.factorial(given.blocks + 1):,} orders differ")
    what = f"search of {given.blocks} blocks and a split, peak"
    yield Row.of(what, peak_bytes() / 1e6, "MB", ASKED_MB)


if __name__ == "__main__":
    main(__doc__, rows, options)
