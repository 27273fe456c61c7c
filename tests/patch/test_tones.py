"""What a meter reads: against closed forms, and against a render of the tone as a clip."""

import math
from pathlib import Path

import numpy as np
import pytest
import soundfile

from simchain.board import Order, load_board
from simchain.board.read import read_board
from simchain.chain.render import render
from simchain.patch import tones
from simchain.patch.tones import FED_VOLTS, READ_S, SETTLE_S, expected_tones

BOARD = """
source = {{ kind = "line", clip = "tone.wav", loudest_peak_volts = {peak} }}
tail_s = 0
[amps.clean]
gain_db = 10
[output]
amps = ["clean"]
[blocks.press]
kind = "compressor"
[blocks.grit]
kind = "drive"
gain_db = 20
[blocks.room]
kind = "reverb"
[orders.split]
front = ["press", "grit"]
loop = ["room"]
[passages.all]
on = ["press", "grit", "room"]
[passages.none]
"""


@pytest.mark.parametrize("hz", [1000.0, 220.0])
def test_within_a_tenth_of_a_decibel_of_a_render(tmp_path: Path, hz: float) -> None:
    rate = 48_000
    peak = math.sqrt(2.0) * FED_VOLTS
    wave = np.sin(2 * math.pi * hz * np.arange(round((SETTLE_S + READ_S) * rate)) / rate)
    soundfile.write(tmp_path / "tone.wav", 0.5 * wave, rate, subtype="FLOAT")
    (tmp_path / "board.toml").write_text(BOARD.format(peak=peak))
    board = load_board(tmp_path / "board.toml")
    worst = 0.0
    for passage, read in expected_tones(board, board.order("split"), ["all", "none"], [hz]).items():
        points = render(board, "split", passage).points
        assert set(read[hz]) == set(points)
        for name, expected in read[hz].items():
            line = points[name].volts[0, round(SETTLE_S * rate) :]
            worst = max(worst, abs(20 * math.log10(expected.volts / np.sqrt(np.mean(line**2)))))
    print(f"{hz:g} Hz: {worst:.4f} dB apart at most, over two passages and all test points")
    assert worst < 0.1


def test_what_is_read_has_come_to_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    """A compressor, a drive and a room read the same when they are given 18 s."""
    board = read_board(BOARD.format(peak=0.1).replace("tone.wav", "riff"))
    reads = []
    for settle_s in (SETTLE_S, 18.0):
        monkeypatch.setattr(tones, "SETTLE_S", settle_s)
        reads.append(expected_tones(board, board.order("split"), ["all"], [220.0])["all"][220.0])
    apart = {
        name: abs(20 * math.log10(reads[0][name].volts / reads[1][name].volts)) for name in reads[0]
    }
    print(f"{max(apart.values()):.4f} dB apart at most")
    assert max(apart.values()) < 0.02


def test_a_boost_and_its_load_by_hand():
    """1 kohm into 1 Mohm loses 0.009 dB: less than the 0.02 dB that make a link no wire."""
    board = read_board(
        'source = { kind = "line" }\noutput = { input_ohm = 1e6 }\n'
        '[blocks.push]\nkind = "boost"\ngain_db = 6\nlow_cut_hz = 0\nhigh_cut_hz = 0\n'
        '[orders.one]\nfront = ["push"]\n[passages.on]\non = ["push"]\n[passages.off]\n'
    )
    read = expected_tones(board, board.order("one"), ["on", "off"], [1000.0])
    gain = 10 ** (6 / 20)
    assert read["on"][1000.0]["push.in"].volts == pytest.approx(0.1 / 1.001, rel=2.4e-3)
    assert read["on"][1000.0]["push.out"].volts == pytest.approx(0.1 / 1.001 * gain, rel=2.4e-3)
    assert read["off"][1000.0]["push.out"].volts == pytest.approx(0.1 / 1.001, rel=2.4e-3)


def test_a_tremolo_sways_and_a_boost_does_not():
    board = read_board(
        'source = { kind = "line" }\n[blocks.shake]\nkind = "modulation"\nshape = "tremolo"\n'
        '[orders.one]\nfront = ["shake"]\n[passages.on]\non = ["shake"]\n[passages.off]\n'
    )
    read = expected_tones(board, Order(("shake",)), ["on", "off"], [220.0])
    assert read["on"][220.0]["shake.out"].sways
    assert not read["on"][220.0]["shake.in"].sways
    assert not read["off"][220.0]["shake.out"].sways


def test_events_are_left_out():
    board = read_board(
        'source = { kind = "line" }\n[blocks.push]\nkind = "boost"\n'
        '[orders.one]\nfront = ["push"]\n'
        '[passages.on]\non = ["push"]\nevents = [{ at = 6.5, block = "push", do = "off" }]\n'
    )
    read = expected_tones(board, Order(("push",)), ["on"], [220.0])["on"][220.0]["push.out"]
    assert not read.sways
    assert read.volts == pytest.approx(0.1 * 10 ** (6 / 20), rel=0.01)


def test_a_pot_of_the_guitar_that_the_passage_turns_is_left_out() -> None:
    """What is fed stands in the guitar's place, which has the pot."""
    guitar = BOARD.format(peak=0.1).replace('"line"', '"guitar"').replace("tone.wav", "riff")
    turned = guitar + '[passages.soft]\non = ["grit"]\nset = { source = { volume = 0.3 } }\n'
    plain = guitar + '[passages.soft]\non = ["grit"]\n'
    read = [
        expected_tones(board, board.order("split"), ["soft"], [220.0])["soft"][220.0]
        for board in (read_board(turned), read_board(plain))
    ]
    print({name: round(one.volts, 5) for name, one in read[0].items()})
    assert read[0] == read[1]
