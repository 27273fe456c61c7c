"""Modulation: chorus, flanger, phaser, vibrato, tremolo, all moved by one slow sine."""

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, ClassVar, Literal, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator

from simchain.blocks._moving import Values, later, rests_at, value_of
from simchain.blocks._paths import to_channels
from simchain.blocks.base import Block, Moment, current_ma, input_ohm, noise_out_uv, output_ohm
from simchain.settings import control
from simchain.signal import Volts, pieces

Floats = NDArray[np.float64]
Shape = Literal["chorus", "flanger", "phaser", "vibrato", "tremolo"]


class Usual(NamedTuple):
    """What a shape's controls are when they are left out."""

    rate_hz: float
    feedback: float
    mix: float


USUAL: dict[str, Usual] = {
    "chorus": Usual(0.8, 0.0, 0.5),
    "flanger": Usual(0.3, 0.4, 0.5),
    "phaser": Usual(0.6, 0.4, 0.5),
    "vibrato": Usual(5.0, 0.0, 1.0),
    "tremolo": Usual(5.0, 0.0, 1.0),
}
USUAL_STAGES = 4

CHORUS_CENTRE_MS, CHORUS_SWING_MS = 12.0, 3.5
FLANGER_MS = (0.3, 8.0)
PHASER_HZ = (200.0, 2000.0)
PHASER_RATE = 88_200
SWEEP_FRAMES = 16
VIBRATO_CENTS, VIBRATO_MOST_SWING_MS, VIBRATO_NEAREST_MS = 40.0, 5.0, 0.5
LATEST_MS = {
    "chorus": CHORUS_CENTRE_MS + CHORUS_SWING_MS,
    "flanger": FLANGER_MS[1],
    "vibrato": VIBRATO_NEAREST_MS + 2 * VIBRATO_MOST_SWING_MS,
}
DIGITAL_FIGURES = {"current_ma": 90.0, "noise_out_uv": 25.0}


