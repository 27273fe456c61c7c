"""Stereo in JSON and in words: figures where the sound was kept, null where it was not."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

import simchain
from simchain.board import Board, load_board
from simchain.measure.stereo import Stereo
from simchain.report.documents import render_document
from simchain.report.stereo import sides_facts, stereo_by_order, stereo_facts, stereo_lines
from simchain.signal import Signal, write_float_wav

RATE = 48_000
LATE = 48
BOARD = """
tail_s = 0.0
links = "ideal"
source = { kind = "line", clip = "clip.wav" }
[blocks]
push = { kind = "boost", gain_db = 0 }
[orders.one]
front = ["push"]
[passages.p]
on = ["push"]
"""


@pytest.fixture
def board(tmp_path: Path) -> Board:
    """A stereo clip whose right side is the left one turned down by half and 1 ms late."""
    noise = 0.05 * np.random.default_rng(4).standard_normal(2 * RATE)
    late = 0.5 * np.concatenate([np.zeros(LATE), noise[:-LATE]])
    write_float_wav(tmp_path / "clip.wav", Signal(np.stack([noise, late]), RATE))
    (tmp_path / "board.toml").write_text(BOARD)
    return load_board(tmp_path / "board.toml")


def test_figures_of_a_fold_where_the_sound_was_kept(board: Board) -> None:
    """Powers 1 and 1/4 without correlation: the side has half of them, the fold loses 3.01 dB."""
    document = render_document(simchain.render(board, "one", "p"), {}, "p.wav")
    (stretch,) = document["stereo"]
    print({key: stretch[key] for key in ("loss_db", "dips", "correlation", "width")})
    assert (stretch["begins"], stretch["ends"], stretch["how"]) == ("source", "push.in", "mean")
    assert (stretch["before"], stretch["from_s"]) == ("source", 0.0)
    assert stretch["width"] == pytest.approx(0.5, abs=0.01)
    assert stretch["correlation"] == pytest.approx(0.0, abs=0.02)
    assert stretch["loss_db"] == pytest.approx(10 * math.log10(0.5), abs=0.1)
    assert stretch["dips"][0]["hz"] == pytest.approx(500.0, rel=0.02)
    assert stretch["text"].startswith("Stereo from the clip ends at push: it takes the mean")
    assert document["output"]["width"] == 0.0
    assert document["output"]["correlation"] == pytest.approx(1.0)
    json.dumps(document, allow_nan=False)


def test_what_was_not_kept_is_null(board: Board) -> None:
    (stretch,) = render_document(simchain.render(board, "one", "p", points=False), {}, "")["stereo"]
    unknown = ("loss_db", "dips", "correlation", "width")
    assert [stretch[key] for key in unknown] == [None] * 4
    assert stretch["text"] == "Stereo from the clip ends at push: it takes the mean of both sides."


def test_a_mono_board_has_no_stretch() -> None:
    assert stereo_facts(()) == []
    assert sides_facts(Stereo(math.nan, math.nan)) == {"correlation": None, "width": None}


def test_what_is_true_of_all_is_said_once() -> None:
    ends, out = {"text": "Stereo from room ends at push."}, {"text": "Stereo reaches out."}
    assert stereo_lines({"verse": [ends], "slow_solo": [ends]}) == [ends["text"]]
    assert stereo_lines({"verse": [], "slow_solo": [ends], "end": [ends, out]}) == [
        "In slow solo and end: Stereo from room ends at push.",
        "In end: Stereo reaches out.",
    ]
    data = {
        "orders": [{"name": "one"}, {"name": "two"}],
        "sounds": [
            {"order": "one", "passage": "verse", "amp": None, "stereo": [ends]},
            {"order": "two", "passage": "verse", "amp": None, "stereo": [ends, out]},
        ],
    }
    assert stereo_by_order(data, "verse", None) == [ends["text"], "B: Stereo reaches out."]
    assert stereo_by_order(data, "solo", None) == []
