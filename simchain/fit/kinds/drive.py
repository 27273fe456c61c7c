"""A drive: gain, corners, and diodes in one of two places."""

import math
from collections.abc import Iterator
from typing import ClassVar, cast

import numpy as np

from simchain import units
from simchain.blocks import Block
from simchain.blocks.drive import SERIES_OHM, THERMAL_VOLTS, Drive
from simchain.fit.beginnings import hopeful
from simchain.fit.comparing import Comparison
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.reading import steps_of
from simchain.fit.received import Received

DRIVE = (
    Free("gain_db", -20.0, 70.0),
    Free("low_cut_hz", 2.0, 5_000.0, log=True, step=0.05),
    Free("high_cut_hz", 300.0, 100e3, log=True, step=0.05),
    Free("tone_hz", 200.0, 100e3, log=True, step=0.05),
    Free("level_db", -60.0, 40.0),
    Free("saturation_a", 1e-15, 1e-4, log=True, step=0.1),
)
IDEALITY = Free("ideality", 0.5, 6.0, log=True, step=0.02)
BLEND = Free("blend", 0.02, 1.0, step=0.02)
# One half of a wave so much higher than the other: more diodes that way, as many at most.
_UNEVEN, _MOST_DIODES = 1.08, 8
_BLENDED = 0.7
# One such circuit is like another: what is left is noise.
_NEAR, _NEAR_STEPS = (Stretch("loud1", "loud1", off_by=0.03),), 12


class DriveFit(KindFit):
    """Which of the two circuits it is, is tried; which half is clipped later is read.

    Of diodes to ground the ideality stays as it is on the board: with another, gain, level and
    saturation current would be others, and the sound the same. So it does where dry sound is mixed
    in: what passes the other circuit unclipped, which alone could tell, is lost in it.
    """

    kind: ClassVar[str] = "drive"
    coarse: ClassVar = ()
    fine: ClassVar = (Stretch("soft1", "loud1", times=2, off_by=0.01),)
    blind_to: ClassVar[dict[str, str]] = {
        "gbw_hz": "it works beyond what is recorded",
        "series_ohm": "with the saturation current it is one figure",
        "ideality": "with more of it, more gain and less level are the same sound",
    }

    def starts(self, block: Block, received: Received) -> Iterator[Start]:
        """See `KindFit.starts`: both circuits, each driven alone and with a dry share."""
        starts = list(_tried(cast(Drive, block), received))
        yield from hopeful(starts, Comparison(received, _NEAR), _NEAR_STEPS)


def _tried(block: Drive, received: Received) -> Iterator[Start]:
    up, down = _strings(received)
    for clip in ("feedback", "shunt"):
        at = {"clip": clip, "diodes_up": up, "diodes_down": down, "blend": 1.0}
        driven = _first(block.model_copy(update=at), received)
        chosen = ("clip", "diodes_up", "diodes_down")
        free = (*DRIVE, IDEALITY) if clip == "feedback" else DRIVE
        yield Start(driven, free, chosen=(*chosen, "blend"))
        blended = driven.model_copy(update={"blend": _BLENDED})
        yield Start(blended, (*DRIVE, BLEND), order=1, chosen=chosen)


def _strings(received: Received) -> tuple[int, int]:
    """Return the diodes that clip either half, one of them one, by the halves' heights when loud.

    Two where one half is a little higher, since around an amplifier the sound itself comes on top.
    """
    line = received.part("loud1", with_rest=False)[1]
    high, low = (max(float(np.quantile(way * line, 0.98)), 1e-9) for way in (1.0, -1.0))
    ratio = max(high / low, low / high)
    more = min(max(round(ratio), 2), _MOST_DIODES) if ratio > _UNEVEN else 1
    return (more, 1) if high > low else (1, more)


def _first(drive: Drive, received: Received) -> Drive:
    """Return `drive` with the gain of the softest step and the height of the loudest."""
    steps = steps_of(received)
    loudest_volts = units.dbu_to_peak_volts(float(steps.levels_dbu[-1]))
    amps = loudest_volts / (drive.series_ohm or SERIES_OHM[drive.clip])
    volts = drive.ideality * THERMAL_VOLTS * math.log1p(amps / drive.saturation_a)
    came_db = float(steps.gains_db[-1] + steps.levels_dbu[-1])
    went = volts + (loudest_volts if drive.clip == "feedback" else 0.0)
    level_db = came_db - units.volts_to_dbu(went / 2.0**0.5)
    gain_db = min(max(float(steps.gains_db[1]) - level_db, 6.0), 50.0)
    return drive.model_copy(update={"level_db": level_db, "gain_db": gain_db})