class Modulation(Block):
    """A sound that moves: with p = phase + turn + rate_hz t, in turns, and s = sin(2 pi p)

    - chorus: the wet path is 12 ms + 3.5 ms depth s late (and so, mixed with the dry, doubled);
    - flanger: late by the geometric mean of 0.3 and 8 ms times (8 / 0.3)^(depth s / 2);
    - phaser: `stages` first-order all-passes whose -90 degrees lie at the geometric mean of 200
      and 2000 Hz times 10^(depth s / 2);
    - vibrato: a delay whose swing bends the pitch by 40 cents depth up and down;
    - tremolo: the gain 1 - depth (1 - cos(2 pi p)) / 2.

    The sine runs on whether anybody plays or not; while its rate moves, p goes on at the rate of
    each moment. With two outputs the second's phase is ahead by
    `width` times half a turn.
    """

    kind: ClassVar[str] = "modulation"
    about: ClassVar[str] = (
        "Chorus, flanger, phaser, vibrato or tremolo: the sound sways at a steady rate.\n"
        "depth says how far it sways, rate_hz how often, mix how much of it you hear."
    )
    checked_against: ClassVar[str] = (
        "tremolo side bands m/2, phaser notches f = (rate/pi) atan(t tan((2m+1) pi/2N)), "
        "pitch swing 1200 log2(1 - d'(t)), comb notches (2k+1)/(2 tau)"
    )
    deepest: ClassVar[str] = (
        "depth 1: chorus ±3.5 ms around 12 ms, flanger 0.3 to 8 ms, phaser 200 to 2000 Hz, "
        "vibrato ±40 cents, tremolo to silence"
    )

    shape: Shape = control("chorus", "what moves: delay, phase, pitch or level")
    rate_hz: float | None = control(
        None,
        "how often it sways (chorus 0.8, flanger 0.3, phaser 0.6, vibrato and tremolo 5; 0: never)",
        unit="Hz",
        ge=0,
        le=20,
        usual=(0.05, 12),
        movable=True,
    )
    depth: float = control(
        0.5, f"how far it sways; {deepest}", ge=0, le=1, usual=(0, 1), movable=True
    )
    feedback: float | None = control(
        None,
        "how much of the wet path goes round again (flanger and phaser 0.4, else 0)",
        ge=-0.98,
        le=0.98,
        usual=(-0.95, 0.95),
    )
    mix: float | None = control(
        None,
        "from dry (0) to wet alone (1) (0.5; vibrato and tremolo 1)",
        ge=0,
        le=1,
        usual=(0, 1),
        movable=True,
    )
    stages: int | None = control(
        None,
        "all-passes of a phaser, an even number: two make a notch (4)",
        ge=2,
        le=24,
        usual=(2, 12),
    )
    width: float = control(
        0.5, "how far apart the two outputs sway; 1 is half a turn", ge=0, le=1, usual=(0, 1)
    )
    phase: float = control(
        0.0, "where in its turn it starts", unit="turn", ge=0, le=1, usual=(0, 1)
    )

    input_ohm: float = input_ohm(500e3, (220e3, 1e6))
    output_ohm: float = output_ohm(500, (100, 2e3))
    current_ma: float = current_ma(15, (5, 200))
    noise_out_uv: float = noise_out_uv(120)

    @model_validator(mode="before")
    @classmethod
    def _digital_ones_draw_more_and_hiss_less(cls, given: Any) -> Any:
        if isinstance(given, dict) and given.get("digital") is True:
            return DIGITAL_FIGURES | given
        return given

    @model_validator(mode="after")
    def _fits_its_shape(self) -> Self:
        if self.stages is not None and self.shape != "phaser":
            raise ValueError(f'stages = {self.stages} needs shape = "phaser", not "{self.shape}"')
        if self.stages is not None and self.stages % 2:
            raise ValueError(f"stages = {self.stages} must be even: two all-passes make a notch")
        if self.feedback and self.shape == "tremolo":
            raise ValueError(f"feedback = {self.feedback:g} does not fit a tremolo: it has none")
        return self

    @property
    def lfo_hz(self) -> float:
        """The rate as given, or as usual for the shape."""
        return USUAL[self.shape].rate_hz if self.rate_hz is None else self.rate_hz

    @property
    def fed_back(self) -> float:
        """The feedback as given, or as usual for the shape."""
        return USUAL[self.shape].feedback if self.feedback is None else self.feedback

    @property
    def wet_share(self) -> float:
        """The mix as given, or as usual for the shape."""
        return USUAL[self.shape].mix if self.mix is None else self.mix

    def standing(self, control: str) -> float:
        """See `Settings.standing`: rate and mix that are left out are those of the shape."""
        chosen = {"rate_hz": self.lfo_hz, "mix": self.wet_share}
        return chosen[control] if control in chosen else super().standing(control)

    def late_s(self) -> float:
        """See `Block.late_s`."""
        return self.wet_latency_s if self.wet_share == 1.0 else 0.0

    def widens(self) -> bool:
        """See `Block.widens`."""
        return self.width > 0.0

    def modulates(self) -> bool:
        """See `Block.modulates`."""
        return self.lfo_hz > 0.0 and self.depth > 0.0 and self.wet_share > 0.0

    def frozen(self) -> Self:
        """See `Block.frozen`: also without the copy that sways against the direct sound.

        Held still it would be a comb, whose notches are no property of the sound that sways.
        Vibrato and tremolo have no direct sound and stay as they are.
        """
        held = {"rate_hz": 0.0} | ({"mix": 0.0} if self.wet_share < 1.0 else {})
        return self.model_copy(update=held)

    def is_lti(self) -> bool:
        """Only when nothing moves.

        A phaser at rest does not count: its oversampling looks ahead, and of a sound that begins
        with the clip it cannot see what it would have rung before.
        """
        at_rest = self.depth == 0.0 or self.lfo_hz == 0.0
        return self.wet_share == 0.0 or (at_rest and self.shape != "phaser")

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """Mix `volts`, shape (inputs, frames), with what moves; see the class."""
        mixed = to_channels(to_channels(volts, min(self.inputs, self.outputs)), self.outputs)
        if rests_at(self, "mix", now, 0.0):
            return mixed
        alone = rests_at(self, "mix", now, 1.0)
        for channel, row in enumerate(mixed):
            for part, wet in self._wet(row, now, channel):
                mix = value_of(self, "mix", now, part)
                row[part] = wet if alone else (1.0 - mix) * row[part] + mix * wet
        return mixed

    def _wet(self, row: Floats, now: Moment, channel: int) -> Iterator[tuple[slice, Floats]]:
        """Yield the wet path of one channel in pieces, each with its place.

        Of `row` nothing is read any more that lies before the end of a piece.
        """
        from simchain.kernels.delay_line import Late

        late = Late(1, math.floor(self.wet_latency_s * now.rate + 0.5))
        if self.shape == "tremolo":
            turns = _Turns(self, now, channel)
            for part in pieces(row.size):
                swing = 0.5 * (1.0 - np.cos(2 * np.pi * turns(part)))
                gain = 1.0 - value_of(self, "depth", now, part) * swing
                yield part, gain * late(row[np.newaxis, part])[0]
        elif self.shape == "phaser":
            for part, wet in self._phased(row, now, channel):
                yield part, late(wet[np.newaxis])[0]
        else:
            yield from self._through_a_line(row, now, channel)

    def _phased(self, row: Floats, now: Moment, channel: int) -> Iterator[tuple[slice, Floats]]:
        """The all-passes at 88.2 kHz or more: below, their digital form bends 10 kHz by 0.3 dB."""
        state = np.zeros(USUAL_STAGES if self.stages is None else self.stages)
        if now.rate >= PHASER_RATE:
            turns = _Turns(self, now, channel, SWEEP_FRAMES)
            for part in pieces(row.size):
                yield part, self._through_all_passes(row[part], part, turns, now, state)
            return
        from simchain.kernels.oversample import in_pieces, reach

        fast = 2 * now.rate
        frame = -2 * reach(2)
        moving_hz = now.moving("rate_hz", 1)
        turned = 0.0 if moving_hz is None else float(moving_hz[0]) * frame / fast

        def shape(stretch: Floats) -> None:
            nonlocal frame, turned
            then = later(now, frame, factor=2)
            hz = then.moving("rate_hz", stretch.size + 1)
            if hz is None:
                turned = self.lfo_hz * frame / fast
            moment = replace(then, turn=now.turn + turned)
            turns, whole = _Turns(self, moment, channel, SWEEP_FRAMES), slice(0, stretch.size)
            stretch[:] = self._through_all_passes(stretch, whole, turns, moment, state)
            frame += stretch.size
            if hz is not None:
                turned += float(hz.sum() - 0.5 * (hz[0] + hz[-1])) / fast

        yield from in_pieces(row, 2, shape)

    def _through_all_passes(
        self, row: Floats, part: slice, turns: "_Turns", now: Moment, state: Floats
    ) -> Floats:
        """The piece `row` through the chain, its corner computed every SWEEP_FRAMES.

        Between, it goes straight: at 8 Hz that is 110 dB true to the sine. `state` goes on from
        call to call.
        """
        from simchain.kernels.modulation import all_passes

        low, high = PHASER_HZ
        middle = math.pi * math.sqrt(low * high) / now.rate
        longer = slice(part.start, part.start + turns.points(part) * SWEEP_FRAMES)
        depth = value_of(self, "depth", now, longer)
        depth = depth if isinstance(depth, float) else depth[::SWEEP_FRAMES]
        sway = depth * np.sin(2 * np.pi * turns(part))
        tangent = np.tan(middle * np.power(high / low, 0.5 * sway))
        coefficients = _straight_between((tangent - 1.0) / (tangent + 1.0), row.size)
        return all_passes(row, coefficients, state, self.fed_back)

    def _through_a_line(
        self, row: Floats, now: Moment, channel: int
    ) -> Iterator[tuple[slice, Floats]]:
        from simchain.kernels.modulation import SweptLine

        turns = _Turns(self, now, channel)
        longest_ms = LATEST_MS[self.shape] + self.wet_latency_s * 1e3
        line = SweptLine(longest_ms / 1e3 * now.rate, self.fed_back)
        for part in pieces(row.size):
            sway = np.sin(2 * np.pi * turns(part))
            late_ms = self._late_ms(sway, part, now) + self.wet_latency_s * 1e3
            delays = _each_frame(late_ms / 1e3 * now.rate, part.stop - part.start)
            yield part, line(row[part], delays)

    def _late_ms(self, sway: Floats, part: slice, now: Moment) -> Floats:
        """The delay when the sine stands at `sway`, -1 to 1, one value or one for each frame."""
        depth = value_of(self, "depth", now, part)
        if self.shape == "chorus":
            return CHORUS_CENTRE_MS + CHORUS_SWING_MS * depth * sway
        if self.shape == "flanger":
            low, high = FLANGER_MS
            return math.sqrt(low * high) * np.power(high / low, 0.5 * depth * sway)
        swing_ms = vibrato_swing_ms(depth, value_of(self, "rate_hz", now, part))
        return np.asarray(VIBRATO_NEAREST_MS + swing_ms * (1.0 + sway))


