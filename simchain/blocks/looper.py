"""The looper: a phrase is recorded, goes round, and is played over."""

from typing import ClassVar, Literal

from simchain.blocks._loops import Loop
from simchain.blocks._paths import to_channels
from simchain.blocks.base import Block, Moment, current_ma, input_ohm, noise_out_uv, output_ohm
from simchain.settings import control
from simchain.signal import Volts


class Looper(Block):
    """A loop beside the live sound, which always passes at unity. See `Loop` for what it does.

    `loop_db` is the level at which the loop plays; `level_db` is that of the whole unit, live sound
    included. The live sound does not pass the converters: they delay what the loop plays.
    """

    kind: ClassVar[str] = "looper"
    always_passes: ClassVar[bool] = True
    about: ClassVar[str] = (
        "Records a phrase and plays it round and round beneath you; overdub lays more on top.\n"
        "What stands before it is recorded with the phrase, what stands after it changes the loop."
    )
    checked_against: ClassVar[str] = (
        "period to the frame over ten rounds, a tone that fits it nulls; layers as powers of "
        "feedback; at seams the step of a linear cross-fade and the energy above 8 kHz"
    )

    feedback: float = control(
        1.0, "what each pass of overdub leaves of what is there", ge=0, le=1, usual=(0, 1)
    )
    max_s: float = control(60.0, "longest take", unit="s", ge=0.1, le=3600, usual=(1, 600))
    loop_db: float = control(
        0.0,
        "level of what the loop plays, beside the live sound",
        unit="dB",
        ge=-60,
        le=40,
        usual=(-40, 6),
    )
    bypass: Literal["true", "buffered"] = control(
        "buffered", "what the footswitch does when off: a straight wire, or a buffer that stays in"
    )

    input_ohm: float = input_ohm(1e6, (500e3, 10e6))
    output_ohm: float = output_ohm(500, (100, 1e3))
    current_ma: float = current_ma(150, (80, 300))
    noise_out_uv: float = noise_out_uv(25)

    @property
    def is_digital(self) -> bool:
        """A digital unit unless `digital` says otherwise."""
        return self.digital is not False

    @property
    def loop(self) -> Loop:
        """The loop behind these settings."""
        return Loop(self.feedback, self.loop_db, self.max_s, self.wet_latency_s)

    def is_lti(self) -> bool:
        """A wire, as far as settings go: a passage in which it records or plays is not."""
        return True

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """Return the live sound and the loop; of two channels each has a line of its own.

        With takes that needs the room of the sound again.
        """
        live = to_channels(volts, min(self.inputs, self.outputs))
        if now.takes:
            return to_channels(self.loop.played(live, now), self.outputs)
        return to_channels(live, self.outputs)
