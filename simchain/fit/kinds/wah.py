"""A wah: the resonance at which its pedal rests."""

from collections.abc import Iterator
from typing import ClassVar

import numpy as np

from simchain.blocks import Block
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.received import Received
from simchain.fit.response import SWEEPS, response_of

POSITION = Free("position", 0.0, 1.0, step=0.02)
LOW, HIGH = (Free(name, 20.0, 10e3, log=True, step=0.05) for name in ("low_hz", "high_hz"))
SHAPE = (Free("q", 1.0, 50.0, log=True, step=0.1), Free("gain_db", -60.0, 80.0))


class WahFit(KindFit):
    """A pedal at rest shows one resonance: the board's ends of its way stand, and it is placed
    between them; where it lies beyond, the pedal stands at that end, and the end is found.
    """

    kind: ClassVar[str] = "wah"
    coarse: ClassVar[tuple[Stretch, ...]] = ()
    fine: ClassVar[tuple[Stretch, ...]] = SWEEPS
    blind_to: ClassVar[dict[str, str]] = {
        "low_hz, high_hz": (
            "while the recording was made the pedal rested, and showed the one resonance it stands "
            "at; record with heel and toe down to find its ends"
        )
    }

    def starts(self, block: Block, received: Received) -> Iterator[Start]:
        """See `KindFit.starts`: the peak of the response, and how wide it is 3 dB below."""
        response = response_of(received, block.ceiling_volts)
        level = response.level_db
        at = int(np.argmax(level))
        hz = float(response.hz[at])
        wide = response.hz[level >= level[at] - 3.01]
        q = min(max(hz / max(float(wide[-1] - wide[0]), 1e-3), 1.0), 50.0)
        moved = {"q": q, "gain_db": float(level[at])}
        low, high = (float(np.exp(free.of(block) * free.step)) for free in (LOW, HIGH))
        if low < hz < high:
            moved["position"] = float(np.log(hz / low) / np.log(high / low))
            yield Start(block.model_copy(update=moved), (POSITION, *SHAPE))
            return
        name, end, position = ("low_hz", LOW, 0.0) if hz <= low else ("high_hz", HIGH, 1.0)
        moved |= {name: hz, "position": position}
        yield Start(block.model_copy(update=moved), (end, *SHAPE), chosen=("position",))
