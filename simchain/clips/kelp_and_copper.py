"""Kelp and Copper, a song of the invented trio The Tidal Post: E, 104 beats a minute."""

from simchain.clips.score import Move, Piece, Stroke, strum

E9 = "x m 6 7 7 7"
A13 = "x m 5 6 7 7"
TOUCHED = "x m m m m m"


def _sixteenths(beat: float, chord: str, pattern: str) -> tuple[Stroke, ...]:
    """Strum a bar: C loud and c soft chords cut short, x touched strings, . the hand in the air.

    The hand goes down on eighths and up between them, and reaches fewer strings on its way up.
    """
    strokes: list[Stroke] = []
    for turn, sign in enumerate(pattern):
        if sign == ".":
            continue
        up = turn % 2 == 1
        loud = {"C": 0.86, "c": 0.72, "x": 0.85}[sign] * (0.88 if up else 1.0)
        frets = TOUCHED if sign == "x" else chord
        if up:
            frets = "x x " + frets[4:]
        beats = {"C": 0.23, "c": 0.22, "x": 10.0}[sign]
        if pattern[turn + 1 : turn + 2] == ".":
            beats += 0.22
        strokes += strum(beat + 0.25 * turn, frets, loud, up=up, spread_ms=11.0, beats=beats)
    return tuple(strokes)


def _slid_up(strokes: tuple[Stroke, ...], beats: float) -> tuple[Stroke, ...]:
    """Play a chord one fret lower and slide it home; it rings for `beats`."""
    return tuple(
        stroke
        if stroke.dead
        else Stroke(
            stroke.beat,
            stroke.string,
            stroke.fret - 1,
            stroke.loud,
            beats=beats,
            late_s=stroke.late_s,
            up=stroke.up,
            moves=(Move(0.22, stroke.fret, "slide"),),
        )
        for stroke in strokes
    )


FUNK = Piece(
    name="funk",
    song="Kelp and Copper",
    about="intro: sixteenths with touched strings between cut-off E9 and A13; middle pickup",
    guitar="electric",
    bpm=104.0,
    seconds=9.3,
    strokes=(
        *_sixteenths(0, E9, "C.xxc.xCx.Cxxcx."),
        *_sixteenths(4, A13, "C.xxc.xC.xC.xcxC"),
        *_slid_up(strum(8, E9, 0.92, spread_ms=9.0), 0.8),
        *_sixteenths(8, E9, "....xxc.C.xC.xcx"),
        *_sixteenths(12, A13, "C.xc"),
        *_slid_up(strum(13, E9, 0.8, spread_ms=14.0), 10.0),
    ),
    hush_beat=15.0,
    deepest_mm=1.65,
    pluck_mm=115.0,
    pickup_mm=100.0,
    seed=42,
    uneven_ms=4.0,
)
