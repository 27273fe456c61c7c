"""Passages, amplifiers and songs come, go and are renamed; the file keeps its notes and lines."""

import random
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from simchain.bench.desk import Desk
from simchain.board import read_board
from simchain.errors import SimchainError
from tests.bench.serving import Client

BOARD = """\
# a board to try things on
[source]
clip = "riff"

[amps.clean]  # always there
gain_db = 8

# only on Fridays
[amps.hot]
gain_db = 28

[output]
amps = ["hot"]

[blocks.grit]
kind = "drive"
[blocks.room]
kind = "reverb"   # the hall
[orders.series]
front = ["grit", "room"]

# the quiet part
[passages.verse]
on = ["room"]

# the loud parts
[passages.solo]  # eight bars
on = ["grit", "room"]
above = { passage = "verse", lu = 3.0 }
events = [
  # first the hall
  { at = 1.5, block = "room", do = "off" },   # dry from here
  { at = 3, block = "grit", set = { gain_db = 12.0 }, over_ms = 250 },
  # and at the end
  { at = 6.0, block = "grit", do = "off" },
]

[songs.whole]  # as we play it
passages = ["verse", "solo", "verse"]
[songs.half]
passages = ["solo"]

[rules]
fixed = { grit = 1 }
before = [
  ["grit", "room"],  # dirt rings on
]

[goals]
reference = "series"  # what we have now
levels = 1
"""


@pytest.fixture
def board_text() -> str:
    return BOARD


def notes_of(text: str) -> list[str]:
    return sorted(re.findall(r"#[^\n]*", text))


def read(desk: Desk) -> Any:
    return tomllib.loads(desk.text)


def test_a_passage_is_renamed_wherever_it_is_named(desk: Desk) -> None:
    desk.rename("passages", "verse", "intro")
    assert desk.text == BOARD.replace('"verse"', '"intro"').replace(".verse]", ".intro]")
    assert desk.would_undo == "verse renamed intro"


def test_an_amplifier_is_renamed_where_orders_end(desk: Desk) -> None:
    desk.rename("amps", "hot", "loud")
    assert desk.text == BOARD.replace('"hot"', '"loud"').replace(".hot]", ".loud]")


def test_a_passage_goes_out_of_songs_and_out_of_what_is_held_against_it(desk: Desk) -> None:
    desk.remove("passages", "verse")
    assert desk.board.passages["solo"].above is None
    assert {name: song.passages for name, song in desk.board.songs.items()} == {
        "whole": ("solo",),
        "half": ("solo",),
    }
    # What stands above the next table is about that, and stays.
    assert notes_of(desk.text) == notes_of(BOARD)
    desk.undo()
    desk.remove("passages", "solo")
    assert list(desk.board.songs) == ["whole"]
    assert "# the loud parts" in desk.text
    assert "# eight bars" not in desk.text
    with pytest.raises(SimchainError, match="at least one passage"):
        desk.remove("passages", "verse")


def test_the_last_amplifier_named_at_the_end_leaves_it_to_the_first(desk: Desk) -> None:
    desk.remove("amps", "hot")
    assert "amps" not in read(desk).get("output", {})
    assert desk.board.output.amps == ("clean",)
    assert "# only on Fridays" in desk.text


def test_plain_tables_and_such_that_are_like_another(desk: Desk) -> None:
    desk.add("passages", "outro")
    desk.add("passages", "solo_2", like="solo")
    desk.add("amps", "small")
    desk.add("songs", "all")
    desk.add("blocks", "push", kind="boost")
    desk.add("blocks", "grit_2", like="grit")
    board = desk.board
    assert board.passages["outro"].on == ()
    assert board.passages["solo_2"] == board.passages["solo"]
    assert board.amps["small"].model_fields_set == set()
    assert board.songs["all"].passages == ("verse", "solo", "outro", "solo_2")
    assert board.orders["series"].front == ("grit", "room", "push", "grit_2")
    assert board.blocks["grit_2"] == board.blocks["grit"]
    assert desk.text.startswith(BOARD.partition("[orders")[0])
    for _ in range(6):
        desk.undo()
    assert desk.text == BOARD


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"do": "add", "what": "passages", "name": "solo"}, "a passage 'solo' already"),
        ({"do": "add", "what": "amps", "name": "hot"}, "an amplifier 'hot' already"),
        ({"do": "add", "what": "songs", "name": "The Set"}, "a name is a small letter"),
        ({"do": "add", "what": "songs", "name": "out"}, "taken"),
        ({"do": "add", "what": "passages", "name": "x", "like": "gone"}, "no passage 'gone'"),
        ({"do": "add", "what": "cables", "name": "x"}, "what = 'cables': allowed is blocks"),
        ({"do": "remove", "what": "amps", "name": "gone"}, "no amplifier 'gone'"),
        ({"do": "rename", "what": "songs", "name": "half", "new": "whole"}, "'whole' already"),
        ({"do": "rename", "what": "songs", "name": "half"}, "new is missing"),
        ({"do": "turn", "what": "songs", "name": "half"}, "allowed is add, remove or rename"),
    ],
)
def test_what_cannot_be_done_is_said_and_changes_nothing(
    client: Client, desk: Desk, body: dict[str, Any], words: str
) -> None:
    answer = client.post("/tables", revision=0, **body)
    assert answer.status == 422
    assert words in " ".join(each["text"] for each in answer.json()["problems"]).replace('"', "'")
    assert (desk.text, desk.revision) == (BOARD, 0)


