"""The repeats that an order makes of one short note: when each comes, and how loud it is."""

from collections.abc import Iterator
from threading import Event
from typing import NamedTuple

from simchain.blocks.delay import Delay
from simchain.board import Board
from simchain.chain.path import path_of
from simchain.chain.source import Source, key_of
from simchain.chain.walk import walk
from simchain.decide.runs import FULL, bursts
from simchain.measure.clarity import Repeat, repeats
from simchain.signal import Signal

# A ripple of a room stands out by less (`measure.clarity`: a long room's by about 10).
LEAST_PROMINENCE_DB = 12.0


class Repeats(NamedTuple):
    """What the delays `blocks` of an order repeat; each repeat is a `measure.clarity.Repeat`."""

    blocks: tuple[str, ...]
    found: tuple[Repeat, ...]


def repeats_of(
    board: Board, order: str, passage: str, amp: str | None, *, stop: Event | None = None
) -> Repeats | None:
    """Send the burst of the goal `clarity` through an order, and return what repeats behind it.

    It is as loud as the passage is played, into what is on when the passage begins; another note is
    held behind it, as in music. None where no delay is on by then. Raises RequestError for names
    that the board does not have, ClipError for clips, StoppedError once `stop` is set.
    """
    run = bursts(board, passage, (), amp, FULL)
    timeline = run.ground.timeline
    given = board.order(order)
    delays = tuple(
        name
        for name in given.blocks
        if name in timeline.first.on and isinstance(timeline.block(name), Delay)
    )
    if not delays:
        return None
    key = key_of(run.volts)
    path = path_of(timeline.board, given, timeline, amp, source_key=key)
    signal = Signal(run.volts, board.rate)
    source = Source(signal, timeline, 1, run.volts.shape[1], noisy=False, key=key)
    (rendered,) = walk(timeline.board, [path], source, stop=stop)
    return Repeats(delays, tuple(_told(repeats(rendered.output.samples, rendered.rate))))


def _told(found: list[Repeat]) -> Iterator[Repeat]:
    return (each for each in found if each.prominence_db >= LEAST_PROMINENCE_DB)