class _Turns:
    """The phase of one channel's sine in turns, piece after piece, at every `step`-th frame."""

    def __init__(self, unit: Modulation, now: Moment, channel: int, step: int = 1) -> None:
        turned = now.turn + unit.lfo_hz * now.before_s
        self._start = unit.phase + turned + channel * 0.5 * unit.width
        self._hz, self._now, self._step = unit.lfo_hz, now, step
        self._moves = (unit.lfo_hz > 0 and unit.depth > 0) or "depth" in dict(now.curves)
        self._gone = 0.0

    def points(self, part: slice) -> int:
        """Return how many points a piece has: as many as straight lines between them need."""
        frames: int = part.stop - part.start
        return frames if self._step == 1 else frames // self._step + 2

    def __call__(self, part: slice) -> Floats:
        """Return the phases in the next piece; a single one when nothing moves."""
        points, step, now = self.points(part), self._step, self._now
        hz = now.moving("rate_hz", points * step, part.start)
        first = now.moving("rate_hz", 1)
        if hz is not None and first is not None:
            sums = np.cumsum(np.concatenate(([self._gone], hz)))[1:]
            self._gone = float(sums[part.stop - part.start - 1])
            passed = sums - 0.5 * (first + hz)
            return np.asarray(self._start + passed[::step] / now.rate)
        begin = part.start // step
        places = np.arange(begin, begin + points if self._moves else begin + 1, dtype=np.float64)
        return self._start + self._hz / (now.rate / step) * places


