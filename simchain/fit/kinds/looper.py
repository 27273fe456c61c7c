"""A looper: the level of the whole unit, while its loop is empty."""

from collections.abc import Iterator
from typing import ClassVar

from simchain.blocks import Block
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.reading import gain_db
from simchain.fit.received import Received


class LooperFit(KindFit):
    """Nothing is recorded in it while the tones are played: what the loop does is not heard."""

    kind: ClassVar[str] = "looper"
    coarse: ClassVar = (Stretch("level", "level"),)
    fine: ClassVar = (Stretch("steps1", "loud1"),)
    blind_to: ClassVar[dict[str, str]] = {
        "loop_db": "the tones pass live: no loop is played while they are recorded",
        "feedback": "it tells what an overdub leaves, and none is made",
        "max_s": "how long a take may be stands in the unit's papers",
    }

    def starts(self, block: Block, received: Received) -> Iterator[Start]:
        """See `KindFit.starts`: as loud as the level tone is."""
        at = {"level_db": min(max(gain_db(received), -60.0), 40.0)}
        yield Start(block.model_copy(update=at), (Free("level_db", -60.0, 40.0),))
