"""From a score to what the hands do to each string: force, pitch, length and damping over time.

The figures for hands are common practice, no source. What passes through `settle` is rounded, so
that the last bit of a power or sine, which differs between processors, cannot reach the sound.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simchain.clips.guitars import Guitar, String
from simchain.clips.score import Move, Piece, Stroke, Vibrato, Way
from simchain.kernels.strings import STEP

Reals = NDArray[np.float64]

START_S = 0.05
SLIDE_S = 0.03


@dataclass(frozen=True)
class Grip:
    """How a pick, finger or thumb meets the string."""

    contact_mm: float
    touch_ms: float
    release_ms: float
    noise: float
    up_down: float
    sideways: float


GRIPS = {
    "pick": Grip(1.5, 11.0, 0.12, 0.035, 0.72, 0.70),
    "finger": Grip(3.2, 20.0, 0.30, 0.012, 0.66, 0.75),
    "thumb": Grip(6.0, 26.0, 0.60, 0.014, 0.60, 0.80),
}


@dataclass(frozen=True)
class Played:
    """A stroke on the clock: seconds from the clip's start, and the hand's own unevenness."""

    stroke: Stroke
    frets_at: float
    touches_at: float
    lets_fly_at: float
    fades_at: float
    ends_at: float
    loud: float
    pluck_m: float
    seed: int


class Chance:
    """Evenly spread numbers from -1 to 1; PCG64's raw stream is the same in every numpy."""

    def __init__(self, seed: int):
        self._bits = np.random.PCG64(seed)

    def draw(self, count: int) -> Reals:
        """`count` numbers."""
        raw = np.atleast_1d(self._bits.random_raw(count)) >> np.uint64(11)
        return raw.astype(np.float64) * 2.0**-52 - 1.0

    def one(self) -> float:
        """The next number."""
        return float(self.draw(1)[0])


def settle(values: Reals, step: float) -> Reals:
    """Round to multiples of `step`."""
    return np.rint(values / step) * step


def played(piece: Piece, string: int) -> list[Played]:
    """Put the strokes of one string on the clock, in order, each a little uneven."""
    beat_s = 60.0 / piece.bpm
    common = _hurry(piece)
    chance = Chance(piece.seed * 16 + string)
    strokes = sorted((s for s in piece.strokes if s.string == string), key=lambda s: s.beat)
    on_clock: list[Played] = []
    for stroke in strokes:
        grip = GRIPS[stroke.touch]
        own = 0.0008 * chance.one() if stroke.late_s else 0.0
        late = stroke.late_s * (1.0 + 0.15 * chance.one()) + own + common[stroke.beat]
        flies = START_S + stroke.beat * beat_s + max(late, -0.02)
        loud = min(stroke.loud * (1.0 + 0.07 * chance.one()), 1.0)
        touches = flies - 0.001 * grip.touch_ms * (1.25 - 0.6 * loud)
        on_clock.append(
            Played(
                stroke,
                frets_at=touches - 0.012,
                touches_at=touches,
                lets_fly_at=flies,
                fades_at=flies + stroke.beats * beat_s,
                ends_at=piece.seconds,
                loud=loud,
                pluck_m=0.001 * (piece.pluck_mm + 5.0 * chance.one()),
                seed=piece.seed * 10_007 + string * 1009 + len(on_clock),
            )
        )
    return [replace(now, ends_at=later.touches_at) for now, later in pairwise(on_clock)] + on_clock[
        -1:
    ]


def _hurry(piece: Piece) -> dict[float, float]:
    """How early or late each beat's stroke comes, in seconds, shared by the strings of a strum."""
    chance = Chance(piece.seed)
    beats = sorted({stroke.beat for stroke in piece.strokes})
    return {
        beat: 0.0005 * piece.uneven_ms * (chance.one() + chance.one()) * (beat > 0.0)
        for beat in beats
    }


