"""Warnings about how an order is wired: sums at a loop, stereo that ends, joined earths."""

import math
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from simchain import units
from simchain.blocks import Block
from simchain.board import Board, BoardWarning
from simchain.chain.electrical.worst import Worst, hertz, in_orders, where
from simchain.chain.loop import LEAST_DIP_DB
from simchain.chain.steps import PAIR, Path

DEEPEST_SHOWN_DB = 30.0


class Ending(NamedTuple):
    """Where two channels become one: behind which block, at which (or at the amplifier)."""

    maker: str
    place: str
    mono: str


def comb_warnings(board: Board, paths: Iterable[Path]) -> Iterator[BoardWarning]:
    """Warn of a loop that stands beside the signal late or upside down, once for each order.

    With loop_mix m, and g what the loop makes of its direct sound, the sum is
    (1 - m) + m g exp(-j 2 pi f t): lowest at f = 1/2t, 3/2t, ..., upside down at 0, 1/t, 2/t, ...
    """
    worst = Worst()
    for path in paths:
        if not path.order.loop or path.amp_name is None:
            continue
        on = [
            (step.name, step.unit)
            for step in path.steps
            if step.name in path.order.loop
            and isinstance(step.unit, Block)
            and not step.gate.is_never_on
        ]
        straight = math.prod(_straight(block) for _, block in on)
        dip_db, mix = max(
            (_dip_db(board.amps[name].loop_mix, straight), board.amps[name].loop_mix)
            for name in path.amp_name.split(PAIR)
        )
        late = [name for name, block in on if block.late_s() > 0.0]
        turned = [name for name, block in on if block.invert]
        if dip_db < LEAST_DIP_DB or not (late or len(turned) % 2):
            continue
        late_s = sum(block.late_s() for _, block in on)
        text = (
            f"loop_mix {mix:g} puts the loop beside the signal ({where(path)}), and "
            f"{_comb(late, late_s, turned, dip_db)}; loop_mix 1, or a unit that leaves its "
            "direct sound alone, avoids it"
        )
        worst.keep(path.order_name, dip_db, BoardWarning("loop_comb", (late + turned)[0], text))
    return worst.warnings()


def _comb(late: list[str], late_s: float, turned: list[str], dip_db: float) -> str:
    """Say what is late or upside down, and where the dips are."""
    upside_down = bool(len(turned) % 2)
    causes, found = [], []
    if upside_down:
        causes.append(f"{_did(turned, 'turn')} it over")
        found.append("lows cancel first")
    if late:
        first = 1.0 if upside_down else 0.5
        dips = ", ".join(hertz((first + place) / late_s) for place in range(3))
        causes.append(f"{_did(late, 'make')} it {late_s * 1e3:.3g} ms late")
        found.append(f"dips at {dips} and so on")
    deep = f"{dip_db:.0f} dB" if dip_db < DEEPEST_SHOWN_DB else f"{DEEPEST_SHOWN_DB:.0f} dB or more"
    return f"{' and '.join(causes)}: {', '.join(found)}, {deep} deep"


def _did(names: list[str], verb: str) -> str:
    """Say who does it: "'wobble' makes", "'wobble' and 'body' make"."""
    quoted = [f"'{name}'" for name in names]
    return f"{' and '.join(quoted)} {verb}" + ("s" if len(names) == 1 else "")


def _dip_db(mix: float, straight: float) -> float:
    """Return how far the lowest lies below the highest where a share `mix` of a loop is summed."""
    beside, loop = 1.0 - mix, mix * straight
    lowest = abs(beside - loop)
    return math.inf if lowest == 0.0 else units.ratio_to_db((beside + loop) / lowest)


def _straight(block: Block) -> float:
    """Return the gain of a block that is on for its direct sound; 0 where none comes out."""
    return block.direct_share() * units.db_to_ratio(
        (block.nominal_gain_db() or 0.0) + block.level_db
    )


def stereo_warnings(board: Board, paths: Iterable[Path]) -> Iterator[BoardWarning]:
    """Tell where two channels become one, at a block with one input or at a single amplifier."""
    found: dict[Ending, dict[str, None]] = {}
    for path in paths:
        for ending in _endings(board, path):
            found.setdefault(ending, {})[path.order_name] = None
    for ending, orders in found.items():
        takes = "the left one alone" if ending.mono == "left" else "the mean of both"
        text = (
            f"stereo from '{ending.maker}' ends at {ending.place}, which takes {takes} "
            f"({in_orders(orders)}): the width is lost"
            + ("" if ending.mono == "left" else ", and what differs in sign cancels")
            + "; for stereo put what has two outputs last, before two amplifiers or a mixer"
        )
        yield BoardWarning("stereo_ends", ending.maker, text)


def earth_warnings(board: Board) -> Iterator[BoardWarning]:
    """Warn of orders that join the amplifier's earth twice through a supply that is shared.

    Which block is on which outlet is not known here: isolated outlets throughout are safe, one
    that is not may be shared.
    """
    shared = [outlet.name for outlet in board.supply.outlets if not outlet.isolated]
    orders = [
        name
        for name, order in board.orders.items()
        if _draws(board, order.front) and _draws(board, order.loop)
    ]
    if not orders or (board.supply.outlets and not shared):
        return
    outlets = f"not isolated ({', '.join(shared)})" if shared else "not described"
    text = (
        f"blocks in front and in the loop may share a supply whose outlets are {outlets}, which "
        f"with the send and return cables joins two earths ({in_orders(orders)}): it may hum; "
        "isolated outlets for the loop's blocks, or an isolating transformer in one of the "
        "cables, cure it. Never lift a safety earth; leave mains wiring to licensed people and "
        "local codes"
    )
    yield BoardWarning("ground_loop", "", text)


def _draws(board: Board, names: Iterable[str]) -> bool:
    return any(board.blocks[name].current_ma > 0.0 for name in names)


def _endings(board: Board, path: Path) -> Iterator[Ending]:
    """Follow the channels of a path and yield where what makes two of them different ends."""
    on = {
        step.name: step.unit
        for step in path.steps
        if isinstance(step.unit, Block) and not step.gate.is_never_on
    }
    amps = path.amp_name.split(PAIR) if path.amp_name else []
    maker = ""
    for names, jack in ((path.order.front, "input"), (path.order.loop, "return")):
        for name in names:
            block = board.blocks[name]
            if maker and block.inputs == 1:
                yield Ending(maker, f"'{name}'", block.mono)
                maker = ""
            if name in on and on[name].outputs == 2 and on[name].widens():
                maker = name
        if maker and len(amps) == 1:
            yield Ending(maker, f"the amplifier's {jack}", "mean")
            maker = ""
