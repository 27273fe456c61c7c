"""What happens when, as the page is told: against hand-worked times and against the sound."""

from pathlib import Path

import numpy as np
import pytest

import simchain
from simchain.board import Board, load_board
from simchain.chain.timeline import timeline_of_passage
from simchain.report.songs import clock, moments, step_words
from simchain.report.timeline import timeline_facts
from simchain.signal import Signal, write_float_wav

RATE = 48_000
BOARD = """
tail_s = 1.0
links = "ideal"
source = { kind = "line", clip = "clip.wav" }
[blocks]
push = { kind = "boost", gain_db = 6 }
cut = { kind = "boost", gain_db = -9 }
sweep = { kind = "wah" }
again = { kind = "looper", max_s = 2.0 }
echo = { kind = "delay", time_ms = 300, mix = 0 }
[orders.one]
front = ["push", "cut", "sweep", "again", "echo"]
[passages.verse]
on = ["cut"]
events = [
  { at = 1.0, block = "push", do = "on" },
  { at = 0.5, block = "again", do = "record" },
  { at = 1.5, block = "again", do = "overdub" },
  { at = 2.0, block = "again", do = "play" },
  { at = 2.5, block = "again", do = "stop" },
  { at = 9.0, block = "push", do = "off" },
]
[passages.solo]
on = ["push"]
above = { passage = "verse", lu = 9.0 }
set = { cut = { gain_db = -9.5 }, echo = { time_ms = 400, mix = 0.0 } }
events = [
  { at = 0.0, block = "again", do = "play" },
  { at = 1.0, block = "push", set = { gain_db = 12 }, over_ms = 500 },
  { at = 1.0, block = "sweep", set = { position = 1.0 } },
  { at = 2.0, block = "push", do = "off" },
]
[songs.set]
passages = ["verse", "solo"]
"""


@pytest.fixture
def board(tmp_path: Path) -> Board:
    """A clip of three seconds: a tone that goes on."""
    tone = 0.05 * np.sin(2 * np.pi * 1000.0 * np.arange(3 * RATE) / RATE)
    write_float_wav(tmp_path / "clip.wav", Signal(tone[np.newaxis], RATE))
    (tmp_path / "board.toml").write_text(BOARD)
    return load_board(tmp_path / "board.toml")


def rows_of(facts: dict) -> dict[str, list[dict]]:
    return {row["label"]: row for row in facts["rows"]}


def spans(row: dict) -> list[tuple[float, float, str]]:
    return [(round(s["from"], 4), round(s["to"], 4), s["text"]) for s in row["stretches"]]


def test_a_passage_by_hand(board: Board) -> None:
    facts = timeline_facts(timeline_of_passage(board, "verse"), 4.0, is_song=False)
    rows = rows_of(facts)
    assert facts["begins"] == "cut on"
    assert facts["parts"] == []
    assert list(rows) == ["push", "cut", "again loop"]
    assert spans(rows["push"]) == [(1.0, 4.0, "")]
    assert spans(rows["cut"]) == [(0.0, 4.0, "")]
    assert spans(rows["again loop"]) == [
        (0.5, 1.5, "record"),
        (1.5, 2.0, "overdub"),
        (2.0, 2.5, "play"),
    ]
    assert [(event["at"], event["text"]) for event in facts["events"]] == [
        (0.5, "again record"),
        (1.0, "push on"),
        (1.5, "again overdub"),
        (2.0, "again play"),
        (2.5, "again stop"),
    ]


def test_a_take_ends_by_itself_where_the_buffer_does(board: Board) -> None:
    verse = board.passages["verse"]
    kept = tuple(event for event in verse.events if event.do == "record")
    passages = {"verse": verse.model_copy(update={"events": kept})}
    short = board.model_copy(update={"passages": passages, "songs": {}})
    facts = timeline_facts(timeline_of_passage(short, "verse"), 4.0, is_song=False)
    assert spans(rows_of(facts)["again loop"]) == [(0.5, 2.5, "record")]


def test_a_song_by_hand(board: Board) -> None:
    song = simchain.render(board, "one", song="set", points=False)
    facts = timeline_facts(song.path.timeline, 7.0, is_song=True)
    rows = rows_of(facts)
    assert [(part["passage"], part["at"], part["to"]) for part in facts["parts"]] == [
        ("verse", 0.0, 3.0),
        ("solo", 3.0, 7.0),
    ]
    assert facts["parts"][1]["text"] == (
        "solo begins: cut off; cut.gain_db to -9.5 dB and echo.time_ms to 400 ms"
    )
    assert spans(rows["push"]) == [(1.0, 5.0, "")]
    assert spans(rows["cut"]) == [(0.0, 2.995, "")]
    assert spans(rows["again loop"])[-1] == (3.0, 7.0, "play")
    gain = rows["push gain_db"]
    assert [(round(at, 3), round(height, 3)) for at, height in gain["line"]] == [
        (0.0, 0.0), (4.0, 0.0), (4.5, 1.0), (7.0, 1.0),
    ]  # fmt: skip
    assert [(value["at"], value["text"]) for value in gain["values"]] == [
        (0.0, "6 dB"), (4.5, "12 dB"),
    ]  # fmt: skip
    texts = [event["text"] for event in facts["events"]]
    assert texts[5:] == [
        "again play",
        "push.gain_db to 12 dB over 0.5 s",
        "sweep.position to 1",
        "push off",
    ]
    assert "sweep position" in rows