def controls(piece: Piece, guitar: Guitar, string: String, notes: list[Played], rate: int) -> Reals:
    """Rows of `simchain.kernels.strings.CONTROLS`, one for every STEP samples of the clip."""
    rows_needed = math.ceil(piece.seconds * rate / STEP)
    times = np.arange(rows_needed, dtype=np.float64) * (STEP / rate)
    frets = _fret_path(notes, times, 60.0 / piece.bpm)
    cents = _cents_path(notes, times, 60.0 / piece.bpm)
    flat, slope = _damping(piece, guitar, notes, times)
    pluck, contact = _where_plucked(notes, times)
    length = guitar.scale_m * np.exp2(-frets / 12.0)
    hz = string.hz * np.exp2(frets / 12.0 + settle(cents, 0.05) / 1200.0)
    rows = np.empty((times.size, 6))
    rows[:, 0] = settle(hz, 1e-6)
    rows[:, 1] = settle(length, 1e-9)
    rows[:, 2] = settle(np.minimum(pluck, 0.5 * length), 1e-9)
    rows[:, 3] = contact
    rows[:, 4] = settle(flat, 1e-3)
    rows[:, 5] = settle(slope, 1e-6)
    return rows


def force(piece: Piece, string: String, notes: list[Played], rate: int) -> Reals:
    """Deflection asked for by pick, fingers and left hand, in metres: (2, frames)."""
    pushed = np.zeros((2, round(piece.seconds * rate)))
    for note in notes:
        grip = GRIPS[note.stroke.touch]
        tilt = 0.12 * Chance(note.seed).one()
        first, pull = _pull(piece, string, note, rate)
        up_down, sideways = grip.up_down + tilt, grip.sideways - tilt
        if note.stroke.up:
            up_down, sideways = -up_down, -sideways
        for direction, share in enumerate((up_down, sideways)):
            part = pushed[direction, first : first + pull.size]
            part += share * pull[: part.size]
        for at, depth, way in _left_hand_taps(piece, note):
            first = round(at * rate)
            tap = 0.001 * depth * _tap(way, rate)
            part = pushed[0, first : first + tap.size]
            part += tap[: part.size]
    return settle(pushed, 2.0**-48)


def _pull(piece: Piece, string: String, note: Played, rate: int) -> tuple[int, Reals]:
    """First frame and shape of one pluck: the string is drawn aside, scraped, and let fly."""
    grip = GRIPS[note.stroke.touch]
    release_s = 0.001 * grip.release_ms * (1.5 - 0.7 * note.loud)
    first = math.floor(note.touches_at * rate)
    count = math.ceil((note.lets_fly_at + release_s) * rate) + 1 - first
    times = (first + np.arange(count)) / rate
    drawn = _smooth((times - note.touches_at) / (note.lets_fly_at - note.touches_at))
    gone = _smooth((times - note.lets_fly_at) / release_s)
    near = np.clip((times - note.lets_fly_at + 0.005) / 0.005, 0.0, 1.0)
    lands = np.clip(1.0 - np.abs(times - note.touches_at - 0.001) / 0.001, 0.0, 1.0)
    scrape = Chance(note.seed + 7).draw(count) * (near * near * near + 0.4 * lands)
    depth = 0.001 * piece.deepest_mm * note.loud * (0.5 + 0.5 * note.loud)
    return first, depth * (drawn + grip.noise * string.rough * scrape) * (1.0 - gone)


def _left_hand_taps(piece: Piece, note: Played) -> Iterator[tuple[float, float, Way]]:
    """Times, depths in mm and kinds of the small pushes that fretting fingers give."""
    beat_s = 60.0 / piece.bpm
    for move in note.stroke.moves:
        depth = {"slide": 0.03, "hammer": 0.3, "pull": 0.26}[move.way]
        yield note.lets_fly_at + move.after * beat_s, depth * piece.deepest_mm * note.loud, move.way
    if note.stroke.dead:
        yield max(note.touches_at - 0.03, 0.0), 0.02 * piece.deepest_mm * note.loud, "hammer"
    if note.fades_at < note.ends_at:
        yield note.fades_at, 0.008 * piece.deepest_mm * note.loud, "pull"


def _fret_path(notes: list[Played], times: Reals, beat_s: float) -> Reals:
    """The fret that ends the sounding length; slides pass over the ones between."""
    at, frets = [0.0], [float(notes[0].stroke.fret)]
    for note in notes:
        at += [note.frets_at - 0.002, note.frets_at + 0.002]
        frets += [frets[-1], float(note.stroke.fret)]
        for move in note.stroke.moves:
            moment = note.lets_fly_at + move.after * beat_s
            for passed in _frets_passed(round(frets[-1]), move):
                at += [moment, moment + 0.004]
                frets += [frets[-1], float(passed)]
                moment += SLIDE_S
    return np.interp(times, at, frets)


