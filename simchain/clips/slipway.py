"""Slipway, a song of the invented trio The Tidal Post: A major, 92 beats a minute."""

from simchain.clips.score import Move, Piece, Stroke, Vibrato, picked, strum

BPM = 92.0

ARPEGGIO = Piece(
    name="arpeggio",
    song="Slipway",
    about="verse: soft picked chords, Aadd9, F#m11, D6/9, Eadd9; pickup near the neck",
    guitar="electric",
    bpm=BPM,
    seconds=10.8,
    strokes=(
        *picked(0, "x 0 7 6 0 0", "54321232", (0.72, 0.5, 0.55, 0.6, 0.66), each=0.5, until=3.95),
        *picked(4, "2 x 4 2 0 0", "64321232", (0.70, 0.5, 0.55, 0.6, 0.66), each=0.5, until=7.95),
        *picked(8, "x 5 4 2 0 0", "54321", (0.72, 0.5, 0.55, 0.62, 0.68), each=0.5, until=11.95),
        Stroke(10.5, 2, 3, 0.62, beats=1.0),
        Stroke(11.0, 3, 2, 0.58, beats=0.95, moves=(Move(0.5, 4, "hammer"),)),
        Stroke(11.5, 2, 0, 0.55),
        *strum(12.0, "0 2 4 4 0 0", 0.66, spread_ms=170.0),
        Stroke(13.5, 1, 0, 0.5),
        Stroke(14.0, 2, 0, 0.48),
    ),
    hush_beat=15.4,
    deepest_mm=0.97,
    pluck_mm=135.0,
    pickup_mm=160.0,
    seed=11,
    uneven_ms=7.0,
)


def _chug(*beats: float, string: int = 5, fret: int = 0, loud: float = 1.0) -> tuple[Stroke, ...]:
    return tuple(
        Stroke(beat, string, fret, loud * (1.0 if beat % 0.5 == 0.0 else 0.86), palm=1.0)
        for beat in beats
    )


def _stab(beat: float, frets: str, beats: float, loud: float = 0.66) -> tuple[Stroke, ...]:
    return strum(beat, frets, loud, spread_ms=16.0, beats=beats)


RIFF = Piece(
    name="riff",
    song="Slipway",
    about="chorus: damped low notes with chord stabs; middle pickup",
    guitar="electric",
    bpm=BPM,
    seconds=9.8,
    strokes=(
        *_stab(0, "x 0 2 2 2 x", 0.48),
        *_chug(0.5, 0.75, 1.0, 1.25),
        *_chug(1.5, string=6, fret=3),
        *_chug(1.75),
        *_stab(2, "x m 0 2 3 x", 0.45),
        *_chug(2.5, 2.75, 3.0),
        *_stab(3.25, "3 m 0 0 x x", 0.6),
        *_stab(4, "x 0 2 2 2 x", 0.48),
        *_chug(4.5, 4.75, 5.0, 5.25),
        *_chug(5.5, string=6, fret=3),
        *_chug(5.75),
        *_stab(6, "x m 0 2 3 x", 0.45),
        *_chug(6.5, 6.75),
        *_chug(7.0, 7.25, fret=3),
        *_chug(7.5, 7.75, fret=2),
        *_stab(8, "x 0 2 2 2 x", 0.48),
        *_chug(8.5, 8.75, 9.0, 9.25),
        *_stab(9.5, "x m 0 2 3 x", 0.55),
        *_chug(10.0, 10.25, 10.5, string=6, fret=0),
        *_stab(10.75, "3 m 0 0 x x", 0.5),
        *_chug(11.25, 11.5, string=6, fret=0),
        *_chug(11.75, string=6, fret=3),
        *_stab(12, "x 0 2 2 2 0", 10.0, loud=0.62),
    ),
    hush_beat=13.9,
    deepest_mm=3.7,
    pluck_mm=125.0,
    pickup_mm=100.0,
    seed=24,
)

LEAD = Piece(
    name="lead",
    song="Slipway",
    about="solo: single notes with bends and vibrato; pickup near the neck",
    guitar="electric",
    bpm=BPM,
    seconds=11.9,
    strokes=(
        Stroke(0.0, 3, 9, 0.66, beats=0.5),
        Stroke(0.5, 2, 10, 0.7, beats=0.5),
        Stroke(
            1.0,
            2,
            12,
            0.86,
            beats=1.95,
            bend=((0.0, 0.0), (0.38, 2.0), (1.55, 2.0), (1.85, 0.0)),
            vibrato=Vibrato(0.75, 34.0, 5.4),
        ),
        Stroke(3.0, 2, 10, 0.68, beats=0.5),
        Stroke(3.5, 3, 11, 0.64, beats=0.5),
        Stroke(4.0, 2, 10, 0.78, beats=1.45, vibrato=Vibrato(0.5, 30.0, 5.2)),
        Stroke(5.5, 3, 11, 0.62, beats=0.25),
        Stroke(5.75, 3, 9, 0.6, beats=0.73, moves=(Move(0.25, 11, "hammer"),)),
        Stroke(6.5, 1, 9, 0.74, beats=0.48),
        Stroke(7.0, 2, 12, 0.7, beats=0.97, moves=(Move(0.5, 10, "pull"),)),
        Stroke(8.0, 1, 12, 0.8, beats=0.95, vibrato=Vibrato(0.35, 26.0, 5.6)),
        Stroke(
            9.0,
            1,
            12,
            0.92,
            beats=1.45,
            bend=((0.0, 0.0), (0.3, 2.0), (1.45, 2.0)),
            vibrato=Vibrato(0.6, 40.0, 5.5),
        ),
        Stroke(10.5, 1, 9, 0.66, beats=0.5),
        Stroke(11.0, 2, 12, 0.72, beats=0.95, moves=(Move(0.5, 10, "pull"),)),
        Stroke(
            12.0,
            2,
            12,
            0.84,
            beats=1.45,
            bend=((0.0, 0.0), (0.55, 2.0), (0.95, 2.0), (1.35, 0.0)),
        ),
        Stroke(13.5, 2, 10, 0.66, beats=0.48),
        Stroke(
            14.0,
            3,
            11,
            0.88,
            moves=(Move(0.5, 14, "slide"),),
            vibrato=Vibrato(0.95, 36.0, 5.3),
        ),
    ),
    hush_beat=16.6,
    deepest_mm=1.4,
    pluck_mm=105.0,
    pickup_mm=150.0,
    seed=37,
    uneven_ms=8.0,
)