def test_the_lines_lie_where_the_sound_changes(board: Board) -> None:
    """The tone's level, found sample by sample without a timeline, steps at the ends of bars."""
    quiet = board.model_copy(update={"passages": {
        name: passage.model_copy(update={"events": tuple(
            event for event in passage.events if event.block == "push"
        )})
        for name, passage in board.passages.items()
    }})  # fmt: skip
    song = simchain.render(quiet, "one", song="set", points=False)
    facts = timeline_facts(song.path.timeline, 7.0, is_song=True)
    rows = rows_of(facts)
    period = RATE // 1000
    tone = song.output.samples[0, : 6 * RATE].reshape(-1, period)
    level_db = 10.0 * np.log10(np.mean(tone**2, axis=1))
    level_db -= level_db[0]
    changes = np.flatnonzero(np.abs(np.diff(level_db)) > 0.001) / 1000.0 + 0.001
    groups = np.split(changes, np.flatnonzero(np.diff(changes) > 0.05) + 1)
    found = [float(group[0]) for group in groups]
    edges = [
        rows["push"]["stretches"][0]["from"],
        rows["cut"]["stretches"][0]["to"],
        rows["push gain_db"]["line"][1][0],
        rows["push"]["stretches"][0]["to"],
    ]
    print("level changes at", found, "s; lines change at", edges)
    assert found == pytest.approx(edges, abs=0.0015)


STEPS = [
    {"passage": "verse", "change_lu": None, "wanted_lu": None},
    {"passage": "solo", "change_lu": 4.2, "wanted_lu": 3.0},
]


def song_data(*changes: float | None) -> dict:
    """A song of two passages in as many orders as there are changes of its second one."""
    parts = [
        {"passage": "verse", "at": 0.0, "to": 3.0, "text": "verse begins: cut on"},
        {"passage": "solo", "at": 3.0, "to": 7.0, "text": "solo begins: push on"},
    ]
    events = [{"at": 2.0, "text": "push on"}, {"at": 3.0, "text": "again play"}]
    names = ["one", "two", "three"][: len(changes)]
    return {
        "orders": [{"name": name} for name in names],
        "passages": [
            {"name": "set (song)", "timeline": {"parts": parts, "events": events}},
            {"name": "verse", "timeline": {"begins": "cut on", "parts": [], "events": events}},
        ],
        "sounds": [
            {
                "order": name,
                "passage": "set (song)",
                "amp": None,
                "steps": [STEPS[0], {**STEPS[1], "change_lu": change}],
            }
            for name, change in zip(names, changes, strict=True)
        ],
    }


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ((4.2,), "+4.2 LU; +3.0 is wanted"),
        ((4.21, 4.19), "+4.2 LU in each order; +3.0 is wanted"),
        ((4.2, -0.5, 3.0), "+4.2 LU in A, -0.5 in B and +3.0 in C; +3.0 is wanted"),
        ((None, 1.0), "+1.0 LU in B; +3.0 is wanted"),
        ((None, None), ""),
    ],
)
def test_steps_in_words(changes: tuple[float | None, ...], words: str) -> None:
    data = song_data(*changes)
    assert step_words(data, "set (song)", None, 1) == words
    assert step_words(data, "set (song)", None, 0) == ""


def test_moments_stand_in_order_of_time() -> None:
    data = song_data(4.2, 4.2)
    assert [(one["at"], one["text"]) for one in moments(data, "set (song)", None)] == [
        (0.0, "verse begins: cut on"),
        (2.0, "push on"),
        (3.0, "solo begins: push on. +4.2 LU in each order; +3.0 is wanted"),
        (3.0, "again play"),
    ]
    assert moments(data, "verse", None)[0] == {"at": 0.0, "text": "cut on"}


@pytest.mark.parametrize(
    ("seconds", "words"), [(0.0, "0:00.0"), (59.97, "1:00.0"), (65.2, "1:05.2"), (600.0, "10:00.0")]
)
def test_times_as_minutes(seconds: float, words: str) -> None:
    assert clock(seconds) == words