def _frets_passed(start: int, move: Move) -> list[int]:
    """A slide touches every fret on its way; other moves only the last."""
    if move.way != "slide":
        return [move.fret]
    step = 1 if move.fret > start else -1
    return list(range(start + step, move.fret + step, step))


def _cents_path(notes: list[Played], times: Reals, beat_s: float) -> Reals:
    """Cents above the fretted pitch: bends, vibrato, and the sharp start of a hard pluck."""
    cents = np.zeros(times.size)
    for note in notes:
        within = (times >= note.touches_at) & (times < note.ends_at)
        since = times[within] - note.lets_fly_at
        sharp = 9.0 * note.loud * note.loud * np.exp(-np.maximum(since, 0.0) / 0.18)
        cents[within] = sharp + _bend(note, since / beat_s)
        if note.stroke.vibrato is not None:
            cents[within] += _shake(note.stroke.vibrato, since, beat_s)
    return cents


def _bend(note: Played, beats: Reals) -> Reals:
    """Cents of a bend, in smooth steps between its points."""
    cents = np.zeros(beats.size)
    before_at, before = 0.0, 0.0
    for index, (at, semitones) in enumerate(note.stroke.bend):
        if index == 0 and at == 0.0:
            cents[:] = 100.0 * semitones
        else:
            cents += 100.0 * (semitones - before) * _smooth((beats - before_at) / (at - before_at))
        before_at, before = at, semitones
    return cents


def _shake(vibrato: Vibrato, since: Reals, beat_s: float) -> Reals:
    """Cents of a vibrato, which deepens over a third of a second and hurries a little."""
    start = since - vibrato.after * beat_s
    growth = _smooth(start / 0.35)
    turns = vibrato.hz * (start + 0.04 * np.maximum(start, 0.0) * start)
    return 0.5 * vibrato.cents * growth * (1.0 - np.cos(2.0 * np.pi * turns))


def _damping(
    piece: Piece, guitar: Guitar, notes: list[Played], times: Reals
) -> tuple[Reals, Reals]:
    """Loss that the hands add, 1/s and 1/s for each hertz."""
    flat, slope = np.zeros(times.size), np.zeros(times.size)

    def add(start: float, stop: float, per_s: float, per_s_hz: float) -> None:
        part = slice(*np.searchsorted(times, (start, stop)))
        flat[part] += per_s
        slope[part] += per_s_hz

    for index, note in enumerate(notes):
        stroke = note.stroke
        if index and stroke.fret != notes[index - 1].stroke.fret:
            add(note.frets_at - 0.004, note.touches_at, 80.0, 0.05)
        add(note.touches_at, note.lets_fly_at, 200.0, 0.08)
        if stroke.fret and not stroke.dead:
            add(note.lets_fly_at, note.ends_at, guitar.fretted_loss, 1.5e-4)
        if stroke.dead:
            add(note.lets_fly_at, note.ends_at, 50.0, 0.045)
        add(note.lets_fly_at, note.ends_at, 5.0 * stroke.palm, 0.024 * stroke.palm)
        if note.fades_at < note.ends_at:
            add(note.fades_at, note.ends_at, 38.0, 0.025)
    hush_s = START_S + piece.hush_beat * 60.0 / piece.bpm
    eased = _smooth((times - hush_s) / 0.15)
    return flat + 16.0 * eased, slope + 0.012 * eased


def _where_plucked(notes: list[Played], times: Reals) -> tuple[Reals, Reals]:
    """Distance from the bridge and width of the contact, in metres."""
    turn = np.searchsorted([note.touches_at for note in notes[1:]], times, side="right")
    pluck = np.array([note.pluck_m for note in notes])[turn]
    contact = np.array([0.001 * GRIPS[note.stroke.touch].contact_mm for note in notes])[turn]
    return pluck, contact


def _smooth(way: Reals) -> Reals:
    """From 0 to 1, level at both ends."""
    inside = np.clip(way, 0.0, 1.0)
    return inside * inside * (3.0 - 2.0 * inside)


def _tap(way: Way, rate: int) -> Reals:
    """A push of 9 ms and depth 1: a finger that lands is sudden at its start, a pull at its end."""
    times = np.arange(round(0.009 * rate)) / rate
    push = _smooth(times / 0.0008) * (1.0 - _smooth((times - 0.0008) / 0.008))
    return push[::-1] if way == "pull" else push
