"""Where and when two orders differ, told by the judge through real boards; and what is not told."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from simchain.board import Order
from simchain.decide.ear import QUANTILES, Ear, Heard
from simchain.decide.judge import Judge, Judged, Sound
from simchain.decide.where import When, Where, when, where
from simchain.measure.excitation import BANDS, CENTRES_HZ
from tests.decide.conftest import RATE, MakeBoard

WIRE = 'kind = "boost", gain_db = 0, low_cut_hz = 0, high_cut_hz = 0, supply_volts = 60'


def plucks(seconds: float = 4.0) -> np.ndarray:
    """Noise with 3 dB less an octave or so, struck twice a second and never silent."""
    t = np.arange(round(seconds * RATE)) / RATE
    white = np.random.default_rng(4).standard_normal((1, t.size))
    pinkish = sosfilt(butter(1, 300.0, fs=RATE, output="sos"), white, axis=1)
    return 0.2 * pinkish * np.exp(-4.0 * (t % 0.5))


def judged(
    make: MakeBoard,
    other: str,
    volts: np.ndarray,
    events: str = "",
    change: np.ndarray | None = None,
) -> tuple[Judged, Judged]:
    """A wire against `other`, and the other way round; `change` is added to the other's end."""
    text = f'[blocks]\nwire = {{ {WIRE} }}\nit = {{ {other} }}\n[orders.o]\nfront = ["wire"]\n'
    board = make(f'{text}[passages.p]\non = ["wire", "it"]\n{events}', volts)
    judge = Judge(board, "p", None)
    a, b = judge.sounds([Order(front=("wire",)), Order(front=("it",))])
    if change is not None:
        output = b.rendering.output
        louder = replace(output, samples=output.samples + change)
        b = Sound(replace(b.rendering, output=louder))
    there, back = judge.judged([(a, b), (b, a)])
    return there, back


DIP = 'kind = "equalizer", bands = [{ hz = 1000, db = -6, q = 1 }], supply_volts = 60'
SHELF = 'kind = "equalizer", supply_volts = 60, bands = [{ shape = "%s", hz = %d, db = %d }]'


@pytest.mark.parametrize(
    ("block", "expected", "sign"),
    [
        (DIP, "middle", -1),
        (SHELF % ("high_shelf", 4000, 5), "high", 1),
        (SHELF % ("low_shelf", 200, -8), "low", -1),
    ],
)
def test_an_equalizer_is_placed(
    make_board: MakeBoard, block: str, expected: str, sign: int
) -> None:
    there, back = judged(make_board, block, plucks())
    print(there.score.score, there.score.decided_by, there.where)
    assert there.score.decided_by == "distribution"
    assert there.where is not None
    assert (there.where.moments, there.where.range) == ("all", expected)
    assert 1.0 < sign * there.where.change_db < 8.0
    assert back.where == there.where._replace(change_db=-there.where.change_db)
    assert there.when is None


def test_what_is_not_expected_to_be_heard_is_not_placed(make_board: MakeBoard) -> None:
    there, _ = judged(make_board, DIP.replace("db = -6", "db = -0.5"), plucks())
    assert there.score.verdict == "free"
    assert (there.where, there.when) == (None, None)
    silent, _ = judged(make_board, 'kind = "tuner"', plucks())
    assert silent.score.score == math.inf
    assert (silent.where, silent.when) == (None, None)


# About four times the RMS of `plucks` where it comes out.
BLIP_VOLTS = 0.0065


def blip(at_s: float, hz: float, seconds: float = 3.0) -> np.ndarray:
    """10 ms of `hz` about a moment."""
    t = np.arange(round(seconds * RATE)) / RATE - at_s
    return np.cos(2 * np.pi * hz * t)[None] * np.exp(-((t / 0.005) ** 2))


@pytest.mark.parametrize(("hz", "expected"), [(150.0, "low"), (1000.0, "middle"), (5000.0, "high")])
@pytest.mark.parametrize("at_s", [0.06, 1.234, 2.9])
def test_a_blip_through_the_judge(
    make_board: MakeBoard, hz: float, expected: str, at_s: float
) -> None:
    """Time counts from the first note: the silence before it is taken off. In steps of 10 ms."""
    there, back = judged(make_board, WIRE, plucks(3.0), change=BLIP_VOLTS * blip(at_s, hz))
    print(there.score.score, there.score.decided_by, there.when)
    assert there.score.decided_by == "event"
    assert there.where is None
    assert there.when is not None
    assert there.when.at_s == pytest.approx(at_s, abs=0.02)
    assert there.when.range == expected
    assert back.when == there.when


def test_a_blip_in_one_channel(make_board: MakeBoard) -> None:
    """The other channel has a smaller one elsewhere; the channel that differs more is asked."""
    more, less = BLIP_VOLTS * blip(1.9, 1000.0), 0.3 * BLIP_VOLTS * blip(0.7, 5000.0)
    for lines in ((more, less), (less, more), (0.0 * more, more)):
        there, _ = judged(make_board, WIRE, plucks(3.0), change=np.concatenate(lines))
        assert there.when is not None
        assert there.when.at_s == pytest.approx(1.9, abs=0.02)
        assert there.when.range == "middle"


