"""Passages that have no loudness: too short for it, or silent. Said, and judged all the same."""

import math

import numpy as np
import pytest

from simchain.decide.causes import CAUSES
from simchain.decide.compare import compare
from simchain.decide.swaps import swaps
from tests.decide.conftest import RATE, MakeBoard

BOARD = """
[blocks]
push = { kind = "boost", gain_db = 6, low_cut_hz = 0, high_cut_hz = 0, supply_volts = 60 }
soft = { kind = "drive", gain_db = 20 }
[orders.a]
front = ["push", "soft"]
[orders.b]
front = ["soft", "push"]
[passages.p]
on = ["push", "soft"]
"""
SAID = "'p' is too short or too quiet to have a loudness (ITU-R BS.1770 takes 400 ms, above -70 LU"


def tone(seconds: float, peak: float) -> np.ndarray:
    return peak * np.sin(2 * np.pi * 220 * np.arange(round(seconds * RATE)) / RATE)[None]


@pytest.mark.parametrize(("seconds", "peak"), [(0.3, 0.05), (2.0, 1e-6)], ids=["short", "soft"])
def test_rms_stands_in_and_it_is_said(make_board: MakeBoard, seconds: float, peak: float) -> None:
    board = make_board(BOARD, tone(seconds, peak))
    found = compare(board, ["a", "b"])
    assert any(text.startswith(SAID) for text in found.warnings)
    assert all(one.rendering.output.loudness_is_rms for one in found.heard)
    (pair,) = found.pairs
    assert pair.score is not None
    assert math.isfinite(pair.score.score)
    rms = [np.sqrt(np.mean(one.rendering.output.samples**2)) for one in found.heard]
    assert pair.trim_lu == pytest.approx(20 * np.log10(rms[1] / rms[0]), abs=0.5)
    assert any(text.startswith(SAID) for text in swaps(board, "a").warnings)


def test_silence_is_said_and_has_no_causes(make_board: MakeBoard) -> None:
    found = compare(make_board(BOARD, np.zeros((1, RATE))), ["a", "b"])
    assert {"'p' is silent in order 'a'", "'p' is silent in order 'b'"} <= set(found.warnings)
    (pair,) = found.pairs
    assert pair.score is not None
    assert pair.score.verdict == "same"
    assert pair.trim_lu == 0.0
    assert pair.causes is not None
    assert set(pair.causes) == set(CAUSES)
    assert {cause.difference for cause in pair.causes.values()} <= {None, 0.0}


def test_sound_against_silence_is_clear(make_board: MakeBoard) -> None:
    text = (
        BOARD.replace('front = ["soft", "push"]', 'front = ["soft", "push", "off"]')
        .replace("[orders.a]", 'off = { kind = "volume", position = 0 }\n[orders.a]')
        .replace('on = ["push", "soft"]', 'on = ["push", "soft", "off"]')
    )
    found = compare(make_board(text, tone(1.0, 0.05)), ["a", "b"])
    (pair,) = found.pairs
    assert pair.score is not None
    assert pair.score.verdict == "clear"
    assert math.isinf(pair.score.score)
    assert any("silent in order 'b'" in text for text in found.warnings)
