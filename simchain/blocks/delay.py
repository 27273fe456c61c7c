"""Delay: the sound again after a fixed time, and again."""

import math
from collections.abc import Iterator
from typing import Any, ClassVar, Literal, Self

import numpy as np
from pydantic import model_validator

from simchain.blocks._delay_voices import bucket_brigade, tape
from simchain.blocks._loops import Loop
from simchain.blocks._moving import rests_at
from simchain.blocks._paths import TailedBlock, to_channels
from simchain.blocks.base import Moment, current_ma, input_ohm, noise_out_uv, output_ohm
from simchain.settings import control
from simchain.signal import Volts, pieces

MOST_FEEDBACK_CLEAN = 0.98
USUAL_TIME_MS = 380.0
USUAL_FLUTTER = 0.1
BUCKET_BRIGADE_FIGURES = {"current_ma": 25.0, "noise_out_uv": 150.0}
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
    """A delay with feedback, in one of three voices.

    clean: strictly linear, repeats exact in time and level. With F the first-order filter at
    `tone_hz` and D the delay time::

        wet(t) = F [ volts(t - D) + feedback wet(t - D) ]

    so the first repeat has passed the filter once, the second twice: each is darker. The time
    counts from the dry note, converters included; were it shorter than they are, the first repeat
    comes when they let it through and the others `time_ms` apart.

    bucket-brigade: inside the loop, one after the other, a compressor of 2 to 1 about -6 dBu
    (1 dB for 2, down to 60 dB below that; time constant 20 ms), a third-order low-pass, buckets
    that saturate softly as x / sqrt(1 + (x / 2 V)^2), a third-order low-pass again, the expander,
    F and a coupling low cut at 30 Hz. Each low-pass is 3 dB down at 1365 Hz / (time in s), from
    10 kHz (up to 137 ms) to 1 kHz (from 1.37 s): what is lost there the expander doubles.

    tape: saturation as x / sqrt(1 + (x / 2.084 V)^2), 3 % of third harmonic at 0 dBu; a
    second-order low-pass at 8 kHz; a head bump of 1.25 dB at 90 Hz with a low cut beneath it; F;
    and the speed wavers as `deepest` says, by as much of that as `flutter` asks. Delays below 9 ms
    waver less: by half of themselves at most.

    In both the low-passes' own delay is part of `time_ms`, so that the first repeat is on time, on
    average of the wavering. Feedback above 1 (for the tape's bump above 0.87) swells until the
    saturation holds it. These figures are common practice, no source.

    `spread`, with two outputs: the repeats change sides, odd ones with the gain g on the left and h
    on the right, even ones the other way round, g^2 + h^2 = 2: both 1 at spread 0, and the square
    root of 2 and 0 at spread 1. Two lines feed each other. With two inputs each has a line of its
    own, the left one's on the left, and `spread` is the share of the feedback that crosses over.

    After the repeats comes a loop, as a looper behind the delay would be (see `Loop`): it records
    dry and repeats as they are mixed. With trails it plays on while the delay is off.
    """

    kind: ClassVar[str] = "delay"
    about: ClassVar[str] = (
        "Repeats what you play after a set time, each repeat quieter and darker.\n"
        "Clean adds nothing; bucket-brigade is dull and soft, tape warm and unsteady."
    )
    checked_against: ClassVar[str] = (
        "echo decay T60 = -3 D / log10(feedback); band-limited pulses, to 0.01 frame and 0.05 dB; "
        "compander tracking and settling, tape harmonics and pitch swing 1200 log2(1 - d'(t)) "
        "against closed forms"
    )
    deepest: ClassVar[str] = (
        "flutter 1: pitch sways by ±25 cents at 0.7 Hz and ±12 cents at 6.5 Hz, "
        "and wanders by 5 cents RMS between 1 and 15 Hz"
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
        "how much of each repeat is repeated (clean: to 0.98; a tape swells from 0.87)",
        ge=0,
        le=1.05,
        usual=(0, 1.05),
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
    spread: float = control(
        0.0, "repeats from side to side, with outputs = 2", ge=0, le=1, usual=(0, 1)
    )
    loop_db: float = control(
        0.0, "level of what its loop plays", unit="dB", ge=-60, le=40, usual=(-40, 6)
    )
    loop_feedback: float = control(
        1.0,
        "what each pass of overdub leaves of what is in its loop",
        ge=0,
        le=1,
        usual=(0, 1),
    )
    loop_max_s: float = control(
        60.0, "longest take of its loop", unit="s", ge=0.1, le=3600, usual=(1, 600)
    )

    input_ohm: float = input_ohm(1e6, (500e3, 10e6))
    output_ohm: float = output_ohm(500, (100, 1e3))
    current_ma: float = current_ma(120, (10, 300))
    noise_out_uv: float = noise_out_uv(25)

    @model_validator(mode="before")
    @classmethod
    def _buckets_draw_less_and_hiss_more(cls, given: Any) -> Any:
        if (
            isinstance(given, dict)
            and given.get("voice") == "bucket-brigade"
            and given.get("digital") is not True
        ):
            return BUCKET_BRIGADE_FIGURES | given
        return given

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
        if self.voice != "tape" and self.flutter:
            raise ValueError(
                f'flutter = {self.flutter:g} needs voice = "tape": '
                f"the {self.voice} voice runs steadily"
            )
        return self

    @model_validator(mode="after")
    def _has_two_sides(self) -> Self:
        if self.spread > 0 and self.outputs == 1:
            raise ValueError(f"spread = {self.spread:g} needs outputs = 2: one has no sides")
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

    @property
    def loop(self) -> Loop:
        """The loop after the repeats."""
        return Loop(self.loop_feedback, self.loop_db, self.loop_max_s, self.wet_latency_s)

    def widens(self) -> bool:
        """See `Block.widens`."""
        return self.spread > 0.0

    def modulates(self) -> bool:
        """See `Block.modulates`: a tape's speed wavers."""
        return self.voice == "tape" and self.flutter != 0.0 and self.mix > 0.0

    def frozen(self) -> Self:
        """See `Block.frozen`."""
        return self.model_copy(update={"flutter": 0.0}) if self.voice == "tape" else self

    def is_lti(self) -> bool:
        """The clean voice always is, the others only when nothing of them is heard.

        A passage in which the loop records or plays is not, whatever the voice.
        """
        return self.voice == "clean" or self.mix == 0.0

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """Mix `volts` with its repeats; see the class for two channels. A loop takes its room."""
        made = self._with_repeats(volts, now)
        return self.loop.played(made, now) if now.takes else made

    def _with_repeats(self, volts: Volts, now: Moment) -> Volts:
        from simchain.kernels.delay_line import Late

        dry = to_channels(volts, min(self.inputs, self.outputs))
        if rests_at(self, "mix", now, 0.0):
            return to_channels(dry, self.outputs)
        rows, crossed = self._sides(dry)
        late_s = max(0.0, self.wet_latency_s - self.delay_ms / 1e3)
        late = Late(len(rows), math.floor(late_s * now.rate + 0.5))
        for part, wet in self._repeats(rows, crossed, now):
            rows[:, part] = self.mixed(dry[:, part], late(wet), part, now)
        return to_channels(rows, self.outputs)

    def _repeats(self, rows: Volts, crossed: float, now: Moment) -> Iterator[tuple[slice, Volts]]:
        """Yield the repeats alone of what enters each line, in pieces with their place.

        What lies before the end of a piece is not read any more.
        """
        from simchain.filters import high_cut
        from simchain.kernels.delay_line import NO_SECTIONS, Repeats

        time_s = self.delay_ms / 1e3
        if self.voice == "bucket-brigade":
            yield from bucket_brigade(rows, time_s, self.feedback, crossed, self.tone_hz, now.rate)
            return
        if self.voice == "tape":
            flutter = USUAL_FLUTTER if self.flutter is None else self.flutter
            yield from tape(
                *(rows, time_s, self.feedback, crossed, self.tone_hz, now.rate),
                *(flutter, now.seed, now.turn),
            )
            return
        tone = high_cut(self.tone_hz, now.rate) if self.tone_hz > 0 else NO_SECTIONS
        clean = Repeats(len(rows), time_s * now.rate, self.feedback, tone, crossed)
        for part in pieces(rows.shape[1]):
            yield part, clean(rows[:, part])

    def _sides(self, dry: Volts) -> tuple[Volts, float]:
        """What enters each line, and the share of the feedback that crosses to the other."""
        if self.spread == 0.0 or dry.shape[0] == 2:
            return dry, self.spread
        turn = 0.25 * math.pi * (1.0 - self.spread)
        sides = math.sqrt(2.0) * np.array([[math.cos(turn)], [math.sin(turn)]])
        return np.ascontiguousarray(sides * dry), 1.0
