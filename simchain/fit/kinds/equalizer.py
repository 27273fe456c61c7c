"""An equalizer: as many bands as the recording defends, of which shapes, and where."""

from collections.abc import Iterator
from typing import ClassVar

from simchain.blocks import Block
from simchain.blocks.equalizer import Band
from simchain.filters.bands import SHAPES_WITH_GAIN
from simchain.fit.bands import FoundBand, deviations_of
from simchain.fit.bands_of import bands_of, defended
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.received import Received
from simchain.fit.response import response_of

MOST_BANDS = 5
# A band that does less is none: an equalizer that stands flat has no bands.
LEAST_DB = 0.05


_STEPS = (("hz", 0.05), ("db", 0.2), ("q", 0.1))


class EqualizerFit(KindFit):
    """The bands are found in the response, over all it tells: waveforms would add nothing.

    They would take something away: high up an interface droops, and an equalizer's digital form
    leads its circuit by a part of a frame.
    """

    kind: ClassVar[str] = "equalizer"
    coarse: ClassVar[tuple[Stretch, ...]] = ()
    fine: ClassVar[tuple[Stretch, ...]] = (Stretch("soft1", "bursts1"),)
    blind_to: ClassVar[dict[str, str]] = {
        "bands": (
            "a cut and a shelf of the same q at one end make the same sound in two ways, and only "
            "one of them is named"
        )
    }

    def starts(self, block: Block, received: Received) -> Iterator[Start]:
        """See `KindFit.starts`: the fewest bands that no more of them better."""
        response = response_of(received, block.ceiling_volts)
        found = defended(bands_of(response, MOST_BANDS))
        spread = deviations_of(found, response)
        heard = [place for place, one in enumerate(found.bands) if not _is_flat(one)]
        order = sorted(heard, key=lambda place: found.bands[place].hz)
        bands, read = [], []
        for number, place in enumerate(order):
            one = found.bands[place]
            bands.append(Band(shape=one.shape, hz=one.hz, db=one.db, q=one.q))
            for (key, step), deviation in zip(_STEPS, spread[place], strict=True):
                if key != "db" or one.shape in SHAPES_WITH_GAIN:
                    share = getattr(one, key) if key != "db" else 1.0
                    read.append((_control(number, one, key, step), share * float(deviation)))
        moved = block.model_copy(update={"bands": tuple(bands)})
        yield Start(moved, (), chosen=("bands",), read=tuple(read))


def _is_flat(band: FoundBand) -> bool:
    return band.shape in SHAPES_WITH_GAIN and abs(band.db) < LEAST_DB


def _control(number: int, band: FoundBand, key: str, step: float) -> Free:
    low, high = {"hz": (20.0, 20e3), "db": (-40.0, 40.0), "q": (0.05, 50.0)}[key]
    name = f"{key} of band {number + 1} ({band.shape.replace('_', ' ')})"
    return Free(name, low, high, log=key != "db", step=step, nested=("bands", number, key))
