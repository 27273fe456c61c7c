"""Levels of an order: floors by hand, what the loop meets, and the document made of it."""

import io
import json
import math
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

import simchain
from simchain.board import Board, load_board
from simchain.decide.levels import Levels, levels
from simchain.errors import RequestError
from simchain.report.documents import levels_document
from simchain.report.tables import levels_lines, levels_table
from simchain.signal import Signal, write_float_wav
from simchain.units import DBU_VOLTS, ratio_to_db

BOARD = """
title = "Loop"
links = "ideal"
tail_s = 0.2
source = {{ kind = "line", clip = "clip.wav", full_scale_dbu = 12, hum_dbu = {hum_dbu} }}
[blocks]
push = {{ kind = "boost", gain_db = {push_db}, low_cut_hz = 0, high_cut_hz = 0 }}
room = {{ kind = "reverb", mix = 0.2, decay_s = 0.5, max_dbu = {max_dbu} }}
late = {{ kind = "delay", mix = 1, feedback = 0, tone_hz = 0, time_ms = 1.5 }}
[amps.clean]
gain_db = 8
loop_level_dbu = {loop_dbu}
loop_mix = {mix}
[output]
amps = ["clean"]
[orders.series]
front = ["push", "room"]
[orders.split]
front = ["push"]
loop = ["room"]
[orders.late]
front = ["push"]
loop = ["late"]
[passages.verse]
on = ["room"]
[passages.solo]
on = ["push", "room"]
[passages.comb]
on = ["late"]
[passages.plain]
on = []
"""


