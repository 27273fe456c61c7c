"""Where stereo begins and ends on a path, and what its fold costs, against closed forms."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

import simchain
from simchain.board import Board, Order
from simchain.chain.path import path_of
from simchain.chain.stereo import (
    HeardStereo,
    StereoEnds,
    fold_cost,
    stereo_at,
    stereo_heard,
    stereo_on,
)
from simchain.measure.excitation import erb_hz
from simchain.measure.stereo import fold_spectrum_db
from simchain.report.stereo import stereo_sentence

MakeBoard = Callable[..., Board]
RATE = 48_000

BOARD = """
[blocks]
repeat = { kind = "delay", outputs = 2, spread = 1.0, tone_hz = 0, mix = 0.5, feedback = 0.5 }
wide = { kind = "modulation", outputs = 2, width = 1.0, bypass = "buffered" }
tru = { kind = "modulation", outputs = 2, width = 1.0, bypass = "true" }
both = { kind = "reverb", inputs = 2, outputs = 2, decay_s = 0.4 }
flat = { kind = "boost", gain_db = 0, inputs = 2, outputs = 2 }
push = { kind = "boost", gain_db = 0, low_cut_hz = 0, high_cut_hz = 0 }
left = { kind = "boost", gain_db = 0, low_cut_hz = 0, high_cut_hz = 0, mono = "left" }
sum = { kind = "reverb", inputs = 2, outputs = 1, decay_s = 0.4 }
joint = { kind = "reverb", inputs = 2, outputs = 1, decay_s = 0.4, bypass = "true" }
pedal = { kind = "volume" }
[blocks.apart]
kind = "modulation"
shape = "vibrato"
rate_hz = 0
phase = 0.25
depth = 0.15
outputs = 2
width = 1.0
[amps.one]
[amps.same]
[amps.other]
gain_db = 20
loop_mix = 0.5
[orders.plain]
front = ["push"]
[passages.all]
on = ["repeat", "wide", "apart", "tru", "both", "flat", "push", "left", "sum", "pedal"]
[passages.none]
on = []
[passages.alone]
on = ["repeat", "wide", "tru", "both"]
[passages.later]
on = ["push"]
events = [
  { at = 0.2, block = "wide", do = "on" }, { at = 0.3, block = "push", do = "off" },
  { at = 0.4, block = "tru", do = "on" }, { at = 0.3, block = "joint", do = "on" },
]
"""


@pytest.fixture
def board(make_board: MakeBoard, noise: np.ndarray) -> Board:
    return make_board(BOARD, noise)


def path(board: Board, names: str, passage: str = "all", amp: str | None = None, loop: str = ""):
    order = Order(front=tuple(names.split()), loop=tuple(loop.split()))
    return path_of(board, order, passage, amp, source_key=b"")


def ends(begins: str, at: str | None, how: str | None, before: str, from_s=0.0) -> StereoEnds:
    return StereoEnds(begins, at, how, before, from_s)


OUT = (None, None, "out")


@pytest.mark.parametrize("links", ["ideal", "real"])
@pytest.mark.parametrize(
    ("names", "passage", "amp", "loop", "known"),
    [
        ("push", "all", None, "", []),
        ("push", "all", "one", "", []),
        ("repeat", "all", None, "", [ends("repeat", *OUT)]),
        ("repeat", "none", None, "", []),
        ("tru", "none", None, "", []),
        ("repeat push", "all", None, "", [ends("repeat", "push.in", "mean", "repeat.out")]),
        ("repeat left", "all", None, "", [ends("repeat", "left.in", "left", "repeat.out")]),
        # Off on true bypass it is a piece of wire, which joins the two all the same.
        ("repeat push", "alone", None, "", [ends("repeat", "push.out", "mean", "push.in")]),
        ("repeat left wide", "alone", None, "", [
            ends("repeat", "left.out", "left", "left.in"), ends("wide", *OUT)
        ]),
        ("repeat pedal", "all", None, "", [ends("repeat", "pedal.out", "mean", "pedal.in")]),
        ("repeat pedal", "alone", None, "", [ends("repeat", "pedal.out", "mean", "pedal.in")]),
        ("repeat sum push", "all", None, "", [ends("repeat", "sum.out", "mean", "sum.in")]),
        ("repeat both", "all", None, "", [ends("repeat", *OUT)]),
        ("repeat both push", "all", None, "", [ends("repeat", "push.in", "mean", "both.out")]),
        ("repeat flat push", "alone", None, "", [
            ends("repeat", "push.out", "mean", "push.in")
        ]),
        ("repeat wide", "all", None, "", [
            ends("repeat", "wide.in", "mean", "repeat.out"), ends("wide", *OUT)
        ]),
        ("repeat", "all", "one", "", [ends("repeat", "amp.in", "one amplifier", "repeat.out")]),
        ("push", "all", "one", "repeat", [
            ends("repeat", "amp.return", "one amplifier", "repeat.out")
        ]),
        ("repeat", "all", "one+same", "", [ends("repeat", *OUT)]),
        ("push", "all", "one+same", "", []),
        ("push", "all", "one+other", "", [ends("amp", *OUT)]),
        ("wide", "all", "one+same", "push", [ends("wide", "push.in", "mean", "amp.send")]),
        # Beside the loop, half of the other amplifier's send goes on to its return.
        ("wide", "all", "one+other", "push", [
            ends("wide", "push.in", "mean", "amp.send"), ends("wide", *OUT)
        ]),
    ],
)  # fmt: skip
def test_where_stereo_ends(
    make_board: MakeBoard, noise: np.ndarray, links, names, passage, amp, loop, known
) -> None:
    board = make_board(BOARD, noise, links=links)
    assert list(stereo_on(path(board, names, passage, amp, loop))) == known


def test_a_source_of_two_channels_is_stereo(board: Board) -> None:
    order = Order(front=("push",))
    laid = path_of(board, order, "all", None, source_key=b"", channels=2)
    assert stereo_on(laid, 2) == (ends("source", "push.in", "mean", "source"),)


def test_stereo_comes_with_what_is_switched_on(board: Board) -> None:
    """At 0.2 s wide comes on and ends at push, on or off; tru at 0.4 s reaches out."""
    laid = path(board, "wide push tru", "later")
    at = {seconds: stereo_at(laid, round(seconds * RATE)) for seconds in (0, 0.2, 0.3, 0.4)}
    folds = ends("wide", "push.in", "mean", "wide.out")
    print(at)
    assert at == {0: (), 0.2: (folds,), 0.3: (folds,), 0.4: (folds, ends("tru", *OUT))}
    assert stereo_on(laid) == (replace(folds, from_s=0.2), ends("tru", *OUT, from_s=0.4))


def test_what_passes_a_unit_counts_while_it_is_off(board: Board) -> None:
    """Off, joint lets both sides pass to push; on, from 0.3 s, it makes one of them."""
    laid = path(board, "wide joint push", "later")
    passes = ends("wide", "push.in", "mean", "joint.out")
    joins = ends("wide", "joint.out", "mean", "joint.in")
    at = [stereo_at(laid, round(seconds * RATE)) for seconds in (0.2, 0.3)]
    assert at == [(passes,), (joins,)]
    assert stereo_on(laid) == (replace(joins, from_s=0.3), replace(passes, from_s=0.2))


def test_a_two_output_unit_that_goes_off_lets_the_stereo_before_it_pass(board: Board) -> None:
    laid = path(board, "wide both push", "all")
    assert [each.begins for each in stereo_on(laid)] == ["wide"]


def heard(board: Board, names: str, passage: str = "all", amp: str | None = None, loop: str = ""):
    order = Order(front=tuple(names.split()), loop=tuple(loop.split()))
    return stereo_heard(simchain.render(board, order, passage, amp=amp))


def test_figures_are_those_of_the_sound_before_the_fold(board: Board) -> None:
    order = Order(front=("repeat", "wide", "push"))
    rendering = simchain.render(board, order, "all")
    for stretch in stereo_heard(rendering):
        name = stretch.stretch.before
        volts = rendering.points[name].volts
        folded = rendering.points[stretch.stretch.ends].volts
        known_db = 10 * math.log10(np.mean(folded**2) / np.mean(volts**2))
        print(stereo_sentence(stretch))
        assert stretch.cost.loss.level_db == pytest.approx(known_db, abs=1e-9)


def test_a_note_from_side_to_side_loses_its_repeats(make_board: MakeBoard) -> None:
    """Each repeat is on one side: folded it is 6.02 dB softer there, 3.01 dB in power.

    Practice, question 10: repeats -3 to -6 dB against the dry, which both sides carry alike.
    """
    note = np.zeros((1, 2 * RATE))
    note[0, : RATE // 4] = 0.1 * np.sin(2 * np.pi * 220 * np.arange(RATE // 4) / RATE)
    board = make_board(BOARD, note)
    rendering = simchain.render(board, Order(front=("repeat", "push")), "all")
    volts, folded = (rendering.points[name].volts for name in ("repeat.out", "push.out"))
    found = []
    for repeat in range(4):
        start = round(repeat * 0.38 * RATE)
        piece = slice(start, start + RATE // 4)
        side = max(np.sqrt(np.mean(line[piece] ** 2)) for line in volts)
        found.append(20 * math.log10(np.sqrt(np.mean(folded[0, piece] ** 2)) / side))
    cost = stereo_heard(rendering)[0].cost
    print(f"dry and repeats against their side: {np.round(found, 3)} dB; {cost.loss}")
    print(stereo_sentence(stereo_heard(rendering)[0]))
    assert found == pytest.approx([0, *[20 * math.log10(0.5)] * 3], abs=0.01)
    assert cost.loss.most_db == pytest.approx(10 * math.log10(0.5), abs=0.01)
    assert cost.loss.most_at_s > 0.25
    assert cost.dips == ()


# What a chorus sways by, either way, at depth 0.5 (simchain blocks modulation), and its middle.
SWING_S, MIDDLE_S = 0.5 * 3.5e-3, 12e-3
OPPOSITE = BOARD.replace(
    'wide = { kind = "modulation"',
    'wide = { kind = "modulation", rate_hz = 0, phase = 0.25, depth = 0.5, latency_ms = 0',
)


def test_a_chorus_of_opposite_phases_folds_to_a_comb(make_board: MakeBoard) -> None:
    """Standing where its sides are furthest apart, the fold of the wet parts is cos(w s).

    The whole, 1/2 + cos(w s) exp(-j w T) / 2, lies between 0 and -6.02 dB where it peaks, and is
    -6.02 dB where the wet parts cancel: practice, question 10.
    """
    impulse = np.zeros((1, RATE))
    impulse[0, RATE // 2] = 0.1
    board = make_board(OPPOSITE, impulse)
    rendering = simchain.render(board, Order(front=("wide", "push")), "all")
    response = np.fft.rfft(rendering.points["push.out"].volts[0] / 0.1)
    hz = np.fft.rfftfreq(RATE, 1 / RATE)
    known = np.abs(1 + np.cos(2 * np.pi * hz * SWING_S) * np.exp(-2j * np.pi * hz * MIDDLE_S)) / 2
    low = (hz > 0) & (hz < 5000)
    off_db = np.abs(20 * np.log10(np.abs(response[low]) / known[low]))[known[low] > 0.1].max()
    gone = round((2 * 3 + 1) / (4 * SWING_S))
    gone_db = 20 * math.log10(np.abs(response[gone]))
    most_db = 20 * math.log10(np.abs(response[low]).max())
    print(f"within {off_db:.3f} dB; {gone} Hz {gone_db:.3f} dB, at most {most_db:.3f} dB")
    assert off_db < 0.05
    assert gone_db == pytest.approx(-6.02, abs=0.02)
    assert -0.2 < most_db < 0.01


def test_the_spectrum_of_a_chorus_folded_is_its_closed_form(make_board: MakeBoard) -> None:
    """Against the mean power of both sides, under the ear's weights, summed over frequency."""
    impulse = np.zeros((1, RATE))
    impulse[0, RATE // 2] = 0.1
    board = make_board(OPPOSITE, impulse)
    rendering = simchain.render(board, Order(front=("wide",)), "all")
    hz, found_db = fold_spectrum_db(rendering.points["wide.out"].volts, RATE)
    every = np.arange(0.0, 10_000.0, 2.0)
    sides = [
        np.exp(-2j * np.pi * every * (MIDDLE_S + sign * SWING_S)) / 2 + 0.5 for sign in (1, -1)
    ]
    power = np.mean(np.abs(sides) ** 2, axis=0)
    fold = np.abs(np.mean(sides, axis=0)) ** 2
    slope = 4 / erb_hz(hz)[:, None] * np.abs(every - hz[:, None])
    weights = (1 + slope) * np.exp(-slope)
    known_db = 10 * np.log10((weights @ fold) / (weights @ power))
    heard = (hz > 60) & (hz < 5000)
    off_db = np.abs(found_db - known_db)[heard].max()
    print(f"within {off_db:.3f} dB of the closed form, {found_db[heard].min():.1f} dB at least")
    # Its own Hann pieces of 0.25 s take 2 % of what two copies 14 ms apart have in common.
    assert off_db < 0.15


def test_what_left_costs(make_board: MakeBoard, noise: np.ndarray) -> None:
    board = make_board(BOARD, noise)
    volts = np.stack((noise[0], 0.5 * noise[0]))
    assert fold_cost(volts, RATE, "left").loss.level_db == pytest.approx(
        10 * math.log10(1 / 0.625), abs=1e-9
    )
    found = heard(board, "wide left")
    print(stereo_sentence(found[0]))
    assert "it takes the left side alone" in stereo_sentence(found[0])


def test_sentences(board: Board) -> None:
    told = {
        case: [stereo_sentence(each) for each in heard(board, *case)]
        for case in [
            ("push", "all"),
            ("repeat", "all"),
            ("wide push", "all"),
            ("wide", "all", "one"),
            ("push", "all", "one", "wide"),
            ("wide", "all", "one+same"),
            ("push", "all", "one+other"),
            ("flat push", "all"),
            ("flat both push", "all"),
            ("wide push tru", "later"),
        ]
    }
    for case, sentences in told.items():
        print(case, *sentences, sep="\n  ")
    assert told["push", "all"] == []
    assert told["flat push", "all"] == [
        "Both sides are the same behind flat: stereo is not used there."
    ]
    assert told["wide push", "all"][0].startswith(
        "Stereo from wide ends at push: it takes the mean of both sides; "
    )
    assert told["wide", "all", "one"][0].startswith(
        "Stereo from wide ends at the amplifier: it takes the mean of both sides; "
    )
    assert "ends at the amplifier's return" in told["push", "all", "one", "wide"][0]
    assert told["wide", "all", "one+same"][0].startswith("Stereo from wide reaches out: ")
    assert told["push", "all", "one+other"][0].startswith("Stereo from the amplifiers reaches out")
    assert told["flat both push", "all"][0].startswith("Stereo from both ends at push")
    assert told["wide push tru", "later"][0].startswith(
        "Stereo from wide, from 0.2 s on, ends at push"
    )


def test_sides_apart_in_time_fold_to_dips(board: Board) -> None:
    """A vibrato that stands still 0.75 ms to either side: 1.5 ms, dips at 333, 1000 and 1667 Hz."""
    found = heard(board, "apart push")[0]
    print(stereo_sentence(found), found.cost)
    assert [dip.hz for dip in found.cost.dips[:3]] == pytest.approx([333, 1000, 1667], rel=0.02)
    assert " and the fold dips at 330 Hz (-" in stereo_sentence(found)


def test_a_clip_of_two_channels(make_board: MakeBoard, noise: np.ndarray) -> None:
    """Its sides, where they differ; else the first unit that makes them differ."""
    order = Order(front=("flat", "both", "push"))
    for other, begins in ((noise[0, ::-1], "source"), (noise[0], "both")):
        board = make_board(BOARD, np.stack((noise[0], other)))
        (found,) = stereo_heard(simchain.render(board, order, "all"))
        print(stereo_sentence(found), found.sides)
        assert (found.stretch.begins, found.stretch.ends) == (begins, "push.in")


def test_a_mixer_takes_both(make_board: MakeBoard, noise: np.ndarray) -> None:
    text = BOARD[: BOARD.index("[amps.one]")] + BOARD[BOARD.index("[orders.plain]") :]
    board = make_board(text, noise)
    (found,) = heard(board, "push wide")
    assert found.cost is None
    assert stereo_sentence(found).startswith("Stereo from wide reaches out: ")


def test_without_kept_sound_only_the_ends_are_known(board: Board) -> None:
    rendering = simchain.render(board, Order(front=("wide", "push")), "all", points=False)
    found = stereo_heard(rendering)
    assert found == (HeardStereo(ends("wide", "push.in", "mean", "wide.out")),)
    assert stereo_sentence(found[0]) == (
        "Stereo from wide ends at push: it takes the mean of both sides."
    )


def test_side_energy_is_gone_behind_a_mono_block(board: Board) -> None:
    """Practice, question 10: two outputs last, or a mono block behind them."""
    last = heard(board, "push wide")[0].sides
    print(f"two outputs last: {last}; a mono block last: {heard(board, 'wide push')[0].stretch}")
    assert last.width > 0.1
    assert [each.stretch.ends for each in heard(board, "wide push")] == ["push.in"]
