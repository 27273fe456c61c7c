"""A guitar's body: as many resonances as the recording defends, and how much of it there is."""

import math
from collections.abc import Iterator
from typing import ClassVar

from simchain import units
from simchain.blocks import Block
from simchain.blocks.body import Mode
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.modes_of import deviations_of, modes_of
from simchain.fit.received import Received
from simchain.fit.response import response_of

MOST_MODES = 10
MIX = Free("mix", 0.0, 1.0)
# dB for a share of a ratio.
_DB_A_SHARE = 20.0 / math.log(10.0)


class BodyFit(KindFit):
    """Resonances side by side and the direct sound are read from the response.

    Of the modes' levels the loudest is called 0 dB: the body is made as loud as the dry sound
    whatever they all are. The direct sound is 1 - mix.
    """

    kind: ClassVar[str] = "body"
    coarse: ClassVar[tuple[Stretch, ...]] = ()
    fine: ClassVar[tuple[Stretch, ...]] = (Stretch("soft1", "bursts1"),)
    blind_to: ClassVar[dict[str, str]] = {
        "modes": (
            "levels of modes count beside each other alone, so the loudest is called 0 dB; a mode "
            "far below its neighbours is not told from their flanks"
        )
    }

    def starts(self, block: Block, received: Received) -> Iterator[Start]:
        """See `KindFit.starts`: all of it read; where nothing rings there is no body."""
        response = response_of(received, block.ceiling_volts)
        found = modes_of(response, MOST_MODES)
        spread = deviations_of(found, response)
        if not found.modes:
            dry = block.model_copy(update={"mix": 0.0})
            yield Start(dry, (), read=((MIX, float(spread[0])),))
            return
        loudest = max(one.gain for one in found.modes)
        modes, read = [], [(MIX, float(spread[0]))]
        order = sorted(range(len(found.modes)), key=lambda place: found.modes[place].hz)
        for number, place in enumerate(order):
            one = found.modes[place]
            level = units.ratio_to_db(one.gain / loudest)
            modes.append(Mode(hz=one.hz, q=one.q, db=level))
            hz, q, db = (float(share) for share in spread[2 + 3 * place :][:3])
            read += [
                (_control(number, "hz", 20.0, 20e3, log=True), hz * one.hz),
                (_control(number, "q", 1.0, 100.0, log=True), q * one.q),
                (_control(number, "db", -60.0, 60.0, log=False), _DB_A_SHARE * db),
            ]
        moved = {"modes": tuple(modes), "mix": 1.0 - found.direct, "file": None}
        yield Start(block.model_copy(update=moved), (), read=tuple(read))


def _control(number: int, key: str, low: float, high: float, *, log: bool) -> Free:
    name = f"{key} of mode {number + 1}"
    return Free(name, low, high, log=log, nested=("modes", number, key))
