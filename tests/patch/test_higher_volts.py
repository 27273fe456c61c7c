"""What a higher voltage gains: against the arithmetic of rails, on a tone of known volts."""

import math
from pathlib import Path

import pytest

from simchain.board import Board, load_board
from simchain.patch import higher_volts
from simchain.patch.higher_volts import headroom_gained
from tests.conftest import board_beside_tone

BOARD = """
links = "ideal"
tail_s = 0.1
source = {{ kind = "line", clip = "clip.wav", loudest_peak_volts = 0.4 }}
supply = {{ outlets = [{outlets}] }}
[blocks.push]
kind = "boost"
gain_db = 20
low_cut_hz = 0
high_cut_hz = 0
supply_range_volts = [9, 18]
[blocks.lift]
kind = "boost"
supply_range_volts = [9, 12]
gain_db = 0
low_cut_hz = 0
high_cut_hz = 0
[blocks.room]
kind = "reverb"
supply_range_volts = [9, 18]
current_ma = 50
[blocks.grit]
kind = "drive"
[orders.all]
front = ["lift", "push", "room", "grit"]
[passages.soft]
on = ["push", "lift"]
set = {{ push = {{ gain_db = 6 }} }}
[passages.loud]
on = ["push"]
"""
A, B, C = (
    f'{{ name = "{name}", volts = {volts}, ma = 100, isolated = true }}'
    for name, volts in (("A", 9), ("B", 18), ("C", 12))
)


def board(folder: Path, *outlets: str) -> Board:
    text = BOARD.format(outlets=", ".join(outlets))
    return load_board(board_beside_tone(folder, text))


def db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


def test_a_boost_by_hand(tmp_path: Path):
    """The tone peaks at 0.4 V; with 20 dB 4 V are asked for, and rails are 9/2 - 1 and 18/2 - 1."""
    push, room = headroom_gained(board(tmp_path, A, B), "all")
    assert (push.block, push.outlets, push.gains) == ("push", ("B",), True)
    assert (push.supply_volts, push.rail_volts) == (9, 3.5)
    assert (push.higher_volts, push.higher_rail_volts) == (18, 8.0)
    assert (push.at_output.point, push.at_output.passage) == ("push.out", "loud")
    assert push.at_output.before_db == pytest.approx(db(3.5 / 4), abs=0.01)
    assert push.at_output.after_db == pytest.approx(db(8 / 4), abs=0.01)
    assert push.at_input.before_db == pytest.approx(db(3.5 / 0.4), abs=0.01)
    assert push.at_input.after_db == pytest.approx(db(8 / 0.4), abs=0.01)
    # Converters stay at +9 dBu, a peak of 0.7746 x sqrt(2) x 10^(9/20) = 3.09 V.
    assert (room.block, room.gains, room.at_input, room.at_output) == ("room", False, None, None)
    assert room.rail_volts == room.higher_rail_volts == pytest.approx(3.087, abs=0.001)


def test_each_passage_is_rendered_once_for_each_voltage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """Two passages at 9 V, with lift at 12 V, and with push at 18 V: six."""
    rendered, render = [], higher_volts.render

    def counted(board: Board, order: object, passage: str, **more: object) -> object:
        volts = tuple(board.blocks[name].supply_volts for name in ("lift", "push"))
        rendered.append((volts, passage))
        return render(board, order, passage, **more)

    monkeypatch.setattr(higher_volts, "render", counted)
    lift, push, _ = headroom_gained(board(tmp_path, A, B, C), "all")
    assert (lift.higher_volts, push.higher_volts) == (12, 18)
    # 0.4 V into rails of 12/2 - 1; only the soft passage has it on.
    assert lift.at_output.passage == "soft"
    assert lift.at_output.after_db == pytest.approx(db(5 / 0.4), abs=0.01)
    assert sorted(rendered) == [
        (volts, passage) for volts in ((9, 9), (9, 18), (12, 9)) for passage in ("loud", "soft")
    ]


def test_nothing_to_gain_nothing_rendered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """No outlet above 9 V; or one that is too weak, or of the other polarity."""
    monkeypatch.setattr(higher_volts, "render", None)
    weak = '{ name = "W", volts = 18, ma = 5 }'
    other = '{ name = "P", volts = 18, ma = 100, polarity = "centre-positive" }'
    for outlets in ((A,), (A, weak), (A, other), ()):
        assert headroom_gained(board(tmp_path, *outlets), "all") == ()


def test_a_given_rail_does_not_move(tmp_path: Path):
    text = BOARD.format(outlets=f"{A}, {B}").replace('"boost"', '"boost"\nrail_volts = 7')
    found = headroom_gained(load_board(board_beside_tone(tmp_path, text)), "all", ["loud"])
    assert [(each.block, each.gains) for each in found] == [("push", False), ("room", False)]
    assert found[0].rail_volts == found[0].higher_rail_volts == 7
