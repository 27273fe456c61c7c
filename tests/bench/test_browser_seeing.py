"""What the page shows over time: events, what is turned down, repeats; figures for engineers."""

from typing import Any

import pytest

pytestmark = pytest.mark.browser

RATE = 48_000
BOARD = """
title = "Gannet"
tail_s = 0.4
source = { kind = "guitar", clip = "clip.wav" }
[blocks]
press = { kind = "compressor" }
grit = { kind = "drive", gain_db = 20 }
echo = { kind = "delay", time_ms = 300, feedback = 0.4, mix = 0.4 }
[orders.now]
front = ["press", "grit", "echo"]
[orders.then]
front = ["grit", "press", "echo"]
[passages.solo]
on = ["press", "grit", "echo"]
events = [
  { at = 1.2, block = "grit", do = "off" },
  { at = 1.3, block = "echo", set = { mix = 0.2 }, over_ms = 200 },
  { at = 1.35, block = "echo", do = "off" },
]
[passages.plain]
on = ["grit"]
"""
TRACED = """
  !document.querySelector('#turned.waiting') && document.querySelector('#moments li') !== null
"""
JUDGED = "document.getElementById('does-more').textContent.startsWith('verdict')"


@pytest.fixture
def board_text() -> str:
    """A board with events."""
    return BOARD


def traces(sheet: Any, order: str = "now", passage: str = "solo") -> dict[str, Any]:
    told: dict[str, Any] = sheet.client.get(f"/traces?order={order}&passage={passage}").json()
    return told


def texts(sheet: Any, selector: str) -> list[str]:
    found: list[str] = sheet.page.locator(selector).all_text_contents()
    return found


def test_what_happens_is_marked_listed_and_gone_to(opened: Any) -> None:
    sheet = opened()
    sheet.until(TRACED)
    told = traces(sheet)
    assert [event["at"] for event in told["events"]] == [1.2, 1.3, 1.35]
    assert texts(sheet, "#marks .event") == [event["text"] for event in told["events"]]
    lefts = sheet.page.locator("#marks .event").evaluate_all(
        "marks => marks.map((mark) => mark.offsetLeft / mark.parentElement.clientWidth)"
    )
    assert lefts == pytest.approx([at / 2.4 for at in (1.2, 1.3, 1.35)], abs=0.002)
    moments = told["moments"]
    assert texts(sheet, "#moments li span") == [moment["text"] for moment in moments]
    late = next(place for place, moment in enumerate(moments) if moment["at"] == 1.35)
    sheet.page.locator("#moments button").nth(late - 1).focus()
    sheet.page.keyboard.press("Tab")
    assert texts(sheet, "#marks .pointed") == ["echo off"]
    sheet.page.keyboard.press("Enter")
    assert sheet.state("playhead") == pytest.approx(0.55)
    sheet.page.locator("#play").focus()
    assert texts(sheet, "#marks .pointed") == []


def test_what_is_turned_down_lies_under_the_waves(opened: Any) -> None:
    sheet = opened()
    sheet.until(TRACED)
    told = traces(sheet)
    (press,) = told["turned_down"]
    assert sheet.page.inner_text("#turned-says") == told["says"]
    depth = press["depth_db"]
    assert texts(sheet, "#turned .taken-db") == [
        f"−{depth} dB",
        f"−{depth / 2:g} dB",
    ]
    wave, lane = (
        sheet.page.locator(f"#{name} svg").first.bounding_box() for name in ("waves", "turned")
    )
    assert (lane["x"], lane["width"]) == pytest.approx((wave["x"], wave["width"]), abs=1.0)
    drawn = sheet.page.locator("#turned .taken").get_attribute("d")
    on = [place for place, column in enumerate(press["columns"]) if column is not None]
    assert [int(part.split()[0]) for part in drawn.split("M")[1:]] == on
    sheet.page.locator("input[name=passage]").nth(1).check()
    sheet.until("document.querySelectorAll('#moments li').length === 1")
    assert traces(sheet, passage="plain")["turned_down"] == []
    assert sheet.page.locator("#turned > *").count() == 0
    assert sheet.page.inner_text("#turned-says") == ""
    assert sheet.page.is_hidden("#repeats")


def tone_said(figures: dict[str, str]) -> str:
    """What the judgement has as the largest change of tone, in the chart's words."""
    size, _, where = figures["most in a third of an octave"].partition(" dB at ")
    more = "less" if size.startswith("−") else "more"
    return f"most change {float(size.lstrip('−')):.1f} dB {more} at {where}."


def test_repeats_and_figures_follow_the_heard_order(opened: Any) -> None:
    """The chart of tone leaves out what is too quiet to matter, as the judgement does."""
    sheet = opened(judged=True)
    sheet.until(TRACED)
    assert sheet.page.is_hidden("#does-more"), "figures are shown when they are asked for"
    asked = [address for address in sheet.asked if "/traces?" in address or "/heard?" in address]
    assert "/heard?" in asked[0], "the sound comes first"
    for order, key in (("now", "1"), ("then", "2")):
        sheet.page.locator("#lanes").focus()
        sheet.page.keyboard.press(key)
        told = traces(sheet, order)
        sheet.until(f"document.getElementById('turned-says').textContent === '{told['says']}'")
        sheet.until(TRACED)
        assert texts(sheet, "#repeat-list li") == [
            repeat["text"] for repeat in told["repeats"]["repeats"]
        ]
        assert len(told["repeats"]["repeats"]) >= 2
    sheet.page.locator(".engineers summary").click()
    sheet.until(JUDGED)
    names = texts(sheet, "#does-more dt")
    figures = dict(zip(names, texts(sheet, "#does-more dd"), strict=True))
    assert sheet.page.inner_text("#tone-says") == f"B against A: {tone_said(figures)}"
    for name in ("verdict", "score", "trim", "null depth", "dirt", "true peak"):
        assert name in names
    assert names[-2:] == ["hum and hiss at out", "loudness of hum and hiss"]
