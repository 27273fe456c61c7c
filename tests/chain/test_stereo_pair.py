"""Two amplifiers take the two channels, one takes their mean, and each has its own test points."""

from collections.abc import Callable

import numpy as np
import pytest

import simchain
from simchain.board import Board
from simchain.errors import RequestError

MakeBoard = Callable[..., Board]

BOARD = """
[blocks]
wide = { kind = "modulation", shape = "chorus", outputs = 2, width = 1.0 }
turned = { kind = "boost", gain_db = 0, low_cut_hz = 0, high_cut_hz = 0, invert = true }
both = { kind = "reverb", inputs = 2, outputs = 2, decay_s = 0.4 }
[amps.left]
gain_db = 8
loop_mix = 0.75
[amps.right]
gain_db = 20
cabinet = "closed"
watts = 50
loop_mix = 1.0
[output]
amps = ["left", "right"]
[orders.wide]
front = ["wide"]
[orders.plain]
front = []
[orders.split]
loop = ["turned"]
[orders.wide_loop]
front = ["wide"]
loop = ["both"]
[passages.p]
on = ["wide", "turned", "both"]
"""


@pytest.fixture
def board(make_board: MakeBoard, noise: np.ndarray) -> Board:
    return make_board(BOARD, noise)


def test_each_amplifier_takes_its_channel(board: Board) -> None:
    pair = simchain.render(board, order="wide", passage="p")
    wide = pair.points["wide.out"].volts
    assert pair.amp == "left+right"
    np.testing.assert_array_equal(pair.points["amp.in"].volts, wide[:1])
    np.testing.assert_array_equal(pair.points["amp2.in"].volts, wide[1:])
    names = ["amp.in", "amp2.in", "amp.send", "amp2.send", "amp.return", "amp2.return"]
    assert list(pair.points)[-9:-3] == names
    assert list(pair.points)[-3:] == ["speaker", "speaker2", "out"]


def test_a_mono_end_feeds_both_and_each_is_itself(board: Board) -> None:
    pair = simchain.render(board, order="plain", passage="p").points
    for place, (name, speaker) in enumerate((("left", "speaker"), ("right", "speaker2"))):
        alone = simchain.render(board, order="plain", passage="p", amp=name).points
        np.testing.assert_array_equal(alone["speaker"].volts, pair[speaker].volts)
        np.testing.assert_array_equal(alone["out"].volts[0], pair["out"].volts[place])


def test_one_amplifier_takes_the_mean_of_two_channels(board: Board) -> None:
    points = simchain.render(board, order="wide", passage="p", amp="left").points
    mean = points["wide.out"].volts.mean(axis=0, keepdims=True)
    np.testing.assert_allclose(points["amp.in"].volts, mean, rtol=1e-12)


def test_each_amplifier_mixes_its_loop_as_it_is_set(board: Board) -> None:
    # A mono block between takes the mean of both sends and feeds both returns, turned over.
    points = simchain.render(board, order="split", passage="p").points
    sends = [points["amp.send"].volts[0], points["amp2.send"].volts[0]]
    loop = -(sends[0] + sends[1]) / 2
    np.testing.assert_allclose(
        points["amp.return"].volts[0], 0.75 * loop + 0.25 * sends[0], rtol=1e-9, atol=1e-12
    )
    np.testing.assert_allclose(points["amp2.return"].volts[0], loop, rtol=1e-9, atol=1e-12)


def test_a_stereo_block_in_the_loop_keeps_the_channels_apart(board: Board) -> None:
    points = simchain.render(board, order="wide_loop", passage="p").points
    back = [points["amp.return"].volts, points["amp2.return"].volts]
    assert not np.array_equal(*back)


def test_full_scale_is_that_of_the_stronger_amplifier(board: Board) -> None:
    pair = simchain.render(board, order="plain", passage="p")
    # Rated power and 6 dB: 50 W into 8 ohm is 20 V RMS, 28.28 V peak, 56.4 V with 6 dB.
    full_scale = pair.points["out"].volts[0].max() / pair.output.samples[0].max()
    assert full_scale == pytest.approx(20 * 2**0.5 * 10**0.3, rel=1e-6)


def test_amplifiers_that_are_not_there(board: Board) -> None:
    with pytest.raises(RequestError, match=r"no amplifier 'rihgt'.*did you mean 'right'"):
        simchain.render(board, order="plain", passage="p", amp="left+rihgt")
    with pytest.raises(RequestError, match="names 3 amplifiers; one or two are allowed"):
        simchain.render(board, order="plain", passage="p", amp="left+right+left")
