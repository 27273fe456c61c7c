"""What is told over time: reductions, events and repeats, against renders and closed forms."""

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from simchain.bench.sounds import Sounds
from simchain.board import Board, load_board
from simchain.chain.render import render
from simchain.signal import Signal, write_float_wav
from simchain.units import dbu_to_peak_volts

RATE = 48_000
HEAD = 'links = "ideal"\ntail_s = 0.2\n[source]\nkind = "line"\nclip = "clip.wav"\n'
Laid = Callable[..., Board]


@pytest.fixture
def laid(tmp_path: Path) -> Laid:
    """Make a board whose guitar plays what it is given, in volts."""

    def lay(volts: np.ndarray, text: str) -> Board:
        peak = float(np.abs(volts).max())
        write_float_wav(tmp_path / "clip.wav", Signal(0.5 * volts[np.newaxis] / peak, RATE))
        head = f"{HEAD}loudest_peak_volts = {peak}\n"
        (tmp_path / "board.toml").write_text(head + text)
        return load_board(tmp_path / "board.toml")

    return lay


def sine(level_dbu: float, seconds: float = 2.0, hz: float = 997.0) -> np.ndarray:
    turns = 2.0 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE
    return np.asarray(dbu_to_peak_volts(level_dbu) * np.sin(turns))


def notes(seconds: float = 2.0) -> np.ndarray:
    """Two plucked notes."""
    t = np.arange(round(seconds * RATE)) / RATE
    return np.asarray(0.4 * np.exp(-4.0 * (t % 1.0)) * np.sin(2.0 * np.pi * 196.0 * t))


def told(board: Board, order: str = "now", sounds: Sounds | None = None) -> dict[str, Any]:
    found = (sounds or Sounds()).traces(board, order, "p", None)
    json.dumps(found, allow_nan=False)
    return found


PRESS = """
[blocks.press]
kind = "compressor"
threshold_dbu = -26
ratio = 4
attack_ms = 10
release_ms = 150
makeup_db = 6
[blocks.grit]
kind = "drive"
gain_db = 14
[orders.now]
front = ["press", "grit"]
[orders.then]
front = ["grit", "press"]
[passages.p]
on = ["press", "grit"]
"""


def test_a_steady_tone_is_turned_down_as_the_static_curve_has_it(laid: Laid) -> None:
    """20 dB over the threshold, well past the knee, by 20 (1 - 1/4) dB (Giannoulis et al. 2012)."""
    found = told(laid(sine(-6.0), PRESS))
    (press,) = found["turned_down"]
    assert (press["block"], press["kind"], press["depth_db"]) == ("press", "compressor", 24)
    assert press["median_db"] == pytest.approx(15.0, abs=0.05)
    low, high = press["columns"][300]
    assert low <= 15.0 <= high + 0.05
    assert found["says"] == (
        f"Press takes up to {press['most_db']:.1f} dB, 15.0 dB in the median while notes are "
        "played."
    )


@pytest.mark.parametrize("order", ["now", "then"])
def test_it_is_what_the_sounds_before_and_behind_differ_by(laid: Laid, order: str) -> None:
    """Frame by frame a compressor is a gain: make-up less what it takes, and none while off."""
    board = laid(notes(), PRESS + 'events = [{ at = 1.5, block = "press", do = "off" }]\n')
    sounds = Sounds()
    sounds.heard(board, order, "p", None)
    ran = sounds._kept.steps_run
    (press,) = told(board, order, sounds)["turned_down"]
    assert sounds._kept.steps_run == ran, "nothing is run again for it"
    points = render(board, order, "p").points
    before, behind = (points[name].volts for name in ("press.in", "press.out"))
    assert before is not None
    assert behind is not None
    loud = np.abs(before[0]) > 1e-5
    taken = np.full(loud.size, np.nan)
    taken[loud] = 6.0 - 20.0 * np.log10(np.abs(behind[0, loud]) / np.abs(before[0, loud]))
    edges = np.linspace(0, taken.size, 601).astype(int)
    off = round(1.5 * RATE)
    checked = 0
    for column, start, end in zip(press["columns"], edges[:-1], edges[1:], strict=True):
        if start > off + 0.01 * RATE:
            assert column is None
        elif end < off and np.isfinite(taken[start:end]).any():
            low, high = np.nanmin(taken[start:end]), np.nanmax(taken[start:end])
            assert column == pytest.approx([low, high], abs=0.05)
            checked += 1
    assert checked > 300
    assert press["most_db"] == pytest.approx(np.nanmax(taken[:off]), abs=0.01)
    assert taken[round(press["at_s"] * RATE)] == pytest.approx(press["most_db"], abs=0.01)


