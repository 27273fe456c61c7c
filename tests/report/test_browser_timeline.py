"""The timeline in a browser, from a real song: marks, lines, playhead and sound on one axis."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from simchain.board import load_board
from simchain.decide.compare import compare
from simchain.report.results import write_comparison
from simchain.signal import Signal, write_float_wav
from tests.report.test_player import LEAD, OFFLINE, RATE, record

pytestmark = pytest.mark.browser

CLIP_S = 1.6
# What is switched, at seconds of the song, and what becomes of the tone's level.
SWITCHED = {"push on": 0.8, "push off": 2.4, "more.gain_db to 9 dB over 0.2 s": 2.8}
BOARD = """
tail_s = 0.4
links = "ideal"
source = { kind = "line", clip = "clip.wav" }
[blocks]
push = { kind = "boost", gain_db = 12 }
more = { kind = "boost", gain_db = 0 }
again = { kind = "looper", loop_db = -50 }
spare = { kind = "boost" }
[orders.one]
front = ["push", "more", "again"]
[orders.two]
front = ["more", "push", "again"]
[passages.verse]
on = ["more"]
events = [
  { at = 0.2, block = "again", do = "record" },
  { at = 0.8, block = "push", do = "on" },
  { at = 1.0, block = "again", do = "play" },
]
[passages.solo]
on = ["push", "more"]
above = { passage = "verse", lu = 3.0 }
events = [
  { at = 0.8, block = "push", do = "off" },
  { at = 1.2, block = "more", set = { gain_db = 9 }, over_ms = 200 },
]
[songs.set]
passages = ["verse", "solo"]
"""

PLACES = """
() => {
  const stage = document.querySelector('.stage').getBoundingClientRect();
  const part = (x) => (x - stage.left) / stage.width;
  const box = (one) => one.getBoundingClientRect();
  return {
    events: [...document.querySelectorAll('.event')].map((one) => part(box(one).left)),
    parts: [...document.querySelectorAll('.part-name')].map((one) => part(box(one).left)),
    rules: [...document.querySelectorAll('.part-rule')].map((one) => part(box(one).left)),
    bars: [...document.querySelectorAll('.during')].map((row) => [
      row.querySelector('.during-name').textContent,
      [...row.querySelectorAll('.lasting')]
        .map((bar) => [part(box(bar).left), part(box(bar).right)]),
    ]),
    playhead: part(box(document.getElementById('playhead')).left + 1),
    time: window.simchain.playhead,
    width: stage.width,
  };
}
"""


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Two orders over a verse and a song of two passages; the clip is a steady tone."""
    folder: Path = tmp_path_factory.mktemp("song")
    time = np.arange(round(CLIP_S * RATE)) / RATE
    tone = 0.05 * np.sin(2 * np.pi * 1000.0 * time)
    write_float_wav(folder / "clip.wav", Signal(tone[np.newaxis], RATE))
    (folder / "board.toml").write_text(BOARD)
    board = load_board(folder / "board.toml")
    comparison = compare(board, ["one", "two"], passages=["verse"], songs=["set"])
    return write_comparison(comparison, folder / "out")[1]


def choose_song(sheet: Any) -> None:
    sheet.page.get_by_role("radio", name="Set (song)").check()
    assert sheet.state("passage") == "set (song)"


@pytest.mark.parametrize("width", [380, 1280])
def test_marks_and_lines_lie_where_things_happen(opened, song, width):
    sheet = opened(song, viewport={"width": width, "height": 800})
    choose_song(sheet)
    places = sheet.page.evaluate(PLACES)
    seconds, pixel = 2 * CLIP_S + 0.4, 1.5 / places["width"]
    events = [0.2, 0.8, 1.0, 2.4, 2.8]
    assert [at * seconds for at in places["events"]] == pytest.approx(events, abs=pixel * seconds)
    assert [at * seconds for at in places["parts"]] == pytest.approx([0, 1.6], abs=pixel * seconds)
    assert [at * seconds for at in places["rules"]] == pytest.approx([1.6], abs=pixel * seconds)
    bars = dict(places["bars"])
    assert np.array(bars["push"]) * seconds == pytest.approx(
        np.array([[0.8, 2.4]]), abs=pixel * seconds
    )
    assert np.array(bars["again loop"]) * seconds == pytest.approx(
        np.array([[0.2, 1.0], [1.0, 3.6]]), abs=pixel * seconds
    )
    assert list(bars) == ["push", "more", "more gain_db", "again loop"]
    assert sheet.page.evaluate("document.documentElement.scrollWidth") == width