def events(desk: Desk, change: Any) -> None:
    path = ("passages", "solo", "events")
    listed = [dict(event) for event in read(desk)["passages"]["solo"]["events"]]
    change(listed)
    desk.change({path: listed}, "solo events")


def test_an_event_changes_on_its_line(desk: Desk) -> None:
    events(desk, lambda listed: listed[0].update(at=2))
    assert desk.text == BOARD.replace("at = 1.5,", "at = 2,")


def test_an_event_comes_and_goes_with_its_line(desk: Desk) -> None:
    events(desk, lambda listed: listed.append({"at": 7, "block": "grit", "do": "on"}))
    last = '  { at = 6.0, block = "grit", do = "off" },\n'
    assert desk.text == BOARD.replace(last, f'{last}  {{ at = 7, block = "grit", do = "on" }},\n')
    events(desk, lambda listed: listed.pop())
    assert desk.text == BOARD
    events(desk, lambda listed: listed.pop(1))
    line = '  { at = 3, block = "grit", set = { gain_db = 12.0 }, over_ms = 250 },\n'
    assert desk.text == BOARD.replace(line, "")


def test_tables_in_a_table_change_key_by_key(desk: Desk) -> None:
    desk.change({("rules", "fixed"): {"grit": 2, "room": 1}}, "places")
    assert desk.text == BOARD.replace("fixed = { grit = 1 }", "fixed = { grit = 2, room = 1 }")
    desk.change({("rules", "before"): [["grit", "room"], ["room", "grit"]]}, "rules")
    assert '  ["grit", "room"],  # dirt rings on\n  ["room", "grit"],\n]' in desk.text


def chance_edit(chance: random.Random, desk: Desk) -> tuple[str, tuple[Any, ...], dict[str, Any]]:
    tables = read(desk)
    family = chance.choice(["passages", "amps", "songs"])
    known = list(tables.get(family, {"none": {}}))
    name, new = chance.choice(known), chance.choice(["a", "b", "c", *known])
    passage = chance.choice(list(tables["passages"]))
    listed = [dict(event) for event in tables["passages"][passage].get("events", [])]
    chance.shuffle(listed)
    kept = listed[: chance.randint(0, len(listed))]
    switch = {"at": chance.randint(0, 9), "block": "room", "do": chance.choice(["on", "off"])}
    song = {"passages": [chance.choice(list(tables["passages"])) for _ in range(3)]}
    changes = chance.choice(
        [
            {("passages", passage, "events"): [*kept, switch]},
            {("passages", passage, "on"): chance.sample(["grit", "room"], chance.randint(0, 2))},
            {("songs", "whole"): song},
            {("supply", "outlets"): [{"name": "A", "volts": 9}, {"name": "B", "ma": 100}]},
            {("goals", "clarity"): chance.randint(0, 9), ("floor", "size_mm"): [380, 130]},
        ]
    )
    return chance.choice(
        [
            ("add", (family, new), {"like": chance.choice([None, name])}),
            ("remove", (family, name), {}),
            ("rename", (family, name, new), {}),
            ("change", (changes, "a change"), {}),
            ("change", (changes, "a change"), {}),
        ]
    )


def test_whatever_is_edited_notes_stay_and_undo_gives_every_byte_back(tmp_path: Path) -> None:
    chance = random.Random(1)
    done: dict[str, int] = {}
    for _ in range(8):
        desk = Desk(BOARD, tmp_path)
        texts = [BOARD]
        for _ in range(12):
            do, given, more = chance_edit(chance, desk)
            before = desk.text
            try:
                getattr(desk, do)(*given, **more)
            except SimchainError:
                assert desk.text == before
                continue
            if desk.text == before:
                continue
            done[do] = done.get(do, 0) + 1
            texts.append(desk.text)
            assert desk.board == read_board(desk.text, file="board.toml", folder=tmp_path)
            if do == "change":
                for path, value in given[0].items():
                    there: Any = read(desk)
                    for key in path:
                        there = there[key]
                    assert there == value
            if do != "remove":
                assert notes_of(desk.text) == notes_of(before)
        while desk.would_undo is not None:
            assert desk.text == texts.pop()
            desk.undo()
        assert [desk.text] == texts == [BOARD]
    assert all(done[do] > 5 for do in ("add", "remove", "rename", "change")), done
