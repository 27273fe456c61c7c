"""The tuner: it listens, and mutes."""

from typing import ClassVar

import numpy as np

from simchain.blocks.base import Block, Moment, current_ma, input_ohm, noise_nv, output_ohm
from simchain.signal import Volts


class Tuner(Block):
    """Silence while it is on. Off, it is a wire or a buffer, as its bypass says."""

    kind: ClassVar[str] = "tuner"
    about: ClassVar[str] = (
        "Shows the pitch and mutes: while it is on, nothing comes out.\n"
        "Leave it off in every passage that should sound."
    )
    checked_against: ClassVar[str] = "silence"

    input_ohm: float = input_ohm(1e6, (100e3, 10e6))
    output_ohm: float = output_ohm(100, (50, 25e3))
    current_ma: float = current_ma(40, (15, 100))
    noise_nv: float = noise_nv(5)

    def is_lti(self) -> bool:
        """Always: silence is nought times the input."""
        return True

    def process_over(self, volts: Volts, now: Moment) -> Volts:  # noqa: ARG002
        """Return silence, shape (self.outputs, frames)."""
        return np.zeros((self.outputs, volts.shape[1]))
