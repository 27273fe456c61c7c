"""A boost: gain, two corners, and the rails where they were reached."""

from collections.abc import Iterator
from typing import ClassVar

from simchain.blocks import Block
from simchain.fit.looked_for import Free, KindFit, Start
from simchain.fit.received import Received

GAIN = Free("gain_db", -20.0, 60.0)
CUTS = (
    Free("low_cut_hz", 2.0, 2_000.0, log=True, step=0.05),
    Free("high_cut_hz", 500.0, 100e3, log=True, step=0.05),
)
LEVEL = Free("level_db", -60.0, 12.0)


class BoostFit(KindFit):
    """Gain before the rails and level after them are two figures only where the rails are reached.

    The rails are those of the supply that the board names: with other rails gain and level would
    be others, and the sound the same.
    """

    kind: ClassVar[str] = "boost"

    def starts(self, block: Block, received: Received) -> Iterator[Start]:  # noqa: ARG002
        """See `KindFit.starts`: one that never clips, and two that do."""
        at = {"gain_db": 6.0, "low_cut_hz": 30.0, "high_cut_hz": 12e3, "level_db": 0.0}
        yield Start(block.model_copy(update=at), (GAIN, *CUTS), chosen=("level_db",))
        for gain_db in (10.0, 20.0):
            railed = block.model_copy(update={**at, "gain_db": gain_db})
            yield Start(railed, (GAIN, LEVEL, *CUTS), order=1)
