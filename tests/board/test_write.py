"""A board is changed where it is changed, and nowhere else."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from simchain.board import load_board, save, starter, updated
from simchain.errors import BoardError, OutputError, RequestError

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


@pytest.mark.parametrize("name", ["electric", "acoustic", "demo"])
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
