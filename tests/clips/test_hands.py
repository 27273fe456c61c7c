"""What the hands do to a string, heard on small made-up pieces."""

import numpy as np
import pytest

from simchain.clips import hands
from simchain.clips.guitars import GUITARS, OPEN_HZ
from simchain.clips.recording import RATE, string_sound
from simchain.clips.score import FOREVER, Move, Piece, Stroke, Vibrato, picked, shape, strum


def piece(*strokes: Stroke, guitar: str = "electric", **changed) -> Piece:
    given = {
        "name": "test",
        "song": "none",
        "about": "test",
        "guitar": guitar,
        "bpm": 60.0,
        "seconds": 2.5,
        "strokes": strokes,
        "hush_beat": 100.0,
        "deepest_mm": 1.0,
        "pluck_mm": 120.0,
        "pickup_mm": 150.0,
        "seed": 5,
    }
    return Piece(**(given | changed))


def heard(played: Piece, number: int) -> np.ndarray:
    guitar = GUITARS[played.guitar]
    return string_sound(played, guitar, guitar.strings[6 - number], number)


def loudest_hz(sound: np.ndarray, near_hz: float) -> float:
    window = np.exp(-0.5 * ((np.arange(sound.size) / sound.size - 0.5) / 0.1) ** 2)
    lines = np.abs(np.fft.rfft(sound * window))
    step = RATE / sound.size
    low, high = int(0.97 * near_hz / step), int(1.03 * near_hz / step) + 2
    top = low + int(np.argmax(lines[low:high]))
    left, middle, right = np.log(lines[top - 1 : top + 2])
    return (top + 0.5 * (left - right) / (left - 2.0 * middle + right)) * step


def level_db(sound: np.ndarray, at_s: float, width_s: float = 0.05) -> float:
    part = sound[round(at_s * RATE) : round((at_s + width_s) * RATE)]
    return float(10.0 * np.log10(np.mean(part**2) + 1e-30))


@pytest.mark.parametrize("guitar", ["electric", "acoustic"])
@pytest.mark.parametrize("number", range(1, 7))
def test_open_strings_are_in_tune_within_a_cent(guitar, number):
    sound = heard(piece(Stroke(0, number, 0, 0.4), guitar=guitar, seconds=5.0), number)
    published = OPEN_HZ[6 - number]
    cents = 1200 * np.log2(loudest_hz(sound[RATE:], published) / published)
    print(f"{guitar} string {number}: {cents:+.3f} cents")
    assert abs(cents) < 1.0


def test_a_hard_pluck_starts_sharp_and_settles():
    sound = heard(piece(Stroke(0, 6, 0, 1.0), seconds=5.0), 6)
    early = loudest_hz(sound[3000:20_000], 82.4)
    late = loudest_hz(sound[2 * RATE :], 82.4)
    assert 1.0 < 1200 * np.log2(early / late) < 9.0


def test_a_bend_and_a_hammer_arrive_at_their_pitch():
    bent = piece(Stroke(0, 2, 12, 0.4, bend=((0.0, 0.0), (0.4, 2.0), (9.0, 2.0))))
    target = OPEN_HZ[4] * 2 ** (14 / 12)
    assert abs(1200 * np.log2(loudest_hz(heard(bent, 2)[RATE:], target) / target)) < 1.0
    hammered = piece(Stroke(0, 3, 2, 0.4, moves=(Move(0.5, 4, "hammer"),)))
    target = OPEN_HZ[3] * 2 ** (4 / 12)
    assert abs(1200 * np.log2(loudest_hz(heard(hammered, 3)[RATE:], target) / target)) < 1.0


def test_a_slide_touches_every_fret():
    played = piece(Stroke(0, 3, 5, 0.5, moves=(Move(0.5, 9, "slide"),)))
    guitar = GUITARS["electric"]
    notes = hands.played(played, 3)
    rows = hands.controls(played, guitar, guitar.strings[3], notes, RATE)
    frets = 12 * np.log2(guitar.scale_m / rows[:, 1])
    for fret in (5, 6, 7, 8, 9):
        assert np.count_nonzero(np.abs(frets - fret) < 1e-3) > 40