@pytest.fixture
def board_of(tmp_path: Path):
    rate = 48_000
    n = np.arange(2 * rate)
    plucks = np.exp(-3.0 * (n % (rate // 2)) / rate) * np.sin(2 * np.pi * 196 * n / rate)
    write_float_wav(tmp_path / "clip.wav", Signal(0.1 * plucks, rate))

    def read(**changes: float) -> Board:
        usual = {"hum_dbu": -85, "push_db": 9, "max_dbu": 9, "loop_dbu": -8, "mix": 1}
        (tmp_path / "board.toml").write_text(BOARD.format(**usual | changes))
        return load_board(tmp_path / "board.toml")

    return read


def by_name(found: Levels, passage: str) -> dict:
    rendering = next(one for one in found.renderings if one.passage == passage)
    return rendering.points


def test_a_clean_boost_lifts_the_hum_by_its_gain(board_of) -> None:
    """Hum is -60 dBu at the jack, beside it hiss of under -100 dBu: 9 dB more behind 9 dB."""
    points = by_name(levels(board_of(hum_dbu=-60), "series", passages=["solo"]), "solo")
    lift_db = ratio_to_db(points["push.out"].floor_volts / points["push.in"].floor_volts)
    at_jack = ratio_to_db(points["source"].floor_volts / DBU_VOLTS)
    print(f"floor {at_jack:.2f} dBu at the jack, {lift_db:+.3f} dB behind a boost of 9 dB")
    assert at_jack == pytest.approx(-60, abs=0.05)
    assert lift_db == pytest.approx(9, abs=0.1)


def test_a_plain_loop_has_no_warning(board_of) -> None:
    found = levels(board_of(), "split", passages=["verse", "solo"])
    assert found.warnings == ()
    assert found.loops == {}
    assert [one.passage for one in found.renderings] == ["verse", "solo"]


def test_a_loop_too_loud_for_its_block_is_warned_of_and_no_other(board_of) -> None:
    board = board_of(max_dbu=-20)
    found = levels(board, "split", passages=["solo"])
    entry = by_name(found, "solo")["room.in"]
    print(found.warnings[0])
    assert len(found.warnings) == 1
    assert "room in the loop meets more than it takes in solo" in found.warnings[0]
    assert f"peaks {-entry.headroom.db:.1f} dB over its ceiling" in found.warnings[0]
    asked = entry.headroom.ceiling_volts * 10 ** (-entry.headroom.db / 20)
    assert asked == pytest.approx(entry.level.peak_volts, rel=0.01)
    assert levels(board, "series", passages=["verse"]).warnings == ()


def test_a_loop_too_quiet_for_its_block_is_warned_of_and_no_other(board_of) -> None:
    """A reverb makes 25 uV at its output (practice.md section 1), the loop sends little more."""
    found = levels(board_of(loop_dbu=-60), "split", passages=["verse"])
    level = by_name(found, "verse")["room.out"].level.rms_volts
    print(found.warnings[0])
    assert len(found.warnings) == 1
    assert "room in the loop meets too little in verse" in found.warnings[0]
    assert f"only {20 * math.log10(level / 25e-6):.0f} dB above the hiss" in found.warnings[0]
    louder = levels(board_of(loop_dbu=-60), "series", passages=["verse"])
    assert louder.warnings == ()


def test_hum_from_the_guitar_is_no_fault_of_the_loop(board_of) -> None:
    found = levels(board_of(hum_dbu=-45), "split", passages=["verse"])
    assert found.warnings == ()
    document = levels_document(found)
    assert any("noise floor is only" in text for text in document["says"])
    assert {"source", "room.out"} <= {one["point"] for one in document["near_floor"]}


def test_a_parallel_loops_comb_is_told(board_of) -> None:
    """|1 - 2 m| at odd multiples of 1 / (2 T): -12 dB at 333 Hz and 1 kHz (closed form)."""
    document = levels_document(levels(board_of(mix=0.375), "late", passages=["comb", "plain"]))
    json.dumps(document, allow_nan=False)
    loop = document["loop"]["comb"]
    assert loop["mix"] == 0.375
    assert loop["dips"][0]["hz"] == pytest.approx(1000 / 3, abs=0.3)
    assert loop["dips"][1]["hz"] == pytest.approx(1000, abs=0.3)
    assert loop["dips"][0]["db"] == pytest.approx(20 * math.log10(0.25), abs=0.02)
    assert document["loop"]["plain"]["dips"] == []
    [said] = [text for text in document["says"] if " cancels " in text]
    print(said)
    assert said.startswith(
        "The loop beside the direct sound cancels in comb: -12 dB at 333 Hz, 1 kHz"
    )


def test_the_document_lists_what_the_figures_say(board_of) -> None:
    document = levels_document(
        levels(board_of(push_db=30, max_dbu=-6), "split", passages=["verse", "solo"])
    )
    json.dumps(document, allow_nan=False)
    names = {"rms_dbu", "peak_volts", "rail_volts", "headroom_db", "floor_dbu", "rms_volts",
             "rail_dbu", "floor_volts"}  # fmt: skip
    clips, near = set(), set()
    for name, passages in document["points"].items():
        for passage, point in passages.items():
            assert names <= set(point)
            left_db = point["headroom_db"]
            if left_db is not None and left_db < 3:
                (clips if left_db < 0 else near).add((name, passage))
    assert {(one["point"], one["passage"]) for one in document["clips"]} == clips
    assert {(one["point"], one["passage"]) for one in document["little_headroom"]} == near
    assert ("room.in", "solo") in clips
    amplifiers = ("amp.in", "amp.send", "amp.return", "speaker", "out")
    assert all(document["points"][name]["solo"]["headroom_db"] is None for name in amplifiers)
    assert any("An amplifier" in text or "an amplifier" in text for text in document["says"])
    assert document["passages"]["verse"]["on"] == ["room"]


@pytest.mark.parametrize("width", [80, 100, 200])
def test_the_table_fits_its_terminal(board_of, width: int) -> None:
    document = levels_document(
        levels(board_of(push_db=30, max_dbu=-6), "split", passages=["verse", "solo"])
    )
    console = Console(width=width, record=True, file=io.StringIO())
    console.print(levels_table(document, width))
    lines = console.export_text().splitlines()
    print("\n".join(lines[:10]))
    assert max(map(len, lines)) <= width
    for word in ("rail", "floor", "dBu", "mV", "dB left", "clips", "room.out", "split"):
        assert any(word in line for line in lines)
    assert not any("…" in line for line in lines)
    side_by_side = any("verse" in line and "solo" in line for line in lines)
    assert side_by_side == (width == 200)
    assert any("clips in solo" in line.plain for line in levels_lines(document))


def test_names_that_the_board_does_not_have(board_of) -> None:
    board = board_of()
    for asked in ({"order": "splitt"}, {"order": "split", "passages": ["vers"]}):
        with pytest.raises(RequestError, match="did you mean"):
            simchain.levels(board, **asked)
    with pytest.raises(RequestError, match="no amplifier 'hot'"):
        simchain.levels(board, "split", amp="hot")
