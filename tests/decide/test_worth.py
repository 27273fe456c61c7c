"""What blocks are worth: levels and tones in closed form, practice's directions, the budget."""

import itertools
from collections.abc import Mapping

import numpy as np
import pytest

from simchain import clips
from simchain.board import Board
from simchain.board.wishes import Judging
from simchain.decide.best_four import kept_by_each_four
from simchain.decide.in_use import InUse
from simchain.decide.without import Lost
from simchain.decide.worth import MOST_RENDERS, Worth, class_of, worth
from simchain.errors import RequestError
from simchain.measure.bands import CENTRES_HZ, band_weights
from simchain.signal import read_clip
from tests.decide.conftest import RATE, MakeBoard

WITHIN = Judging()


@pytest.fixture
def riff() -> np.ndarray:
    return read_clip(clips.path("riff")).volts[:, : 3 * RATE // 2]


def lost(found: Worth, block: str, passage: str) -> Lost:
    return found.blocks[block].lost[passage]


PLAIN = """
[blocks]
flat = { kind = "equalizer", supply_volts = 60 }
grit = { kind = "drive", gain_db = 26 }
push = { kind = "boost", gain_db = 6, low_cut_hz = 0, high_cut_hz = 0, supply_volts = 60 }
room = { kind = "reverb", decay_s = 0.6, mix = 0.3, supply_volts = 60 }
[orders.after]
front = ["flat", "grit", "push", "room"]
[orders.before]
front = ["flat", "push", "grit", "room"]
[passages.clean]
on = ["flat", "push"]
[passages.dirty]
on = ["flat", "grit", "push"]
[passages.wet]
on = ["flat", "room"]
[songs.both]
passages = ["clean", "dirty", "clean"]
"""


@pytest.fixture
def plain(make_board: MakeBoard, riff: np.ndarray) -> Board:
    return make_board(PLAIN, riff, tail_s=0.5)


def test_what_is_lost_is_what_the_block_does(plain: Board) -> None:
    found = worth(plain, "after")
    boost = lost(found, "push", "clean")
    # 6 dB of gain into a mixer, or behind a drive (practice §2, 1: "after: +6.0"), are 6.0 LU.
    for passage in ("clean", "dirty"):
        assert lost(found, "push", passage).judged.difference.trim_lu == pytest.approx(
            -6.0, abs=0.02
        )
    assert boost.judged.score.verdict == "free", "a level alone is no difference in sound"
    assert boost.missed == pytest.approx(6.0 / WITHIN.free_move_lu, rel=0.01), "but it is missed"
    assert boost.causes is not None
    assert boost.causes["tone"].difference == pytest.approx(0.0, abs=0.05)
    assert found.blocks["push"].judged_as == "switched"
    flat = found.blocks["flat"]
    assert {one.judged.score.verdict for one in flat.lost.values()} == {"same"}
    assert (flat.judged_as, flat.use.on_share) == ("rarely", 1.0)
    grit = lost(found, "grit", "dirty")
    assert (grit.judged.score.verdict, found.blocks["grit"].judged_as) == ("clear", "essential")
    assert grit.judged.more_dirt_db < -10.0
    assert set(found.blocks["room"].lost) == {"wet"}, "where it is off there is nothing to lose"
    room = lost(found, "room", "wet").causes
    assert room is not None
    assert room["tail"].difference is not None
    assert room["tail"].difference < -3.0
    assert found.best[0].kept == 1.0, "four of four keep all"
    # Three as they are, and each block off where it is on; flat's path is one of its own.
    assert found.renders == 3 + 2 + 3 + 2


def test_a_boost_before_a_drive_is_worth_less_than_behind(plain: Board) -> None:
    # practice §2, 1 (trial): before a drive of the feedback kind +2 to +3.5 LU, behind it +6.0.
    found = worth(plain, "before", passages=["dirty"])
    by_lu = -lost(found, "push", "dirty").judged.difference.trim_lu
    print(f"boost of 6 dB before the drive: {by_lu:.2f} LU")
    assert 2.0 < by_lu < 3.5


def test_time_on_and_switches_are_counted_as_a_song_is_played(plain: Board) -> None:
    found = worth(plain, "after")
    use = {name: one.use for name, one in found.blocks.items()}
    # Four parts of one length are played: clean, dirty, clean, and wet in no song.
    assert use["grit"] == InUse(pytest.approx(1 / 4), 2)
    assert use["push"] == InUse(pytest.approx(3 / 4), 0)
    assert use["room"] == InUse(pytest.approx(1 / 4), 0)


EVENTS = """
[blocks]
a = { kind = "boost" }
b = { kind = "boost" }
c = { kind = "boost" }
l = { kind = "looper" }
[orders.all]
front = ["a", "b", "c", "l"]
[passages.one]
on = ["a", "b"]
weight = 3
events = [{ at = 0.1, block = "a", do = "off" }, { at = 0.2, block = "c", do = "on" },
          { at = 0.3, block = "a", do = "on" }, { at = 0.1, block = "l", do = "record" },
          { at = 0.4, block = "l", do = "stop" }]
[passages.two]
on = ["b"]
"""


def test_switches_within_a_passage_and_weights(make_board: MakeBoard, noise: np.ndarray) -> None:
    use = {n: w.use for n, w in worth(make_board(EVENTS, noise), "all").blocks.items()}
    # Half a second each; the first passage counts three times.
    assert use["a"] == InUse(pytest.approx(0.75 * 0.3 / 0.5), 2)
    assert use["b"] == InUse(1.0, 0)
    assert use["c"] == InUse(pytest.approx(0.75 * 0.3 / 0.5), 1)
    assert use["l"] == InUse(pytest.approx(0.75 * 0.3 / 0.5), 2)


BUFFERS = """
cables = { guitar_m = 3, patch_m = 0.15, amp_m = 15, pf_per_m = 100 }
output = { input_ohm = 1e6 }
[blocks]
first = { kind = "boost", gain_db = 0, low_cut_hz = 0, high_cut_hz = 0, output_ohm = 100 }
second = { kind = "boost", gain_db = 0, low_cut_hz = 0, high_cut_hz = 0, output_ohm = 100 }
spare = { kind = "drive" }
other = { kind = "equalizer", bypass = "true" }
[orders.all]
front = ["first", "second", "spare", "other"]
[passages.verse]
on = ["first", "second"]
"""


def test_two_buffers_stand_in_for_one_another(make_board: MakeBoard) -> None:
    """Without both, the guitar drives all the cable: what that costs is a circuit of one node."""
    # Every hertz as strong as the next, so that nothing is left to chance: phases alone are drawn.
    phases = np.random.default_rng(3).uniform(0.0, 2.0 * np.pi, RATE + 1)
    sound = np.fft.irfft(np.exp(1j * phases))[np.newaxis] * 0.05 * np.sqrt(2 * RATE)
    board = make_board(BUFFERS, sound, links="real")
    guitar = type(board.source).model_validate(
        {"kind": "guitar", "clip": "clip.wav", "full_scale_dbu": 12.0}
    )
    board = board.model_copy(update={"source": guitar})
    found = worth(board, "all")
    for name in ("first", "second"):
        one = lost(found, name, "verse")
        print(name, one.judged.score.score, one.judged.difference.trim_lu)
        assert one.missed < WITHIN.free_below, "either alone is hardly missed"
    (both,) = found.pairs
    assert both.without == {"first", "second"}
    print("both", both.judged.score, both.judged.difference.trim_lu)
    assert both.missed > WITHIN.free_below
    change = both.judged.difference.band_change_db + both.judged.difference.trim_lu
    # 3 m of guitar cable into the buffer; or with it 3 patch leads and 15 m more.
    expected = _thirds_db(300.0 + 45.0 + 1500.0) - _thirds_db(300.0)
    heard = (CENTRES_HZ > 90.0) & (CENTRES_HZ < 9e3)
    for hz, is_db, by_hand in zip(CENTRES_HZ, change, expected, strict=True):
        print(f"{hz:8.0f} Hz {is_db:7.2f} dB, by hand {by_hand:7.2f}")
    np.testing.assert_allclose(change[heard], expected[heard], atol=0.05)


def _thirds_db(cable_pf: float) -> np.ndarray:
    """Thirds of an octave at the end of `cable_pf` and 1 M, of noise recorded at 500 pF and 1 M.

    As a class 1 filter weighs them (IEC 61260-1:2014): skirts count beside a resonance.
    """
    hz = np.linspace(1.0, 22e3, 44_000)
    return np.asarray(10 * np.log10(band_weights(hz) @ (_jack(hz, cable_pf) / _jack(hz, 500.0))))


def _jack(hz: np.ndarray, cable_pf: float) -> np.ndarray:
    """The power at the jack of a pickup of 2.6 H, 6.2 k and 115 pF, two pots of 250 k, 22 nF."""
    s = 2j * np.pi * hz
    admittance = s * (115e-12 + cable_pf * 1e-12) + 1 / 250e3 + 1 / 1e6
    admittance = admittance + 1 / (250e3 + 1 / (s * 22e-9))
    return np.asarray(np.abs(1 + (6200 + 2.6 * s) * admittance) ** -2)


def test_classes() -> None:
    weights = {"p": 1.0, "q": 1.0, "r": 0.0}

    def told(
        on_share: float, missed: Mapping[str, float], at: Mapping[str, float] = weights
    ) -> str:
        return class_of(InUse(on_share, 0), missed, at, WITHIN)

    assert told(1.0, {"p": 9.0, "q": 2.0, "r": 9.0}) == "always_on"
    assert told(1.0, {"p": 0.9, "q": 0.1, "r": 9.0}) == "rarely", "r counts for nothing"
    assert told(0.5, {"p": 9.0, "r": 9.0}) == "essential"
    assert told(0.5, {"p": 9.0, "q": 1.5}) == "switched", "missed in two sounds"
    assert told(0.5, {"p": 3.0}) == "switched", "missed in one, but not clearly"
    assert told(0.05, {"p": 3.0}) == "rarely", "seldom on, and not missed clearly"
    assert told(0.05, {"p": 9.0}) == "essential"
    assert told(0.0, {}) == "rarely"
    assert told(0.5, {"p": 9.0}, {"p": 1.0}) == "switched", "one sound is all there is"


def test_the_best_four_are_those_of_every_choice() -> None:
    blocks, weights = ("a", "b", "c", "d", "e", "f"), {"p": 2.0, "q": 1.0}
    single = {"a": 1.0, "b": 0.5, "c": 0.4, "d": 0.3, "e": 0.1, "f": 0.0}
    known = {("p", frozenset((name,))): size for name, size in single.items()}
    known["q", frozenset("d")] = 0.3
    # Neither e nor f is missed much alone; without both, 0.8 is lost that no single one shows.
    known["p", frozenset("ef")] = 0.9
    found = kept_by_each_four(blocks, weights, known)
    assert len(found) == 15
    total = 2.0 * (1.0 + 0.5 + 0.4 + 0.3 + 0.1) + 0.3 + 2.0 * 0.8
    for choice, kept in found:
        duty = sum(2.0 * single[name] + (0.3 if name == "d" else 0.0) for name in choice)
        duty += 2.0 * 0.8 if {"e", "f"} & set(choice) else 0.0
        assert kept == pytest.approx(duty / total)
    best, kept = found[0]
    assert best == ("a", "b", "d", "e")
    assert kept == pytest.approx((2.0 * (1.0 + 0.5 + 0.3 + 0.1) + 0.3 + 1.6) / total)
    assert kept == max(kept for _, kept in found)
    nothing = kept_by_each_four(blocks, weights, {})
    assert {kept for _, kept in nothing} == {1.0}
    assert [choice for choice, _ in nothing] == list(itertools.combinations(blocks, 4))


EIGHT = """
[blocks]
press = { kind = "compressor" }
tilt = { kind = "equalizer", bands = [{ hz = 800, db = 3, q = 1 }] }
grit = { kind = "drive" }
push = { kind = "boost", gain_db = 4 }
shine = { kind = "equalizer", bands = [{ hz = 3000, db = 0.1, q = 1 }] }
glow = { kind = "boost", gain_db = 0.1 }
repeat = { kind = "delay" }
room = { kind = "reverb" }
[orders.all]
front = ["press", "tilt", "grit", "push", "shine", "glow", "repeat", "room"]
[passages.one]
on = ["press", "tilt", "grit", "push", "shine", "glow", "repeat", "room"]
[passages.two]
on = ["press", "tilt", "grit", "push", "shine", "glow", "repeat", "room"]
set = { push = { gain_db = 6 } }
[passages.three]
on = ["press", "tilt", "grit", "push", "shine", "glow", "repeat", "room"]
set = { repeat = { mix = 0.4 } }
"""


def test_eight_blocks_in_three_passages_within_the_budget(
    make_board: MakeBoard, riff: np.ndarray
) -> None:
    """Everything is on everywhere: no board of eight blocks and three passages asks for more."""
    found = worth(make_board(EIGHT, riff[:, :RATE], tail_s=0.2), "all")
    print(f"{found.renders} passage renders of {MOST_RENDERS}; beside them {found.cost}")
    print([(sorted(pair.without), pair.passage, pair.missed) for pair in found.pairs])
    assert 27 < found.renders <= 60
    assert len(found.best) == 3
    assert {"glow", "shine"}.isdisjoint(found.best[0].blocks)


def test_where_any_two_might_stand_in_the_budget_holds(
    make_board: MakeBoard, riff: np.ndarray
) -> None:
    names = [f"b{number}" for number in range(8)]
    blocks = "".join(
        f'{name} = {{ kind = "boost", gain_db = {0.01 * (number + 1)}, supply_volts = 60 }}\n'
        for number, name in enumerate(names)
    )
    passages = "".join(
        f"[passages.{name}]\non = {names}\nset = {{ b0 = {{ gain_db = {gain} }} }}\n"
        for name, gain in (("one", 0.1), ("two", 0.2), ("three", 0.15))
    )
    text = f"[blocks]\n{blocks}[orders.all]\nfront = {names}\n{passages}"
    found = worth(make_board(text, riff[:, :RATE]), "all")
    print(f"{found.renders} passage renders, {len(found.pairs)} of 84 pairs")
    assert MOST_RENDERS - 9 <= found.renders <= MOST_RENDERS
    assert found.renders <= 60  # asked for
    assert len(found.pairs) == MOST_RENDERS - 27 - 9


def test_what_cannot_be_told_is_said_in_one_line(plain: Board) -> None:
    for order, passages, words in (
        ("none", None, "order 'none'"),
        ("after", ["none"], "passage 'none'"),
    ):
        with pytest.raises(RequestError, match=words):
            worth(plain, order, passages=passages)
    short = plain.orders["after"].model_copy(update={"front": ("grit", "push", "room")})
    with pytest.raises(RequestError, match="has 3 blocks; the best four are chosen from four or"):
        worth(plain, short)
    with pytest.raises(RequestError, match="no passages"):
        worth(plain.model_copy(update={"passages": {}}), "after")