def test_hiss_in_one_channel(make_board: MakeBoard) -> None:
    """Of the two channels that is asked in which the sound changes, be it left or right."""
    white = np.random.default_rng(6).standard_normal((1, 3 * RATE))
    hiss = 3e-4 * sosfilt(butter(4, 4000.0, "highpass", fs=RATE, output="sos"), white, axis=1)
    for lines in ((hiss, 0.0 * hiss), (0.0 * hiss, hiss)):
        there, _ = judged(make_board, WIRE, plucks(3.0), change=np.concatenate(lines))
        print(there.score.score, there.score.decided_by, there.where)
        assert there.score.decided_by == "distribution"
        assert there.where is not None
        assert there.where.range == "high"
        assert there.where.change_db > 0.0


def test_a_moment_of_boost_is_found(make_board: MakeBoard) -> None:
    """18 dB that are on for 30 ms at the end of a note, by events of the passage."""
    push = WIRE.replace("gain_db = 0", "gain_db = 18") + ", fade_ms = 1"
    events = (
        'events = [{ at = 0, block = "it", do = "off" }, { at = 1.4, block = "it", do = "on" },'
        '{ at = 1.43, block = "it", do = "off" }]'
    )
    there, _ = judged(make_board, push, plucks(), events)
    print(there.score.score, there.score.decided_by, there.when)
    assert there.when is not None
    assert 1.39 <= there.when.at_s <= 1.45


def flat(levels_db: np.ndarray | float, loudness: np.ndarray | float = 1.0) -> list[Heard]:
    (plain,) = Ear(0.1 * np.sin(np.arange(RATE) * 0.1)[None], RATE).heard()
    shape = (QUANTILES.size, BANDS)
    return [
        replace(
            plain,
            levels_db=np.broadcast_to(levels_db, shape),
            loudness=np.broadcast_to(loudness, BANDS),
        )
    ]


def test_where_needs_most_of_the_squares() -> None:
    """A change in one part beside a smaller one: its share is what counts, weighted by loudness."""
    high = CENTRES_HZ > 2500.0
    count = int(high.sum())
    # Less elsewhere by r: the share in the high bands is n / (n + (73 - n) r^2).
    for share, expected in ((0.58, None), (0.62, "high")):
        rest = math.sqrt(count * (1.0 / share - 1.0) / (BANDS - count))
        assert rest <= 0.75
        found = where(flat(40.0), flat(40.0 + np.where(high, 2.0, 2.0 * rest)))
        assert (found and found.range) == expected
    deaf = np.where(high, 0.0, 1.0)
    assert where(flat(40.0, deaf), flat(40.0 + np.where(high, 9.0, 0.0), deaf)) is None


@pytest.mark.parametrize(("down", "expected"), [(0, "high"), (7, "high"), (9, None), (16, None)])
def test_where_needs_one_direction(down: int, expected: str | None) -> None:
    """3 dB, downwards in n / 40 of the bands: the mean is 1 - n / 20 of the RMS; 0.6 are needed."""
    high = np.flatnonzero(CENTRES_HZ > 2500.0)
    loudness, change = np.zeros(BANDS), np.zeros(BANDS)
    loudness[high] = 40.0 / high.size
    change[high] = 3.0 * np.where(np.arange(high.size) < down * high.size / 40.0, -1.0, 1.0)
    found = where(flat(40.0, loudness), flat(40.0 + change, loudness))
    assert (found and found.range) == expected
    if down == 0:
        assert found == Where(pytest.approx(3.0), "all", "high")


def test_takes_are_averaged_before_they_are_compared() -> None:
    """What goes up in one take and down in the other is no change."""
    low, high = CENTRES_HZ < 250.0, CENTRES_HZ > 2500.0
    sway = [flat(40.0 + np.where(high, db, 0.0) + 2.0 * low)[0] for db in (-6.0, 6.0)]
    assert where(flat(40.0), sway) == Where(pytest.approx(2.0), "all", "low")
    assert where(sway, flat(40.0)) == Where(pytest.approx(-2.0), "all", "low")


@pytest.mark.parametrize(("quantiles", "moments"), [((0.25, 0.35), "soft"), ((0.65, 0.75), "loud")])
def test_soft_and_loud_are_two_fifths_each(quantiles: tuple[float, float], moments: str) -> None:
    """What lies in the two quantiles next to the middle belongs to them, half of each part."""
    part = np.isclose(QUANTILES[:, None], quantiles).any(axis=1)[:, None]
    found = where(flat(40.0), flat(40.0 + np.where(part, 3.0, 0.0)))
    assert found == Where(pytest.approx(1.5), moments, "all")


def test_the_mean_change_is_weighted_by_loudness() -> None:
    """4 dB where it is three times as loud, 2 dB elsewhere: 3.5 dB."""
    high = np.flatnonzero(CENTRES_HZ > 2500.0)
    half = high[: high.size // 2]
    change, loudness = np.zeros(BANDS), np.zeros(BANDS)
    change[high], loudness[high] = 2.0, 1.0 / (high.size - half.size)
    change[half], loudness[half] = 4.0, 3.0 / half.size
    found = where(flat(40.0, loudness), flat(40.0 + change, loudness))
    assert found == Where(pytest.approx(3.5), "all", "high")


def test_when_names_the_first_frame_of_its_kind() -> None:
    """By frames of 10 ms; the last group ends with the last band."""
    (plain,) = flat(40.0)
    for group, expected in ((0, "low"), (1, "middle"), (4, "middle"), (5, "high"), (8, "high")):
        events = np.full((90, 9), 1.0)
        events[57, group] = 9.0
        other = replace(plain, events=events)
        calm = replace(plain, events=np.full((90, 9), 1.0))
        found = when([calm], [other])
        assert found == When(pytest.approx(0.57), expected)
        assert when([calm, other], [other, calm]) == found, "first takes alone"
