"""Warnings: unusual values, broken rules, tuners that mute, supplies, words without effect."""

import re

import pytest

from simchain.board import check_board, read_board, starter
from simchain.errors import BoardError

BOARD = """
[source]
clip = "riff"
[blocks.tune]
kind = "tuner"
[blocks.push]
kind = "boost"
[amps.mine]
[orders.series]
front = ["tune", "push"]
[passages.verse]
on = ["push"]
"""


def warnings(text: str) -> list[tuple[str, str, str]]:
    return [(found.code, found.block, found.text) for found in check_board(read_board(text))]


def test_a_usual_board_has_no_warnings():
    assert warnings(BOARD) == []


@pytest.mark.parametrize(
    ("old", "new", "code", "block", "says"),
    [
        ('"boost"', '"boost"\ngain_db = 60', "outside_usual", "push",
         r"\[blocks\.push\] gain_db = 60: usual is 0 to 25 dB"),
        ('"boost"', '"boost"\nlevel_db = -50', "outside_usual", "push",
         r"level_db = -50: usual is -40 to 12"),
        ('"boost"', '"equalizer"\nbands = [{ hz = 100, db = 30 }]', "outside_usual", "push",
         r"bands, entry 1, db = 30: usual is -15 to 15 dB"),
        ("[amps.mine]", "[amps.mine]\ngain_db = 70", "outside_usual", "",
         r"\[amps\.mine\] gain_db = 70"),
        ('clip = "riff"', 'clip = "riff"\nfull_scale_dbu = 30', "outside_usual", "",
         r"\[source\] full_scale_dbu = 30: usual is 4 to 22 dBu"),
        ('clip = "riff"', 'clip = "riff"\npickup = { inductance_h = 90 }', "outside_usual", "",
         r"\[source\.pickup\] inductance_h = 90: usual is 1\.8 to 9 H"),
        ('on = ["push"]', "set = { push = { gain_db = 50 } }", "outside_usual", "push",
         r"\[passages\.verse\.set\.push\] gain_db = 50"),
        ('on = ["push"]', "tail_s = 40", "outside_usual", "",
         r"\[passages\.verse\] tail_s = 40: usual is 0 to 15 s"),
        ("[amps.mine]", "[amps.mine]\n[cables]\npatch_m = 20", "outside_usual", "",
         r"\[cables\] patch_m = 20"),
        ("[amps.mine]", "[amps.mine]\n[supply]\noutlets = [{ name = 'A', volts = 48 }]",
         "outside_usual", "",
         r"\[supply\] outlets, entry 1, volts = 48: usual is 9 to 18 V"),
        ('"boost"', '"boost"\nsupply_range_volts = [12, 18]', "supply_range", "push",
         r"supply_volts = 9: the unit takes 12 to 18 V; the wrong voltage or polarity can destroy"),
        ('on = ["push"]', 'on = ["push", "tune"]', "tuner_mutes", "tune",
         r"'tune' is on: a tuner mutes the sound$"),
        ('on = ["push"]', "events = [{ at = 1, block = 'tune', do = 'on' }]", "tuner_mutes", "tune",
         r"a tuner mutes the sound from the moment"),
        ("[amps.mine]", "[amps.mine]\n[rules]\nfirst = ['push']", "rule_broken", "",
         r"\[orders\.series\] breaks a rule; first: the order should begin with 'push'"),
        ("[amps.mine]", "[amps.mine]\n[amps.two]", "output_assumed", "",
         r"'mine' is taken, the first of mine and two"),
    ],
)  # fmt: skip
def test_each_warning(old: str, new: str, code: str, block: str, says: str):
    found = warnings(BOARD.replace(old, new, 1))
    assert any((c, b) == (code, block) and re.search(says, text) for c, b, text in found), found


def test_a_filter_that_is_off_is_not_unusual():
    assert warnings(BOARD.replace('"boost"', '"boost"\nhigh_cut_hz = 0')) == []


def test_a_block_left_out_by_an_order_is_no_warning():
    assert warnings(BOARD.replace('["tune", "push"]', '["tune"]')) == []


def test_boxes_pulled_apart_are_told():
    text = BOARD.replace('"boost"', '"boost"\nbox = "pair"').replace(
        '"tuner"', '"tuner"\nbox = "pair"'
    )
    assert warnings(text) == []
    (found,) = warnings(text.replace('["tune", "push"]', '["push", "tune"]'))
    assert found[0] == "box_split"


@pytest.mark.parametrize("name", ["electric", "acoustic", "demo"])
def test_the_starters_are_warned_of_nothing(name: str):
    assert warnings(starter(name)) == []


FLOORED = """
source = { kind = "guitar", clip = "riff", full_scale_dbu = 12 }
[floor]
size_mm = FLOOR
under_mm = 60
[blocks]
press = { kind = "compressor" }
push = { kind = "boost", size_mm = UNIT }
tune = { kind = "tuner" }
[orders.a]
front = ["tune", "press", "push"]
[passages.verse]
on = ["push"]
"""


@pytest.mark.parametrize(
    ("floor", "unit", "codes"),
    [
        ("[400, 140]", "[70, 120]", []),
        ("[40, 14]", "[70, 120]", ["centimetres"]),
        ("[400, 140]", "[7, 12]", ["centimetres"]),
    ],
)
def test_centimetres(floor: str, unit: str, codes: list[str]) -> None:
    """And room beneath the board can only help."""
    board = read_board(FLOORED.replace("FLOOR", floor).replace("UNIT", unit))
    assert [one.code for one in check_board(board)] == codes


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("[floor]\nroom_mm = 3", "room_mm: no such key for [floor] (there are: size_mm, under_mm)"),
        ('[blocks.p]\nkind = "boost"\nma = 3', "simchain blocks boost --all lists them"),
    ],
)
def test_keys_that_there_are_not(line: str, said: str) -> None:
    with pytest.raises(BoardError) as caught:
        read_board(line)
    assert said in str(caught.value)
