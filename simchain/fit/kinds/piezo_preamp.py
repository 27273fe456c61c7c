"""A piezo preamp: its gain, three bands, and whether a note is notched out."""

from collections.abc import Iterator
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block
from simchain.blocks.piezo_preamp import HIGH_SHELF_HZ, LOW_SHELF_HZ, MID_Q, NOTCH_Q, SHELF_Q
from simchain.fit.bands import FoundBand, floored, levels_db
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.received import Received
from simchain.fit.response import SWEEPS, Response, response_of

Floats = NDArray[np.float64]

CONTROLS = (
    Free("gain_db", -60.0, 80.0),
    *(Free(name, -40.0, 40.0) for name in ("low_db", "mid_db", "high_db")),
    Free("mid_hz", 100.0, 8e3, log=True, step=0.05),
)
NOTCH = Free("notch_hz", 30.0, 1e3, log=True, step=0.01)
MIDS_HZ = (250.0, 500.0, 1000.0, 2000.0)
# A notch is there where it betters the levels by so many dB.
_DEFENDED_DB = 0.02
_SOFT_DB = 2.0


class PiezoPreampFit(KindFit):
    """All of it stands in the response: a curve of closed forms is laid through its levels."""

    kind: ClassVar[str] = "piezo_preamp"
    coarse: ClassVar[tuple[Stretch, ...]] = ()
    fine: ClassVar[tuple[Stretch, ...]] = SWEEPS

    def starts(self, block: Block, received: Received) -> Iterator[Start]:
        """See `KindFit.starts`: with or without the notch, as the response has it."""
        response = response_of(received, block.ceiling_volts).thinned(2)
        plain, left = min((_nearest(response, hz) for hz in MIDS_HZ), key=lambda one: one[1])
        dip_hz = _dip_hz(response)
        tried = [_nearest(response, hz, dip_hz) for hz in (plain["mid_hz"], *MIDS_HZ)]
        notched, other = min(tried, key=lambda one: one[1])
        if other < left - _DEFENDED_DB:
            yield Start(block.model_copy(update=notched), (*CONTROLS, NOTCH))
        else:
            moved = plain | {"notch_hz": 0.0}
            yield Start(block.model_copy(update=moved), CONTROLS, chosen=("notch_hz",))


def _dip_hz(response: Response) -> float:
    """Return where the level lies furthest below what it is within a quarter of an octave."""
    from scipy.ndimage import median_filter

    level = floored(response.level_db)
    an_octave = 1.0 / float(np.log2(response.hz[1] / response.hz[0]))
    below = level - median_filter(level, round(0.5 * an_octave), mode="nearest")
    inside = (response.hz >= NOTCH.low) & (response.hz <= NOTCH.high)
    return float(response.hz[inside][int(np.argmin(below[inside]))])


def _nearest(
    response: Response, mid_hz: float, notch_hz: float = 0.0
) -> tuple[dict[str, float], float]:
    """Return the settings that come nearest from there, and by how many dB they miss."""
    from scipy.optimize import least_squares

    free = (*CONTROLS, NOTCH) if notch_hz else CONTROLS
    first = [0.0, 0.0, 0.0, 0.0, np.log(mid_hz) / CONTROLS[-1].step]
    if notch_hz:
        first.append(np.log(notch_hz) / NOTCH.step)
    low, high = zip(*(one.bounds() for one in free), strict=True)
    heard = floored(response.level_db)
    weight = response.level_deviation_db.min() / response.level_deviation_db

    def settings(numbers: Floats) -> dict[str, float]:
        return {one.control: one.value(float(at)) for one, at in zip(free, numbers, strict=True)}

    def errors(numbers: Floats) -> Floats:
        off = floored(_levels(settings(numbers), response.hz)) - heard
        return np.asarray(off * weight)

    end = least_squares(errors, first, bounds=(low, high), loss="soft_l1", f_scale=_SOFT_DB)
    return settings(end.x), float(np.sqrt(2.0 * end.cost / np.square(weight).sum()))


def _levels(settings: dict[str, float], hz: Floats) -> Floats:
    """Return the level at each of `hz` in dB."""
    bands = [
        FoundBand("low_shelf", LOW_SHELF_HZ, settings["low_db"], SHELF_Q),
        FoundBand("peak", settings["mid_hz"], settings["mid_db"], MID_Q),
        FoundBand("high_shelf", HIGH_SHELF_HZ, settings["high_db"], SHELF_Q),
    ]
    if settings.get("notch_hz"):
        bands.append(FoundBand("notch", settings["notch_hz"], 0.0, NOTCH_Q))
    return np.asarray(settings["gain_db"] + levels_db(bands, hz).sum(axis=0))
