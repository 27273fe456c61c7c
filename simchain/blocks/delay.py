"""Delay: the sound again after a fixed time, and again."""

import math
from typing import ClassVar, Literal, Self

import numpy as np
from pydantic import model_validator

from simchain.blocks._paths import TailedBlock, to_channels
from simchain.blocks.base import Moment, current_ma, input_ohm, noise_out_uv, output_ohm
from simchain.settings import control
from simchain.signal import Volts

MOST_FEEDBACK_CLEAN = 0.98
USUAL_TIME_MS = 380.0
TIME_LIMITS_MS = (1.0, 10_000.0)
QUARTERS = {"whole": 4.0, "half": 2.0, "quarter": 1.0, "eighth": 0.5, "sixteenth": 0.25}
LENGTHENED = {"": 1.0, "dotted": 1.5, "triplet": 2 / 3}

Note = Literal[
    "whole",
    "half",
    "quarter",
    "eighth",
    "sixteenth",
    "dotted whole",
    "dotted half",
    "dotted quarter",
    "dotted eighth",
    "dotted sixteenth",
    "triplet whole",
    "triplet half",
    "triplet quarter",
    "triplet eighth",
    "triplet sixteenth",
]


def note_ms(bpm: float, note: str) -> float:
    """Return how long a note value lasts at `bpm` quarter notes a minute."""
    lengthened, _, value = note.rpartition(" ")
    return 60e3 / bpm * QUARTERS[value] * LENGTHENED[lengthened]


class Delay(TailedBlock):
    """A delay with feedback. Clean: strictly linear, repeats exact in time and level.

    The repeats, with F the first-order filter at `tone_hz` and D the delay time::

        wet(t) = F [ volts(t - D) + feedback wet(t - D) ]

    so the first repeat has passed the filter once, the second twice: each is darker. The time
    counts from the dry note, converters included; were it shorter than they are, the first repeat
    comes when they let it through and the others `time_ms` apart.
    """

    kind: ClassVar[str] = "delay"
    about: ClassVar[str] = (
        "Repeats what you play after a set time, each repeat quieter and darker.\n"
        "Clean: it adds nothing of its own, and sounds the same at any level below its rails."
    )
    checked_against: ClassVar[str] = (
        "echo decay T60 = -3 D / log10(feedback); band-limited pulses, to 0.01 frame and 0.05 dB"
    )

    voice: Literal["clean", "bucket-brigade", "tape"] = control("clean", "what holds the sound")
    time_ms: float | None = control(
        None,
        "from the dry note to the first repeat (380 unless bpm and note are given)",
        unit="ms",
        ge=TIME_LIMITS_MS[0],
        le=TIME_LIMITS_MS[1],
        usual=(20, 1500),
    )
    bpm: float | None = control(
        None,
        "tempo, with note in place of time_ms",
        unit="quarter notes/min",
        ge=20,
        le=400,
        usual=(40, 240),
    )
    note: Note | None = control(None, "note value of the delay time, with bpm")
    feedback: float = control(
        0.35,
        "how much of each repeat is repeated (clean: to 0.98)",
        ge=0,
        le=1.05,
        usual=(0, 0.98),
    )
    tone_hz: float = control(
        4000.0,
        "first-order high cut that every repeat passes once more (0: none)",
        unit="Hz",
        ge=0,
        le=20_000,
        usual=(800, 12_000),
    )
    flutter: float | None = control(
        None, "unsteady speed of a tape voice (0.1 when left out)", ge=0, le=1, usual=(0, 1)
    )
    spread: float = control(0.0, "repeats from side to side", ge=0, le=1, usual=(0, 1))

    input_ohm: float = input_ohm(1e6, (500e3, 10e6))
    output_ohm: float = output_ohm(500, (100, 1e3))
    current_ma: float = current_ma(120, (60, 300))
    noise_out_uv: float = noise_out_uv(25)

    @model_validator(mode="after")
    def _has_one_time(self) -> Self:
        if (self.bpm is None) != (self.note is None):
            missing, given = ("note", "bpm") if self.note is None else ("bpm", "note")
            raise ValueError(f"{given} is given without {missing}: the delay time needs both")
        if self.bpm is not None and self.note is not None:
            if self.time_ms is not None:
                raise ValueError("give either time_ms, or bpm and note: not both")
            low, high = TIME_LIMITS_MS
            lasts_ms = note_ms(self.bpm, self.note)
            if not low <= lasts_ms <= high:
                raise ValueError(
                    f"a {self.note} at bpm = {self.bpm:g} lasts {lasts_ms:g} ms; "
                    f"{low:g} to {high:g} ms are allowed"
                )
        return self

    @model_validator(mode="after")
    def _fits_its_voice(self) -> Self:
        if self.voice == "clean" and self.feedback > MOST_FEEDBACK_CLEAN:
            raise ValueError(
                f"feedback = {self.feedback:g} is too much for the clean voice: "
                f"0 to {MOST_FEEDBACK_CLEAN:g} are allowed, above it the repeats would not die away"
            )
        if self.voice == "clean" and self.flutter:
            raise ValueError(
                f'flutter = {self.flutter:g} needs voice = "tape": the clean voice runs steadily'
            )
        return self

    @property
    def delay_ms(self) -> float:
        """From the dry note to the first repeat, however it was given."""
        if self.bpm is not None and self.note is not None:
            return note_ms(self.bpm, self.note)
        return USUAL_TIME_MS if self.time_ms is None else self.time_ms

    @property
    def is_digital(self) -> bool:
        """Clean and tape voices are digital units unless `digital` says otherwise."""
        return self.voice != "bucket-brigade" if self.digital is None else self.digital

    def not_yet(self) -> str | None:
        """Voices other than clean, and repeats from side to side."""
        if self.voice != "clean":
            return f'voice = "{self.voice}" is not simulated yet: voice = "clean" is'
        if self.spread > 0:
            return f"spread = {self.spread:g} is not simulated yet: leave it at 0"
        return None

    def is_lti(self) -> bool:
        """The clean voice always is."""
        return self.voice == "clean"

    def process(self, volts: Volts, now: Moment) -> Volts:
        """Mix `volts` with its repeats; two inputs on two outputs have a line each."""
        from simchain.filters import high_cut
        from simchain.kernels.delay_line import NO_SECTIONS, delayed, repeats

        dry = to_channels(volts, min(self.inputs, self.outputs))
        if self.mix == 0.0:
            return np.array(to_channels(dry, self.outputs))
        tone = high_cut(self.tone_hz, now.rate) if self.tone_hz > 0 else NO_SECTIONS
        wet = repeats(dry, self.delay_ms / 1e3 * now.rate, self.feedback, tone)
        late_s = max(0.0, self.wet_latency_s - self.delay_ms / 1e3)
        wet = delayed(wet, math.floor(late_s * now.rate + 0.5))
        return to_channels(self.mixed(dry, wet), self.outputs)
