"""Modulation: how fast and how far it sways, from steady tones; then by waveforms."""

from collections.abc import Iterator
from typing import ClassVar, cast

from simchain import units
from simchain.blocks import Block
from simchain.blocks.modulation import Modulation
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.received import Received
from simchain.fit.sent import RATE
from simchain.fit.sway_search import sways
from simchain.fit.swaying import tones
from simchain.fit.sways import Sway

RATE_HZ = Free("rate_hz", 0.02, 20.0, log=True, step=0.0005)
DEPTH = Free("depth", 0.0, 1.0, step=0.01)
FEEDBACK = Free("feedback", -0.98, 0.98, step=0.02)
MIX = Free("mix", 0.0, 1.0, step=0.02)
LEVEL = Free("level_db", -60.0, 40.0)
# Ten times as loud is what feedback may make of a tone before the rails are reached.
_BELOW_RAILS = 0.11


class ModulationFit(KindFit):
    """A sway is tried on steady tones: of each the complex amplitude over time is compared.

    Of a tremolo mix and depth are one figure, and a vibrato has no dry sound: both are taken as wet
    alone. The shape is what the board says.
    """

    kind: ClassVar[str] = "modulation"
    coarse: ClassVar = ()
    fine: ClassVar = (Stretch("steps1", "ramp", 0.5),)
    blind_to: ClassVar[dict[str, str]] = {
        "shape": "it stands on the unit: say it on the board",
        "width": "one output was recorded",
        "phase": "where the sway stood when the recording began is chance",
    }

    def starts(self, block: Block, received: Received) -> Iterator[Start]:
        """See `KindFit.starts`: the sways that come nearest to steady tones."""
        unit = cast(Modulation, block)
        heard = tones(received, _BELOW_RAILS * unit.ceiling_volts)
        for sway in sways(unit.shape, heard, unit.wet_latency_s):
            yield _start(unit, sway)


def _start(unit: Modulation, sway: Sway) -> Start:
    level_db = min(max(units.ratio_to_db(sway.dry + sway.wet), LEVEL.low), LEVEL.high)
    at = {"rate_hz": sway.rate_hz, "depth": sway.depth, "level_db": level_db}
    free, chosen = [RATE_HZ, DEPTH, LEVEL], ["mix", "feedback"]
    if unit.shape in ("tremolo", "vibrato"):
        at |= {"mix": 1.0, "feedback": 0.0}
    else:
        at |= {"mix": sway.wet / (sway.dry + sway.wet), "feedback": sway.feedback}
        free, chosen = [*free, MIX, FEEDBACK], []
    if unit.shape == "phaser":
        at["stages"] = sway.stages
        chosen = ["stages"]
    return Start(
        unit.model_copy(update=at),
        tuple(free),
        turn=(sway.turn - unit.phase) % 1.0,
        turns=True,
        chosen=tuple(chosen),
        late=sway.late_s * RATE,
    )
