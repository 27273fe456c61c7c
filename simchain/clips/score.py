"""What is played: strokes on strings, in beats, as a player would tell another."""

from dataclasses import dataclass, replace
from typing import Literal

Touch = Literal["pick", "finger", "thumb"]
Way = Literal["slide", "hammer", "pull"]
FOREVER = 1e9


@dataclass(frozen=True)
class Move:
    """The left hand goes on during a note: to `fret`, `after` beats from the stroke."""

    after: float
    fret: int
    way: Way


@dataclass(frozen=True)
class Vibrato:
    """From `after` beats on, between the pitch and `cents` above it, `hz` times a second."""

    after: float
    cents: float
    hz: float


@dataclass(frozen=True)
class Stroke:
    """One string plucked once.

    `beat` counts from 0; `string` from 6, the lowest, to 1; `loud` is 0 to 1 of the piece's
    `deepest_mm`. The string rings for `beats`, or until it is plucked again. `late_s` is the
    string's turn within a strum. `palm` 0 to 1 is the edge of the hand at the bridge; `dead` is a
    left hand that only touches; `up` an upstroke. `bend` holds (beats after the stroke, semitones
    up).
    """

    beat: float
    string: int
    fret: int
    loud: float = 0.6
    beats: float = FOREVER
    late_s: float = 0.0
    palm: float = 0.0
    dead: bool = False
    touch: Touch = "pick"
    up: bool = False
    bend: tuple[tuple[float, float], ...] = ()
    vibrato: Vibrato | None = None
    moves: tuple[Move, ...] = ()


@dataclass(frozen=True)
class Piece:
    """One clip: its music, the guitar and the hands that play it.

    `pickup_mm` (electric) and `pluck_mm` are distances from the bridge of the open string. At
    `hush_beat` the hand is laid on all strings. `seed` draws the small unevenness of a human hand.
    """

    name: str
    song: str
    about: str
    guitar: Literal["electric", "acoustic"]
    bpm: float
    seconds: float
    strokes: tuple[Stroke, ...]
    hush_beat: float
    deepest_mm: float
    pluck_mm: float
    seed: int
    pickup_mm: float = 0.0
    uneven_ms: float = 5.0


def shape(frets: str) -> tuple[tuple[int, int | None], ...]:
    """Read a chord shape: "x 0 7 6 0 0" from string 6 to 1; x is left alone, m is only touched.

    Returns (string, fret) pairs, with None for a touched string.
    """
    pairs: list[tuple[int, int | None]] = []
    for string, sign in zip(range(6, 0, -1), frets.split(), strict=True):
        if sign != "x":
            pairs.append((string, None if sign == "m" else int(sign)))
    return tuple(pairs)


def strum(
    beat: float,
    frets: str,
    loud: float,
    *,
    up: bool = False,
    spread_ms: float = 18.0,
    beats: float = FOREVER,
    palm: float = 0.0,
) -> tuple[Stroke, ...]:
    """Draw the pick across a chord `shape`, down from the lowest string or up from the highest.

    The first string is struck a little harder than the last; the pick speeds up on its way.
    """
    pairs = shape(frets)
    if up:
        pairs = pairs[::-1]
    strokes = []
    for turn, (string, fret) in enumerate(pairs):
        way = turn / max(len(pairs) - 1, 1)
        strokes.append(
            Stroke(
                beat,
                string,
                9 if fret is None else fret,
                loud * (1.0 - 0.18 * way),
                beats=beats,
                late_s=0.001 * spread_ms * (way + 0.35 * way * (1.0 - way) - 0.5),
                palm=palm,
                dead=fret is None,
                up=up,
            )
        )
    return tuple(strokes)


def after(beats: float, strokes: tuple[Stroke, ...]) -> tuple[Stroke, ...]:
    """The same strokes, `beats` later."""
    return tuple(replace(stroke, beat=stroke.beat + beats) for stroke in strokes)


def picked(
    beat: float, frets: str, order: str, louds: tuple[float, ...], *, each: float, until: float
) -> tuple[Stroke, ...]:
    """Pick the strings of a chord `shape` one by one, `each` beats apart, in the `order` given.

    Fretted strings are held `until` that beat, open ones ring on. `louds` is gone through again
    and again.
    """
    held = dict(shape(frets))
    strokes = []
    for turn, sign in enumerate(order):
        at = beat + turn * each
        fret = held[int(sign)] or 0
        beats = until - at if fret else FOREVER
        strokes.append(Stroke(at, int(sign), fret, louds[turn % len(louds)], beats=beats))
    return tuple(strokes)
