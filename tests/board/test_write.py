"""A board is changed where it is changed, and nowhere else."""

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simchain.board import load_board, starter
from simchain.board.write import REMOVED, renamed, save, updated
from simchain.errors import BoardError, OutputError, RequestError

# Every value of the largest takes long.
STARTERS = ["electric", "acoustic", pytest.param("demo", marks=pytest.mark.soak)]
TEXT = """\
# mine
title = "x"   # the title

[blocks.grit] # first
kind = "drive"
gain_db = 24   # dirt

# about push
[blocks.push]
kind="boost"


[amps]
clean = { gain_db = 8, watts = 20 } # in one line
hot = {}

[source]

# the pickup
[source.pickup]
tone_nf=22

[orders.series]
front = ["grit",
  "push", # second
]
"""


def changed_lines(old: str, new: str) -> tuple[list[str], list[str]]:
    before, after = old.splitlines(), new.splitlines()
    while before and after and before[0] == after[0]:
        del before[0], after[0]
    while before and after and before[-1] == after[-1]:
        del before[-1], after[-1]
    return before, after


@pytest.mark.parametrize(
    ("path", "value", "old", "new"),
    [
        ("title", "y", ['title = "x"   # the title'], ['title = "y"   # the title']),
        ("blocks.grit.gain_db", 20.5, ["gain_db = 24   # dirt"], ["gain_db = 20.5   # dirt"]),
        ("blocks.grit.level_db", -3, [], ["level_db = -3"]),
        ("blocks.push.gain_db", 6.0, [], ["gain_db = 6.0"]),
        ("amps.clean.gain_db", 9, ["clean = { gain_db = 8, watts = 20 } # in one line"],
         ["clean = { gain_db = 9, watts = 20 } # in one line"]),
        ("amps.clean.sag", 0.1, ["clean = { gain_db = 8, watts = 20 } # in one line"],
         ["clean = { gain_db = 8, watts = 20, sag = 0.1 } # in one line"]),
        ("amps.hot.watts", 5, ["hot = {}"], ["hot = { watts = 5 }"]),
        ("amps.new.watts", 5, [], ["new = { watts = 5 }"]),
        ("rate", 44100, [], ["rate = 44100"]),
        ("source.clip", "riff", [], ['clip = "riff"']),
        ("source.pickup.volume", 1.0, [], ["volume = 1.0"]),
        ("songs.set.passages", ["a", "b"], [], ["", "[songs.set]", 'passages = ["a", "b"]']),
        ("set_levels.controls", ("push.gain_db",), [], ["",
         "[set_levels]", 'controls = ["push.gain_db"]']),
        ("passages.solo.set.push.gain_db", 3, [], ["", "[passages.solo]",
         "set = { push = { gain_db = 3 } }"]),
        ("blocks.new", {"kind": "boost"}, [], ["", "[blocks.new]", 'kind = "boost"']),
    ],
)  # fmt: skip
def test_one_change_changes_its_line_only(path: str, value: Any, old: list[str], new: list[str]):
    result = updated(TEXT, {tuple(path.split(".")): value})
    assert changed_lines(TEXT, result) == (old, new)


def test_no_change_and_the_same_value_leave_every_byte():
    assert updated(TEXT, {}) == TEXT
    assert updated(TEXT, {("blocks", "grit", "gain_db"): 24}) == TEXT


@pytest.mark.parametrize("name", STARTERS)
def test_every_value_of_the_starters_can_be_changed_alone(name: str):
    text = starter(name)
    for path, value in leaves(tomllib.loads(text)):
        if isinstance(value, int | float) and not isinstance(value, bool):
            result = updated(text, {path: value + 1})
            old, new = changed_lines(text, result)
            assert len(old) == len(new) == 1, (path, old, new)
            assert old[0].partition("#")[2] == new[0].partition("#")[2]
            assert updated(result, {path: value}) == text or isinstance(value, float)


def leaves(table: dict[str, Any], path: tuple[str, ...] = ()) -> list[tuple[tuple[str, ...], Any]]:
    found = []
    for key, value in table.items():
        inner = leaves(value, (*path, key)) if isinstance(value, dict) else [((*path, key), value)]
        found += inner
    return found


def test_windows_line_ends_stay():
    text = TEXT.replace("\n", "\r\n")
    result = updated(text, {("blocks", "grit", "level_db"): -3, ("songs", "a", "passages"): []})
    assert "\n" not in result.replace("\r\n", "")


@pytest.mark.parametrize(
    "text", ["", "# only a note", 'blocks.push.kind = "boost"\n', "rate = 48000"]
)
def test_odd_layouts_can_be_changed_too(text: str):
    changes = {("blocks", "push", "gain_db"): 3, ("rate",): 96000, ("goals", "width"): 1}
    result = tomllib.loads(updated(text, changes))
    assert result["blocks"]["push"]["gain_db"] == 3
    assert (result["rate"], result["goals"]) == (96000, {"width": 1})


