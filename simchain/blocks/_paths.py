"""What blocks with a dry and a wet path share: equal-power mix, trails, two channels."""

import math
from typing import Literal, Self

import numpy as np
from pydantic import model_validator

from simchain.blocks._moving import rests_at, value_of
from simchain.blocks.base import Block, Moment
from simchain.settings import control
from simchain.signal import Volts


def to_channels(volts: Volts, channels: int) -> Volts:
    """Return `volts` with that many channels: one is doubled, two are averaged."""
    if volts.shape[0] == channels:
        return volts
    if channels == 2:
        return np.repeat(volts, 2, axis=0)
    return np.asarray(volts.mean(axis=0, keepdims=True), dtype=np.float64)


def loudest(volts: Volts, out: Volts) -> None:
    """Write to `out`, shape (frames,), the largest magnitude of the channels at each frame."""
    np.abs(volts[0], out=out)
    for other in volts[1:]:
        np.maximum(out, np.abs(other), out=out)


class TailedBlock(Block):
    """A unit whose wet path rings on: it mixes at equal power and may let its tail die away."""

    mix: float = control(
        0.25, "from dry (0) to wet alone (1), equal power", ge=0, le=1, usual=(0, 1), movable=True
    )
    trails: bool | None = control(
        None, "switched off, its tail rings on; left out, it does so when bypass is buffered"
    )
    bypass: Literal["true", "buffered"] = control(
        "buffered", "what the footswitch does when off: a straight wire, or a buffer that stays in"
    )

    @model_validator(mode="after")
    def _has_a_buffer_for_its_trails(self) -> Self:
        if self.trails and self.bypass == "true":
            raise ValueError(
                'trails = true needs bypass = "buffered": a true bypass cuts the tail off'
            )
        return self

    @property
    def has_trails(self) -> bool:
        """See `Block.has_trails`."""
        return self.bypass == "buffered" if self.trails is None else self.trails

    def direct_share(self) -> float:
        """See `Block.direct_share`: equal power."""
        return math.cos(0.5 * math.pi * self.mix)

    def dry(self) -> Self:
        """See `Block.dry`."""
        return self.model_copy(update={"mix": 0.0})

    def mixed(self, dry: Volts, wet: Volts, part: slice, now: Moment) -> Volts:
        """Return dry cos(pi mix / 2) + wet sin(pi mix / 2) of a piece, the ends exact.

        `dry` has one channel or as many as `wet`; `now` says how mix moves.
        """
        if rests_at(self, "mix", now, 1.0):
            return wet
        turn = 0.5 * math.pi * value_of(self, "mix", now, part)
        return np.asarray(np.cos(turn) * to_channels(dry, wet.shape[0]) + np.sin(turn) * wet)
