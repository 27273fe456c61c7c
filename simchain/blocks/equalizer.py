"""The equalizer: second-order bands one after another."""

from typing import Annotated, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from simchain.blocks._paths import to_channels
from simchain.blocks.base import Block, Moment, current_ma, input_ohm, noise_nv, output_ohm
from simchain.filters import SHAPES, Shape, band_sections, run_sections
from simchain.filters.bands import SHAPES_WITH_GAIN
from simchain.settings import Settings, control
from simchain.signal import Volts

MOST_BANDS = 10
HIGHEST_OF_RATE = 0.45


class Band(Settings):
    """One band; `simchain.filters.band_circuit` gives the equations."""

    shape: Shape = control("peak", "what the band does")
    hz: float = control(..., "centre, or corner", unit="Hz", ge=20, le=20e3, usual=(80, 8000))
    db: float = control(0, "gain of a peak or shelf", unit="dB", ge=-40, le=40, usual=(-15, 15))
    q: float = control(
        1,
        "how narrow; 0.71 makes a shelf or cut as steep as it gets without a bump",
        ge=0.05,
        le=50,
        usual=(0.3, 8),
    )

    @model_validator(mode="after")
    def _has_gain_where_it_acts(self) -> Self:
        if self.db != 0 and self.shape not in SHAPES_WITH_GAIN:
            raise ValueError(
                f"db = {self.db:g} does nothing in a {self.shape}; leave it out, or use "
                f"{', '.join(SHAPES_WITH_GAIN)}"
            )
        return self


class Equalizer(Block):
    """Bands in series, each the digital form of its analogue circuit; without bands it is flat."""

    kind: ClassVar[str] = "equalizer"
    about: ClassVar[str] = (
        "Turns ranges of pitch up or down, band by band.\n"
        "Before a drive it shapes what is driven; after it, what is heard."
    )
    checked_against: ClassVar[str] = (
        "closed forms of the analogue bands of the Audio EQ Cookbook, within 0.03 dB to 10 kHz"
    )

    bands: Annotated[tuple[Band, ...], Field(max_length=MOST_BANDS)] = control(
        (), f"up to {MOST_BANDS} bands, each {{shape, hz, db, q}}; shapes: {', '.join(SHAPES)}"
    )
    bypass: Literal["true", "buffered"] = control(
        "buffered", "what the footswitch does when off: a straight wire, or a buffer that stays in"
    )
    input_ohm: float = input_ohm(1e6, (100e3, 10e6))
    output_ohm: float = output_ohm(500, (50, 25e3))
    current_ma: float = current_ma(15, (5, 40))
    noise_nv: float = noise_nv(20)

    def nominal_gain_db(self) -> float | None:
        """See `Block.nominal_gain_db`: none, unless a band lifts or lowers part of the spectrum."""
        return None if any(band.db for band in self.bands) else 0.0

    def is_lti(self) -> bool:
        """Always: filters only."""
        return True

    def refused_at(self, rate: int) -> str | None:
        """Say in one line which band lies too high for a board of this rate, or None."""
        highest = HIGHEST_OF_RATE * rate
        for number, band in enumerate(self.bands, 1):
            if band.hz >= highest:
                return (
                    f"bands, entry {number}, hz = {band.hz:g} is too high for rate = {rate}: "
                    f"below {highest:g} Hz is allowed"
                )
        return None

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """See `Block.process_over`."""
        sections = [
            band_sections(band.shape, band.hz, band.db, band.q, now.rate) for band in self.bands
        ]
        stacked = np.concatenate(sections) if sections else np.empty((0, 6))
        return to_channels(run_sections(stacked, volts, out=volts), self.outputs)
