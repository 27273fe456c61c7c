"""What a meter should read at each jack while a steady tone is fed in where the guitar goes.

The tone comes from something with a low output impedance (a phone, an interface), set with the
meter at the end of the guitar's cable to `FED_VOLTS`. What is on, and set, is what the passage
begins with; events are left out, and so are hum and hiss.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from simchain.board import Board, Order
from simchain.chain.fed import fed_board, line_source
from simchain.chain.path import path_from
from simchain.chain.render import amp_name
from simchain.chain.walk import walk
from simchain.signal import Volts, tone

TONES_HZ = (1000.0, 220.0)
FED_VOLTS = 0.1  # RMS, about what single notes give (common practice, no source)
# Until it is read: echoes and rooms have built up, and what follows loudness is at rest.
SETTLE_S, READ_S = 6.0, 2.0
WINDOW_S = 0.05
SWAY_DB = 0.5


@dataclass(frozen=True)
class Expected:
    """Volts RMS that a meter reads at one jack; `low` and `high` differ where it sways."""

    volts: float
    low: float
    high: float

    @property
    def sways(self) -> bool:
        """Whether the reading moves by more than half a decibel."""
        return bool(self.high > self.low * 10.0 ** (SWAY_DB / 20.0))


def expected_tones(
    board: Board,
    order: Order,
    passages: Iterable[str],
    tones_hz: Iterable[float] = TONES_HZ,
    *,
    amp: str | None = None,
) -> dict[str, dict[float, dict[str, Expected]]]:
    """Return what each test point of `order` reads, by passage and by the tone's frequency in Hz.

    Raises RequestError for names that the board does not have.
    """
    end = amp_name(board, amp)
    read = {}
    for passage in passages:
        fed = fed_board(board, passage)
        read[passage] = {hz: _read(fed, order, passage, hz, end) for hz in tones_hz}
    return read


def _read(
    board: Board, order: Order, passage: str, hz: float, amp: str | None
) -> dict[str, Expected]:
    frames = round((SETTLE_S + READ_S) * board.rate)
    volts = tone(hz, math.sqrt(2.0) * FED_VOLTS, frames, board.rate)
    source = line_source(board, passage, volts)
    path = path_from(source, board, order, amp)
    (rendering,) = walk(board, [path], source, points=True)
    first = round(SETTLE_S * board.rate)
    return {
        name: _expected(point.volts[:, first:], board.rate)
        for name, point in rendering.points.items()
        if point.volts is not None
    }


def _expected(volts: Volts, rate: int) -> Expected:
    """Return what a meter reads of the louder channel."""
    line = volts[np.argmax(np.square(volts).sum(axis=1))]
    window = round(WINDOW_S * rate)
    parts = np.square(line[: line.size // window * window]).reshape(-1, window).mean(axis=1)
    whole = math.sqrt(float(np.square(line).mean()))
    return Expected(whole, math.sqrt(float(parts.min())), math.sqrt(float(parts.max())))