def test_playing_a_song_moves_the_playhead_and_the_words(opened, song):
    sheet = opened(song)
    choose_song(sheet)
    words = sheet.page.locator("#words-0 .block:not(.off)")
    assert words.all_inner_texts() == ["more"]
    sheet.play()
    for at, on in ((1.0, ["push", "more", "again"]), (2.5, ["more", "again"])):
        sheet.until(f"window.simchain.playhead > {at}")
        places = sheet.page.evaluate(PLACES)
        assert places["time"] < at + 0.6
        shown = places["playhead"] * (2 * CLIP_S + 0.4)
        print(f"playhead shown at {shown:.3f} s, the sound is at {places['time']:.3f} s")
        assert shown == pytest.approx(places["time"], abs=0.15)
        assert words.all_inner_texts() == on
    sheet.page.click("#play")
    assert "seconds, solo" in sheet.page.get_attribute("#lanes", "aria-valuetext")


def test_the_sound_changes_where_the_marks_are(opened, song):
    """What would reach the loudspeaker, in steps of a millisecond, against the marks' pixels."""
    sheet = opened(song, OFFLINE)
    choose_song(sheet)
    places = sheet.page.evaluate(PLACES)
    heard = record(sheet)[LEAD:]
    seconds = 2 * CLIP_S + 0.4
    tone = heard[: round(3.1 * RATE)].reshape(-1, RATE // 1000)[20:]
    level_db = 10.0 * np.log10(np.mean(tone**2, axis=1))
    changed = np.flatnonzero(np.abs(np.diff(level_db)) > 0.02) / 1000.0 + 0.021
    groups = np.split(changed, np.flatnonzero(np.diff(changed) > 0.05) + 1)
    begins = [float(group[0]) for group in groups]
    marks = [places["events"][place] * seconds for place in (1, 3, 4)]
    print(f"heard to change at {begins} s, marks at {[round(at, 3) for at in marks]} s")
    assert begins == pytest.approx(marks, abs=0.003 + 1.5 * seconds / places["width"])
    assert list(SWITCHED.values()) == pytest.approx(marks, abs=1.5 * seconds / places["width"])


def test_what_happens_stands_in_words_and_goes_there(opened, song):
    sheet = opened(song)
    choose_song(sheet)
    lines = sheet.page.locator("#moments li").all_inner_texts()
    told = [line.split("\n")[-1] for line in lines]
    assert told[:4] == ["verse begins: more on", "again record", "push on", "again play"]
    assert told[4].startswith("solo begins. ")
    assert told[4].endswith(" LU in each order; +3.0 is wanted")
    assert told[5:] == ["push off", "more.gain_db to 9 dB over 0.2 s"]
    sheet.page.get_by_role("button", name="Go to 2.4 seconds: push off").press("Enter")
    assert sheet.state("playhead") == pytest.approx(2.4)
    assert sheet.page.locator("#words-0 .block:not(.off)").all_inner_texts() == ["more", "again"]


def test_each_lane_tells_its_step_and_the_passage_what_is_wanted(opened, song):
    sheet = opened(song)
    choose_song(sheet)
    heard = [s for s in song["sounds"] if s["passage"] == "set (song)"]
    steps = sheet.page.locator(".lane .step").all_inner_texts()
    assert steps == [f"{s['steps'][1]['change_lu']:+.1f} LU".replace("-", "−") for s in heard]
    assert sheet.page.locator(".part-name").all_inner_texts() == ["verse", "solo +3.0 LU is wanted"]
    sheet.page.get_by_role("radio", name="Verse").check()
    assert sheet.page.locator(".part-name, .step").count() == 0
    assert sheet.page.inner_text("#loop-all") == "whole passage"


def test_a_block_that_the_order_lacks_is_said_to(opened, song):
    verse = song["passages"][1]
    rows = verse["timeline"]["rows"]
    lacking = [{**row, "block": "spare"} if row["block"] == "push" else row for row in rows]
    changed = {**verse, "timeline": {**verse["timeline"], "rows": lacking}}
    sheet = opened({**song, "passages": [song["passages"][0], changed]})
    choose_song(sheet)
    names = sheet.page.locator(".absent .during-name").all_inner_texts()
    assert names == ["push (not in this order)"]


def test_labels_of_events_never_run_into_each_other(opened, song):
    verse = song["passages"][1]
    events = [{"at": 2.0 + 0.1 * n, "text": f"again overdub {n}"} for n in range(12)]
    crowded = {**verse, "timeline": {**verse["timeline"], "events": events}}
    sheet = opened(
        {**song, "passages": [song["passages"][0], crowded]}, viewport={"width": 380, "height": 800}
    )
    choose_song(sheet)
    boxes = [
        box for label in sheet.page.locator(".event-text").all() if (box := label.bounding_box())
    ]
    print(f"{len(boxes)} of {len(events)} events have room for their words at 380 px")
    assert len(boxes) >= 4
    for place, one in enumerate(boxes):
        assert one["x"] >= 0
        assert one["x"] + one["width"] <= 380
        for other in boxes[place + 1 :]:
            apart = one["x"] + one["width"] <= other["x"] or other["x"] + other["width"] <= one["x"]
            assert apart or abs(one["y"] - other["y"]) >= 15
    assert sheet.page.locator("#moments li").count() == 2 + 12