def vibrato_swing_ms(depth: Values, hz: Values) -> Values:
    """Return by how much a vibrato's delay sways either way.

    A delay of A sin(2 pi f t) bends the pitch by the ratio 1 + 2 pi f A at most. Below some
    0.7 Hz the swing would grow without end: it stays at 5 ms, and the bend is less.
    """
    if isinstance(hz, float) and hz == 0.0:
        return VIBRATO_MOST_SWING_MS * depth
    bend = 2.0 ** (VIBRATO_CENTS * depth / 1200.0) - 1.0
    return np.minimum(VIBRATO_MOST_SWING_MS, 1e3 * bend / (2 * math.pi * hz))


def _straight_between(values: Floats, frames: int) -> Floats:
    """Return `frames` values on straight lines between `values`, SWEEP_FRAMES apart."""
    if values.size == 1:
        return np.full(frames, values[0])
    way = np.arange(SWEEP_FRAMES) / SWEEP_FRAMES
    lines = values[:-1, np.newaxis] + np.diff(values)[:, np.newaxis] * way
    return np.ascontiguousarray(lines.ravel()[:frames])


def _each_frame(values: Floats, frames: int) -> Floats:
    """Return one value a frame; a single value stands for all."""
    return values if values.size == frames else np.full(frames, values[0])