def test_vibrato_stays_between_the_pitch_and_its_width():
    played = piece(Stroke(0, 2, 10, 0.1, vibrato=Vibrato(0.5, 40.0, 5.0)))
    guitar = GUITARS["electric"]
    rows = hands.controls(played, guitar, guitar.strings[4], hands.played(played, 2), RATE)
    cents = 1200 * np.log2(rows[:, 0] / (OPEN_HZ[4] * 2 ** (10 / 12)))
    late = cents[cents.size // 2 :]
    assert -0.1 < late.min() < 1.0
    assert 39.0 < late.max() < 41.0


def test_palm_dead_stroke_and_let_go_end_the_note():
    free = heard(piece(Stroke(0, 5, 0, 0.8)), 5)
    palm = heard(piece(Stroke(0, 5, 0, 0.8, palm=1.0)), 5)
    dead = heard(piece(Stroke(0, 5, 7, 0.8, dead=True)), 5)
    let_go = heard(piece(Stroke(0, 5, 3, 0.8, beats=0.5)), 5)
    falls = [level_db(sound, 0.06) - level_db(sound, 0.35) for sound in (free, palm, dead)]
    print("fall in 0.3 s, free, palm, dead: " + " ".join(f"{fall:.1f} dB" for fall in falls))
    assert falls[0] < 6.0
    assert 10.0 < falls[1] < 40.0
    assert falls[2] > 60.0
    assert level_db(let_go, 0.45) - level_db(let_go, 0.75) > 60.0


def test_the_pick_stops_a_string_that_still_rings():
    played = piece(Stroke(0, 4, 0, 1.0), Stroke(1, 4, 0, 0.2))
    sound = heard(played, 4)
    again = hands.played(played, 4)[1]
    before = level_db(sound, again.touches_at - 0.02, 0.02)
    landed = level_db(sound, again.lets_fly_at - 0.004, 0.004)
    assert before - landed > 6.0


def test_two_directions_make_two_stages_of_decay():
    sound = heard(piece(Stroke(0, 1, 0, 0.8), seconds=8.0), 1)
    early = (level_db(sound, 0.2) - level_db(sound, 0.7)) / 0.5
    late = (level_db(sound, 5.0) - level_db(sound, 7.0)) / 2.0
    print(f"first string: {early:.1f} dB/s at first, {late:.1f} dB/s later")
    assert early > 2.0 * late > 0.0


def test_a_finger_is_softer_than_a_pick():
    share = {}
    for touch in ("pick", "finger", "thumb"):
        sound = heard(piece(Stroke(0, 3, 0, 0.7, touch=touch), guitar="acoustic"), 3)
        power = np.abs(np.fft.rfft(sound)) ** 2
        hz = np.fft.rfftfreq(sound.size, 1 / RATE)
        share[touch] = 10 * np.log10(power[hz > 3000].sum() / power.sum())
    print(f"above 3 kHz: {share}")
    assert share["pick"] > share["finger"] + 3.0 > share["thumb"] + 5.0


def test_wound_strings_are_darker_than_plain_ones():
    remains = []
    for number, partials in ((6, 36), (1, 9)):
        sound = heard(piece(Stroke(0, number, 0, 0.7)), number)
        near = partials * OPEN_HZ[6 - number]
        hz = np.fft.rfftfreq(24_000, 1 / RATE)
        band = (hz > near - 200) & (hz < near + 400)
        levels = [
            np.abs(np.fft.rfft(sound[at : at + 24_000] * np.hanning(24_000)))[band].max()
            for at in (4800, 52_800)
        ]
        remains.append(20 * np.log10(levels[1] / levels[0]))
    assert remains[0] < remains[1] - 6.0


def test_a_strum_crosses_the_strings_in_time():
    down = strum(0, "3 2 0 0 3 3", 0.8, spread_ms=24.0)
    up = strum(0, "3 2 0 0 3 3", 0.8, up=True, spread_ms=24.0)
    for strokes, order in ((down, (6, 5, 4, 3, 2, 1)), (up, (1, 2, 3, 4, 5, 6))):
        assert tuple(stroke.string for stroke in strokes) == order
        late = [stroke.late_s for stroke in strokes]
        assert late == sorted(late)
        assert late[-1] - late[0] == pytest.approx(0.024)


def test_shape_and_picked():
    assert shape("x 0 7 m 0 12") == ((5, 0), (4, 7), (3, None), (2, 0), (1, 12))
    with pytest.raises(ValueError, match="shorter"):
        shape("x 0 7")
    strokes = picked(4, "x 0 7 6 0 0", "543", (0.7, 0.5), each=0.5, until=7.0)
    assert [(s.beat, s.string, s.fret, s.loud) for s in strokes] == [
        (4.0, 5, 0, 0.7),
        (4.5, 4, 7, 0.5),
        (5.0, 3, 6, 0.7),
    ]
    assert [s.beats for s in strokes] == [FOREVER, 2.5, 2.0]


def test_hands_are_uneven_but_the_same_each_time():
    strokes = tuple(Stroke(beat / 4, 3, 2, 0.6) for beat in range(8))
    first, again = (hands.played(piece(*strokes), 3) for _ in range(2))
    assert first == again
    off_ms = [1000 * (n.lets_fly_at - hands.START_S - n.stroke.beat) for n in first]
    assert 0.5 < np.std(off_ms) < 5.0
    assert max(np.abs(off_ms)) <= 5.0
    assert first != hands.played(piece(*strokes, seed=6), 3)


def test_chance_is_even():
    drawn = hands.Chance(1).draw(20_000)
    assert np.abs(drawn).max() < 1.0
    assert abs(drawn.mean()) < 0.02
    assert np.var(drawn) == pytest.approx(1 / 3, rel=0.03)