def test_a_path_through_a_value_is_refused():
    with pytest.raises(RequestError, match=r"^title\.x\.y: title is not a table"):
        updated(TEXT, {("title", "x", "y"): 3})


def test_saving_keeps_comments_and_gives_a_board_that_loads(tmp_path: Path):
    path = tmp_path / "my.toml"
    path.write_text(starter("demo"))
    save(path, {("blocks", "push", "gain_db"): 4.5})
    assert load_board(path).blocks["push"].gain_db == 4.5
    old, new = changed_lines(starter("demo"), path.read_text())
    assert (old, new) == (["gain_db = 6"], ["gain_db = 4.5"])
    assert [found.name for found in tmp_path.iterdir()] == ["my.toml"]


def test_a_change_that_would_not_load_leaves_the_file_alone(tmp_path: Path):
    path = tmp_path / "my.toml"
    path.write_text(starter("demo"))
    with pytest.raises(
        BoardError, match=r"\[blocks\.push\] gain_db = 900: allowed is -60 to 80 dB"
    ):
        save(path, {("blocks", "push", "gain_db"): 900})
    assert path.read_text() == starter("demo")


def test_a_link_to_a_board_stays_a_link(tmp_path: Path):
    (tmp_path / "real.toml").write_text(starter("demo"))
    (tmp_path / "link.toml").symlink_to(tmp_path / "real.toml")
    save(tmp_path / "link.toml", {("rate",): 96000})
    assert (tmp_path / "link.toml").is_symlink()
    assert load_board(tmp_path / "real.toml").rate == 96000


def test_a_file_that_cannot_be_written_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    path = tmp_path / "my.toml"
    path.write_text(starter("demo"))

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("simchain.files.os.fsync", full)
    with pytest.raises(OutputError, match=r"cannot write .*my\.toml: no space left"):
        save(path, {("rate",): 96000})
    assert path.read_text() == starter("demo")


@pytest.mark.parametrize(
    ("path", "old", "new"),
    [
        ("title", ['title = "x"   # the title'], []),
        ("blocks.grit.gain_db", ["gain_db = 24   # dirt"], []),
        ("blocks.grit", ["[blocks.grit] # first", 'kind = "drive"', "gain_db = 24   # dirt", ""],
         []),
        ("blocks.push", ["[blocks.push]", 'kind="boost"', "", ""], []),
        ("amps.clean", ["clean = { gain_db = 8, watts = 20 } # in one line"], []),
        ("amps.hot", ["hot = {}"], []),
        ("amps", ["[amps]", "clean = { gain_db = 8, watts = 20 } # in one line", "hot = {}", ""],
         []),
        ("source.pickup", ["[source.pickup]", "tone_nf=22", ""], []),
        ("orders.series", ["", "[orders.series]", 'front = ["grit",', '  "push", # second', "]"],
         []),
    ],
)  # fmt: skip
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_what_is_removed_takes_its_lines_and_no_others(
    path: str, old: list[str], new: list[str], end: str
):
    text = TEXT.replace("\n", end)
    result = updated(text, {tuple(path.split(".")): REMOVED})
    before, after = changed_lines(text, result)
    # Which of two blank lines went cannot be told.
    assert ([line for line in before if line], after) == ([line for line in old if line], new)
    assert len(text.splitlines()) - len(result.splitlines()) == len(old)
    assert result.count("\n") == result.count(end)


def test_an_entry_of_an_inline_table_is_removed():
    read = tomllib.loads(updated(TEXT, {("amps", "clean", "watts"): REMOVED}))
    assert read["amps"] == {"clean": {"gain_db": 8}, "hot": {}}


def test_a_table_goes_with_its_inner_tables():
    result = updated(TEXT, {("source",): REMOVED})
    assert "source" not in tomllib.loads(result)
    assert "# the pickup" in result


@pytest.mark.parametrize("path", ["nothing", "blocks.gone", "blocks.grit.gone", "title.x"])
def test_what_is_not_there_is_removed_already(path: str):
    assert updated(TEXT, {tuple(path.split(".")): REMOVED}) == TEXT


@pytest.mark.parametrize("name", STARTERS)
def test_every_value_and_table_of_the_starters_can_be_removed_alone(name: str):
    text = starter(name)
    read = tomllib.loads(text)
    paths = {path[:depth] for path, _ in leaves(read) for depth in range(1, len(path) + 1)}
    notes = [line for line in text.splitlines() if line.startswith("#")]
    for path in paths:
        result = updated(text, {path: REMOVED})
        assert without(read, path) == without(tomllib.loads(result), path)
        assert at(tomllib.loads(result), path) is None, path
        if not isinstance(at(read, path), dict):
            assert [line for line in result.splitlines() if line.startswith("#")] == notes, path
        assert set(result.splitlines()) <= set(text.splitlines()) or "{" in text, path


