"""The boost: clean gain with its rails."""

from typing import ClassVar

import numpy as np

from simchain.blocks._moving import turn
from simchain.blocks._paths import to_channels
from simchain.blocks.base import Block, Moment, current_ma, input_ohm, noise_nv, output_ohm
from simchain.filters import high_cut, low_cut, run_sections
from simchain.settings import control
from simchain.signal import Volts


class Boost(Block):
    """Gain between a first-order low cut and a first-order high cut; a cut at 0 Hz is off."""

    kind: ClassVar[str] = "boost"
    about: ClassVar[str] = (
        "Clean gain: louder, and what follows is driven harder.\n"
        "Nothing clips in it until its supply rails are reached; its gain comes before them."
    )
    checked_against: ClassVar[str] = "closed form of gain and two first-order corners"

    gain_db: float = control(6, "gain", unit="dB", ge=-60, le=80, usual=(0, 25), movable=True)
    low_cut_hz: float = control(
        20, "corner of the low cut, 0 = off", unit="Hz", ge=0, le=20e3, usual=(0, 500)
    )
    high_cut_hz: float = control(
        20e3, "corner of the high cut, 0 = off", unit="Hz", ge=0, le=1e6, usual=(1e3, 100e3)
    )
    input_ohm: float = input_ohm(1e6, (220e3, 2e6))
    output_ohm: float = output_ohm(600, (100, 5e3))
    current_ma: float = current_ma(5, (1, 25))
    noise_nv: float = noise_nv(8)

    def nominal_gain_db(self) -> float:
        """See `Block.nominal_gain_db`: the gain control."""
        return self.gain_db

    def is_lti(self) -> bool:
        """Always: gain and two filters."""
        return True

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """See `Block.process_over`."""
        sections = np.empty((0, 6))
        if self.low_cut_hz > 0:
            sections = low_cut(self.low_cut_hz, now.rate)
        if self.high_cut_hz > 0:
            sections = np.concatenate((sections, high_cut(self.high_cut_hz, now.rate)))
        run_sections(sections, volts, out=volts)
        turn(volts, self, "gain_db", now)
        return to_channels(volts, self.outputs)
