"""A volume pedal: where it stood while it was recorded."""

from collections.abc import Iterator
from typing import ClassVar, cast

from simchain.blocks import Block
from simchain.blocks.volume import Volume
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.reading import gain_db
from simchain.fit.received import Received

POSITION = Free("position", 0.0, 1.0, step=0.02)
_HALVINGS = 30


class VolumeFit(KindFit):
    """One place of the pedal is one gain: taper, pot and buffers are what the board says."""

    kind: ClassVar[str] = "volume"
    coarse: ClassVar = (Stretch("level", "level"),)
    fine: ClassVar = (Stretch("steps1", "loud1"),)
    blind_to: ClassVar[dict[str, str]] = {
        "taper": "one place of the pedal is one loudness, whatever lies between heel and toe",
        "pot_ohm": "it is heard as a treble loss behind a guitar, not behind an interface",
    }

    def starts(self, block: Block, received: Received) -> Iterator[Start]:
        """See `KindFit.starts`: where the pedal is as loud as the level tone."""
        pedal = cast(Volume, block).model_copy(update={"level_db": 0.0})
        wanted = 10.0 ** (gain_db(received) / 20.0)
        low, high = 0.0, 1.0
        for _ in range(_HALVINGS):
            middle = (low + high) / 2.0
            below = pedal.model_copy(update={"position": middle}).wiper < wanted
            low, high = (middle, high) if below else (low, middle)
        at = {"position": high}
        chosen = ("level_db",) if pedal.active else ()
        yield Start(pedal.model_copy(update=at), (POSITION,), chosen=chosen)