def at(tables: Any, path: tuple[str, ...]) -> Any:
    for key in path:
        tables = tables.get(key) if isinstance(tables, dict) else None
    return tables


def without(tables: dict[str, Any], path: tuple[str, ...]) -> dict[str, Any]:
    """Leave out what is at `path`, and the tables that this leaves empty."""
    inner = {
        key: without(value, path[1:]) if key == path[0] and path[1:] else value
        for key, value in tables.items()
        if key != path[0] or path[1:]
    }
    return {key: value for key, value in inner.items() if key != path[0] or value != {}}


def test_headings_inside_texts_and_lists_are_none():
    text = '[a]\nx = """\n[b]\n"""\ny = [\n["c"]\n]\n[b]\nz = 1\n[c]\nz = 2\n'
    assert updated(text, {("b",): REMOVED}) == text.replace("[b]\nz = 1\n", "")
    assert updated(text, {("a",): REMOVED}) == "[b]\nz = 1\n[c]\nz = 2\n"


def test_added_and_removed_again_is_as_it_was():
    added = updated(TEXT, {("orders", "copy"): {"front": ["push"]}})
    assert updated(added, {("orders", "copy"): REMOVED}) == TEXT


@pytest.mark.parametrize(
    ("path", "old", "new"),
    [
        ("orders.series", "[orders.series]", "[orders.other]"),
        ("blocks.grit", "[blocks.grit] # first", "[blocks.other] # first"),
        ("amps.clean", "clean = { gain_db = 8, watts = 20 } # in one line",
         "other = { gain_db = 8, watts = 20 } # in one line"),
        ("source", "[source]", "[other]"),
    ],
)  # fmt: skip
def test_another_name_in_the_same_place(path: str, old: str, new: str):
    result = renamed(TEXT, tuple(path.split(".")), "other")
    changed = [
        pair
        for pair in zip(TEXT.splitlines(), result.splitlines(), strict=True)
        if pair[0] != pair[1]
    ]
    inner = [("[source.pickup]", "[other.pickup]")] if path == "source" else []
    assert changed == [(old, new), *inner]


def test_a_name_in_an_odd_place_can_be_changed_too():
    result = renamed('orders.a.front = ["x"]\n', ("orders", "a"), "b")
    assert tomllib.loads(result) == {"orders": {"b": {"front": ["x"]}}}


@pytest.mark.parametrize(("path", "said"), [("orders.gone", "no such"), ("blocks.grit", "already")])
def test_names_that_cannot_be_changed(path: str, said: str):
    with pytest.raises(RequestError, match=said):
        renamed(TEXT, tuple(path.split(".")), "push")


LISTED = """\
front = [  # all of them
  # the quiet one
  "press",   # evens out
  "grit", # dirt
  'push'
  # the end
]  # done
"""


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize(
    ("wanted", "lines"),
    [
        (["grit", "push", "press"],
         ["front = [  # all of them", '  "grit", # dirt', "  'push',", "  # the quiet one",
          '  "press"   # evens out', "  # the end", "]  # done"]),
        (["press", "push"],
         ["front = [  # all of them", "  # the quiet one", '  "press",   # evens out', "  'push'",
          "  # dirt", "  # the end", "]  # done"]),
        (["press", "grit", "new", "push"],
         ["front = [  # all of them", "  # the quiet one", '  "press",   # evens out',
          '  "grit", # dirt', '  "new",', "  'push'", "  # the end", "]  # done"]),
        ([], ["front = [  # all of them", "  # the quiet one", "  # evens out", "  # dirt",
              "  # the end", "]  # done"]),
    ],
)  # fmt: skip
def test_entries_of_a_list_keep_their_lines(wanted: list[str], lines: list[str], end: str):
    text = LISTED.replace("\n", end)
    result = updated(text, {("front",): wanted})
    assert result.split(end) == [*lines, ""]
    assert tomllib.loads(result) == {"front": wanted}


NAMES = ("press", "grit", "push", "new", "it's")


@given(st.permutations(NAMES), st.integers(0, 5), st.permutations(NAMES), st.integers(0, 5))
def test_no_sequence_loses_a_note(first: list[str], few: int, second: list[str], more: int):
    notes = sorted(re.findall(r"#[^\n]*", LISTED))
    text = updated(LISTED, {("front",): first[:few]})
    assert sorted(re.findall(r"#[^\n]*", text)) == notes
    text = updated(text, {("front",): second[:more]})
    assert tomllib.loads(text) == {"front": second[:more]}
    assert sorted(re.findall(r"#[^\n]*", text)) == notes


def test_a_note_does_not_swallow_the_bracket():
    text = 'front = ["a",\n  "b", # second\n  "c"]\n'
    result = updated(text, {("front",): ["a", "b"]})
    assert result == 'front = ["a",\n  "b" # second\n  ]\n'
    assert updated(text, {("front",): ["b", "c", "a"]}) == (
        'front = [\n  "b", # second\n  "c", "a"]\n'
    )