def test_a_gate_is_open_on_notes_and_shut_behind_them(laid: Laid) -> None:
    """A tone half a second long: open in it, 60 dB in the rest once it has closed."""
    tone = np.concatenate((sine(-20.0, 0.5), np.zeros(RATE)))
    text = """
    [blocks.gate]
    kind = "gate"
    range_db = 60
    [orders.now]
    front = ["gate"]
    [passages.p]
    on = ["gate"]
    """
    (gate,) = told(laid(tone, text))["turned_down"]
    columns = gate["columns"]
    of_second = len(columns) / 1.7
    assert columns[round(0.25 * of_second)] == pytest.approx([0.0, 0.0], abs=0.05)
    assert columns[round(1.4 * of_second)] == pytest.approx([60.0, 60.0], abs=0.1)
    # Held for 50 ms, then within 2 dB of closed in 150: half of it is 150 ln 2 / ln 30 ms on.
    half_s = 1.7 - 0.5 - 0.05 - 0.15 * math.log(2.0) / math.log(30.0)
    assert gate["says"].startswith("Gate takes up to 60.0 dB, half of that or more for ")
    assert float(gate["says"].split()[-4]) == pytest.approx(half_s, abs=0.06)


def test_events_and_moments_by_time(laid: Laid) -> None:
    events = """
    events = [
      { at = 1.25, block = "grit", do = "off" },
      { at = 0.5, block = "grit", set = { level_db = 3 }, over_ms = 200 },
    ]
    """
    found = told(laid(notes(), PRESS + events))
    assert found["events"] == [
        {"at": 0.5, "text": "grit.level_db to 3 dB over 0.2 s"},
        {"at": 1.25, "text": "grit off"},
    ]
    assert found["moments"][0] == {"at": 0.0, "text": "press and grit on at the beginning"}
    times = [moment["at"] for moment in found["moments"]]
    assert times == sorted(times)
    assert len(times) == 4
    (press,) = found["turned_down"]
    assert {"at": press["at_s"], "text": f"press takes most, {press['most_db']:.1f} dB"} in found[
        "moments"
    ]
    assert found["repeats"] is None


ECHO = """
[blocks.echo]
kind = "delay"
voice = "clean"
time_ms = 380
feedback = 0.5
mix = 0.4
tone_hz = 0
[orders.now]
front = ["echo"]
[passages.p]
on = ["echo"]
"""


def test_repeats_come_when_and_as_loud_as_the_closed_form_has_them(laid: Laid) -> None:
    """Dry is cos(pi m / 2), the first repeat sin(pi m / 2), each that follows half of the last."""
    repeats = told(laid(notes(), ECHO))["repeats"]
    assert repeats["blocks"] == ["echo"]
    first_db = 20.0 * math.log10(math.tan(0.2 * math.pi))
    # Of what is held behind the note only the 2 s are long enough for five.
    assert len(repeats["repeats"]) == 5
    for number, repeat in enumerate(repeats["repeats"]):
        assert repeat["after_s"] == pytest.approx(0.38 * (number + 1), abs=0.001)
        assert repeat["db"] == pytest.approx(first_db + number * 20.0 * math.log10(0.5), abs=0.1)
    assert repeats["repeats"][0]["text"] == "380 ms after the note, 2.8 dB softer"
    assert "5 repeats stand out, made by echo" in repeats["says"]


def test_a_delay_that_is_off_at_the_beginning_repeats_nothing(laid: Laid) -> None:
    assert told(laid(notes(), ECHO.replace('on = ["echo"]', "on = []")))["repeats"] is None


def test_figures_for_engineers(laid: Laid) -> None:
    sounds, board = Sounds(), laid(notes(), PRESS)
    facts = sounds.heard(board, "now", "p", None).facts
    figures = dict(facts["engineers"])
    loud, minus = facts["integrated_lufs"], "\N{MINUS SIGN}"
    assert figures["loudness, integrated"] == f"{loud:.2f} LUFS".replace("-", minus)
    assert "hum and hiss at out" in dict(told(board, "now", sounds)["engineers"])
    pair = sounds.against(board, "now", "then", "p", None)
    figures = dict(pair["engineers"])
    assert figures["verdict"].startswith(pair["verdict"])
    assert figures["null depth"] == f"{pair['null_db']:.2f} dB".replace("-", minus)
    assert figures["dirt"].endswith(pair["causes"]["dirt"]["text"])
