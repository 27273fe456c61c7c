"""The volume pedal: a pot under the foot, bare or between buffers."""

import math
from typing import Any, ClassVar, Literal, Self

import numpy as np
from pydantic import model_validator

from simchain import units
from simchain.blocks._paths import to_channels
from simchain.blocks.base import Block, Moment, current_ma, input_ohm, noise_nv, output_ohm
from simchain.settings import control
from simchain.signal import Volts, pieces

AUDIO_MIDDLE_DB = -16.0
AUDIO_BEND = 2.0 * math.log(10.0 ** (-AUDIO_MIDDLE_DB / 20.0) - 1.0)
ACTIVE_FIGURES = {"current_ma": 8.0, "noise_nv": 10.0}
ONLY_ACTIVE = (
    "input_ohm",
    "output_ohm",
    "rail_volts",
    "max_dbu",
    "noise_nv",
    "noise_out_uv",
    "level_db",
    "invert",
)


class Volume(Block):
    """A pot whose wiper gives the share `wiper` of what stands on it; off, it is a wire.

    A passive pot has no rails and draws nothing: it is a part of the link between its neighbours,
    and loads the one before. An active one stands between buffers, with impedances and rails as
    given.
    """

    kind: ClassVar[str] = "volume"
    about: ClassVar[str] = (
        "Louder and softer with the foot: first in line it is the guitar's volume knob.\n"
        "After a drive it fades what was driven, and leaves the dirt as it is."
    )
    checked_against: ClassVar[str] = (
        "audio taper of 16 dB at the middle (handbooks: 15 %, 16.5 dB); loading as every link's"
    )

    position: float = control(
        1, "pedal, from heel (0, silence) to toe (1)", ge=0, le=1, usual=(0, 1), movable=True
    )
    taper: Literal["audio", "linear"] = control(
        "audio", "middle position: 16 dB down (audio) or half (linear)"
    )
    active: bool = control(False, "buffered inside, and supplied with power")
    pot_ohm: float = control(
        250e3,
        "resistance of a passive pot (250 k behind a guitar, 25 k behind buffers)",
        unit="ohm",
        ge=100,
        le=100e6,
        usual=(10e3, 1e6),
    )
    input_ohm: float = input_ohm(1e6, (100e3, 10e6))
    output_ohm: float = output_ohm(500, (50, 25e3))
    current_ma: float = current_ma(0, (0, 20))
    noise_nv: float = noise_nv(0)

    @model_validator(mode="before")
    @classmethod
    def _active_ones_draw_current_and_hiss(cls, given: Any) -> Any:
        if isinstance(given, dict) and given.get("active") is True:
            return ACTIVE_FIGURES | given
        return given

    @model_validator(mode="after")
    def _has_what_it_is_given(self) -> Self:
        fields = type(self).model_fields
        if self.active and self.pot_ohm != fields["pot_ohm"].default:
            raise ValueError(
                f"pot_ohm = {self.pot_ohm:g} does nothing between buffers: leave it out"
            )
        for name in () if self.active else ONLY_ACTIVE:
            value = getattr(self, name)
            if value != fields[name].default:
                raise ValueError(
                    f"{name} = {value:g} needs active = true: a passive pot has pot_ohm alone"
                )
        if not self.active and self.bypass == "buffered":
            raise ValueError('bypass = "buffered" needs active = true: a passive pot has no buffer')
        return self

    @property
    def wiper(self) -> float:
        """The wiper's share of the pot's resistance, and of the voltage on it.

        linear: r = position. audio: r = (b^position - 1) / (b - 1), which is 0 at 0 and 1 at 1;
        10^(-16/20) at the middle asks for 1 / (sqrt(b) + 1), so sqrt(b) = 10^(16/20) - 1.
        """
        if self.taper == "linear":
            return self.position
        return math.expm1(AUDIO_BEND * self.position) / math.expm1(AUDIO_BEND)

    def wiper_at(self, positions: Volts) -> Volts:
        """Return `wiper` at each of `positions`, 0 to 1, whatever the pedal's own position."""
        if self.taper == "linear":
            return np.array(positions, dtype=np.float64)
        return np.asarray(np.expm1(AUDIO_BEND * positions) / math.expm1(AUDIO_BEND))

    @property
    def pot(self) -> tuple[float, float] | None:
        """The pot of a passive one and its wiper's share; see `Block.pot`."""
        return None if self.active else (self.pot_ohm, self.wiper)

    @property
    def ceiling_volts(self) -> float:
        """As of every unit when active; a passive pot has no rails."""
        return super().ceiling_volts if self.active else math.inf

    def nominal_gain_db(self) -> float:
        """See `Block.nominal_gain_db`: the wiper's share."""
        return units.ratio_to_db(self.wiper)

    def is_lti(self) -> bool:
        """Always, as long as the pedal rests: a gain."""
        return True

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """See `Block.process_over`; the links at both ends are ideal."""
        for part in pieces(volts.shape[1]):
            moving = now.moving("position", part.stop - part.start, part.start)
            volts[:, part] *= self.wiper if moving is None else self.wiper_at(moving)
        return to_channels(volts, self.outputs)
