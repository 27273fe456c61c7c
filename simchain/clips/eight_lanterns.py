"""Eight Lanterns, a song of the same players as an acoustic duo: G major, 96 beats a minute."""

from dataclasses import replace

from simchain.clips.score import Piece, Stroke, strum

BPM = 96.0


def _thumb(beat: float, string: int, fret: int, loud: float, beats: float = 2.0) -> Stroke:
    return Stroke(beat, string, fret, loud, beats=beats if fret else 10.0, touch="thumb")


def _finger(beat: float, string: int, fret: int, loud: float, beats: float = 1.9) -> Stroke:
    return Stroke(beat, string, fret, loud, beats=beats if fret else 10.0, touch="finger")


def _roll(beat: float) -> tuple[Stroke, ...]:
    """The last chord, G, from the thumb to the ring finger."""
    return (
        replace(_thumb(beat, 6, 3, 0.78, 10.0), late_s=0.001),
        replace(_thumb(beat, 4, 0, 0.60), late_s=0.038),
        replace(_finger(beat, 3, 0, 0.58), late_s=0.072),
        replace(_finger(beat, 2, 0, 0.64), late_s=0.104),
        replace(_finger(beat, 1, 3, 0.78, 10.0), late_s=0.140),
    )


FINGERS = Piece(
    name="fingers",
    song="Eight Lanterns",
    about="verse: thumb and fingers over G, D/F#, Em7, Cadd9; bridge piezo",
    guitar="acoustic",
    bpm=BPM,
    seconds=10.6,
    strokes=(
        _thumb(0, 6, 3, 0.78, 3.9),
        _finger(0, 1, 3, 0.8, 1.4),
        _finger(0.5, 3, 0, 0.5),
        _thumb(1, 4, 0, 0.58),
        _finger(1.5, 2, 0, 0.6),
        _thumb(2, 6, 3, 0.7, 1.9),
        _finger(2, 1, 3, 0.66, 1.9),
        _finger(2.5, 3, 0, 0.5),
        _thumb(3, 4, 0, 0.56),
        _finger(3.5, 2, 3, 0.62, 0.45),
        _thumb(4, 6, 2, 0.76, 3.9),
        _finger(4, 2, 3, 0.76, 3.4),
        _finger(4.5, 3, 2, 0.5, 3.4),
        _thumb(5, 4, 0, 0.58),
        _finger(5.5, 1, 2, 0.7, 1.4),
        _thumb(6, 6, 2, 0.68, 1.9),
        _finger(6.5, 2, 3, 0.58, 1.4),
        _thumb(7, 4, 0, 0.56),
        _finger(7, 1, 0, 0.66),
        _finger(7.5, 3, 2, 0.52, 0.45),
        _thumb(8, 6, 0, 0.76),
        _finger(8, 1, 0, 0.76),
        _finger(8.5, 3, 0, 0.5),
        _thumb(9, 4, 2, 0.58, 2.9),
        _finger(9.5, 2, 3, 0.66, 2.4),
        _thumb(10, 5, 3, 0.76, 1.9),
        _finger(10, 1, 0, 0.6),
        _finger(10.5, 3, 0, 0.52),
        _thumb(11, 4, 2, 0.56, 0.9),
        _finger(11, 2, 3, 0.62, 0.45),
        _finger(11.5, 2, 1, 0.6, 0.45),
        *_roll(12),
        _finger(13.5, 2, 0, 0.46),
        _finger(14, 3, 0, 0.4),
    ),
    hush_beat=15.8,
    deepest_mm=1.15,
    pluck_mm=150.0,
    seed=53,
    uneven_ms=8.0,
)


def _bar(beat: float, frets: str, high: str) -> tuple[Stroke, ...]:
    """Strum one bar: down, down up, up down up; `high` is the chord as the upstroke catches it."""
    return (
        *strum(beat, frets, 0.92, spread_ms=24.0, beats=3.95),
        *strum(beat + 1.0, frets, 0.74, spread_ms=20.0, beats=2.95),
        *strum(beat + 1.5, high, 0.52, up=True, spread_ms=13.0, beats=2.45),
        *strum(beat + 2.5, high, 0.62, up=True, spread_ms=13.0, beats=1.45),
        *strum(beat + 3.0, frets, 0.8, spread_ms=20.0, beats=0.95),
        *strum(beat + 3.5, high, 0.52, up=True, spread_ms=12.0, beats=0.45),
    )


STRUM = Piece(
    name="strum",
    song="Eight Lanterns",
    about="chorus: strummed Em7, Cadd9, D, G; bridge piezo",
    guitar="acoustic",
    bpm=BPM,
    seconds=10.4,
    strokes=(
        *_bar(0, "0 2 2 0 3 3", "x x x 0 3 3"),
        *_bar(4, "x 3 2 0 3 3", "x x x 0 3 3"),
        *_bar(8, "x x 0 2 3 2", "x x x 2 3 2"),
        *strum(12, "3 2 0 0 3 3", 0.9, spread_ms=46.0),
    ),
    hush_beat=15.2,
    deepest_mm=2.4,
    pluck_mm=165.0,
    seed=67,
)
