"""From a recording to the settings of one block."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block
from simchain.board import Board
from simchain.chain.alone import INTO_OHM
from simchain.errors import unknown_name
from simchain.fit.comparing import Comparison
from simchain.fit.looked_for import KindFit, Stretch, fit_of
from simchain.fit.received import Received, read_loopback, read_received
from simchain.fit.searching import Found, found
from simchain.fit.sent import PLAYBACK_DBU

Floats = NDArray[np.float64]

# Above this the model leaves out what can be heard; above that it is not this kind of unit.
LEAVES_OUT_DB, NO_FIT_DB = -26.0, -10.0


@dataclass(frozen=True, eq=False)
class Fitted:
    """A block's settings as a recording has them.

    `controls` and `confidence` have the free controls: their values and standard deviations, in
    their units. `residual_db` is what the block does not copy against all that was received, and
    `made` what it makes of all that was sent, late by as much as the unit was.
    """

    name: str
    block: Block
    found: Found
    controls: dict[str, float]
    confidence: dict[str, float]
    residual_db: float
    received: Received
    made: Floats


def fit_block(
    board: Board,
    name: str,
    recording: Path,
    *,
    loopback: Path | None = None,
    playback_dbu: float = PLAYBACK_DBU,
    into_ohm: float = INTO_OHM,
    told: Callable[[str], None] = lambda _: None,
) -> Fitted:
    """Return the settings of the board's block `name` that come nearest to a recording of the unit.

    `recording` is of the unit while the file of `simchain tones` was played through it, `loopback`
    the same without a unit. `playback_dbu` is the level at the unit's input of a sine at full scale
    of what was played, `into_ohm` the recording side's input impedance.

    Raises RequestError for a name or a kind that cannot be fitted, ClipError for recordings that
    cannot be used.
    """
    if name not in board.blocks:
        raise unknown_name("block", name, board.blocks)
    block = board.blocks[name]
    kind = fit_of(block.kind)
    told("reading the recording")
    received = read_received(
        recording,
        loopback=read_loopback(loopback) if loopback else None,
        playback_dbu=playback_dbu,
        full_scale_dbu=board.source.full_scale_dbu,
    )
    return fitted(name, block, kind, received, into_ohm=into_ohm, told=told)


def fitted(
    name: str,
    block: Block,
    kind: KindFit,
    received: Received,
    *,
    into_ohm: float = INTO_OHM,
    told: Callable[[str], None] = lambda _: None,
) -> Fitted:
    """Return the settings of `block` that come nearest to what was received."""
    coarse = Comparison(received, kind.coarse, into_ohm=into_ohm)
    fine = Comparison(received, kind.fine, into_ohm=into_ohm) if kind.fine else None
    end = found(list(kind.starts(block, received)), coarse, fine, told)
    controls, confidence = {}, {}
    for free, number, deviation in zip(end.start.free, end.numbers, end.deviations, strict=True):
        controls[free.control] = free.value(number)
        confidence[free.control] = free.spread(number, deviation)
    whole = Comparison(received, [Stretch("lead", "marker2", 0.0)], into_ohm=into_ohm)
    made = whole.rendered(end.block, end.turn)
    return Fitted(
        name,
        end.block,
        end,
        controls,
        confidence,
        whole.residual_db(made, end.late),
        received,
        made[0],
    )
