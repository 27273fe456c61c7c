"""What the bench tells of a board's settings, over a real line, held against the board's models."""

import json
import math
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from simchain.bench.desk import Desk
from simchain.bench.server import Bench
from simchain.bench.setting_facts import starts_of
from simchain.blocks import kinds
from simchain.board import STARTERS, read_board, starter
from simchain.board.write import updated
from tests.bench.serving import TOKEN, Client, served


def opened(folder: Path, text: str) -> Desk:
    path = folder / "board.toml"
    path.write_text(text)
    return Desk.opened(path)


@pytest.fixture
def board_text() -> str:
    return starter("demo")


def controls_of(document: Any, table: str) -> dict[str, Any]:
    found = next(
        each for each in document["tables"] + document["passages"] if each["table"] == table
    )
    return {control["name"]: control for control in found["controls"]}


def test_every_table_of_the_board_is_told(client: Client, desk: Desk) -> None:
    told = client.get("/settings").json()
    board = desk.board
    assert [each["table"] for each in told["tables"]] == [
        *(f"blocks.{name}" for name in board.blocks),
        *("", "source", "source.pickup", "cables", "supply", "output"),
        *("floor", "rules", "goals", "judging", "set_levels"),
        *(f"amps.{name}" for name in board.amps),
        *(f"songs.{name}" for name in board.songs),
    ]
    assert [each["name"] for each in told["passages"]] == list(board.passages)
    assert [each["kind"] for each in told["kinds"]] == list(kinds())
    assert all(each["about"] for each in told["tables"] + told["passages"] + told["kinds"])
    for name, block in board.blocks.items():
        assert set(controls_of(told, f"blocks.{name}")) == set(type(block).model_fields)


@pytest.mark.parametrize("name", STARTERS)
def test_values_are_the_file_s_or_the_board_s(tmp_path: Path, name: str) -> None:
    desk = opened(tmp_path, starter(name))
    with served(Bench(desk, tmp_path, None, TOKEN).app()) as client:  # type: ignore[arg-type]
        told = client.get("/settings").json()
    for table in told["tables"] + told["passages"]:
        written: Any = tomllib.loads(desk.text)
        standing: Any = desk.board
        for key in table["path"]:
            written = written.get(key, {})
            standing = standing[key] if isinstance(standing, dict) else getattr(standing, key)
        for control in table["controls"]:
            key = control["name"]
            assert control["written"] == (key in written)
            if key in written:
                assert control["value"] == written[key]
            else:
                there = type(standing).model_validate(standing).model_dump(mode="json")[key]
                assert control["value"] == there


def test_what_is_said_of_a_control_is_what_was_declared(client: Client) -> None:
    told = client.get("/settings").json()
    tone = controls_of(told, "blocks.grit")["tone_hz"]
    assert (tone["unit"], tone["allowed"], tone["usual"]) == ("Hz", [0, 1e6], [500, 20e3])
    assert tone["help"] == kinds()["drive"].model_fields["tone_hz"].description
    clip = controls_of(told, "blocks.grit")["clip"]
    assert (clip["type"], clip["choices"], clip["file"]) == ("choice", ["feedback", "shunt"], False)
    assert controls_of(told, "output")["amps"]["choices"] == ["clean", "crunch", "hot"]
    on = controls_of(told, "passages.solo")["on"]
    assert (on["type"], on["choices"]) == ("names", [each["name"] for each in told["tables"][:8]])
    assert controls_of(told, "blocks.grit")["input_ohm"]["in_passage"] is False
    assert controls_of(told, "blocks.grit")["level_db"]["in_passage"] is True
    pickup = controls_of(told, "source.pickup")
    assert {name for name, each in pickup.items() if each["in_passage"]} == {"volume", "tone"}


def test_starting_points_lie_in_the_usual_range_and_the_board_takes_them(
    client: Client, desk: Desk
) -> None:
    told = client.get("/settings").json()
    seen = 0
    for table in told["tables"]:
        for control in table["controls"]:
            if control["starts"] is None:
                continue
            starts = list(control["starts"].values())
            assert starts == sorted(starts)
            usual = control["usual"] or control["allowed"]
            assert all(usual[0] <= value <= usual[1] for value in starts)
            seen += len(starts)
    assert seen > 400
    for table, control in written_numbers(told):
        path = (*table["path"], control["name"])
        for value in control["starts"].values():
            read_board(updated(desk.text, {path: value}), folder=desk.folder)
    assert controls_of(told, "blocks.sweep")["stages"]["starts"] == {
        "low": 2,
        "middle": 8,
        "high": 12,
    }
    # It has one output, and so no sides to spread to.
    assert controls_of(told, "blocks.repeat")["spread"]["starts"] == {}


def written_numbers(told: Any) -> Iterator[tuple[Any, Any]]:
    for table in told["tables"]:
        for control in table["controls"]:
            if control["starts"] and control["written"]:
                yield table, control


@pytest.mark.parametrize(
    ("low", "high", "unit", "middle"),
    [
        (20.0, 20e3, "Hz", 630.0),  # sqrt(20 * 20000) = 632.5
        (0.5, 80.0, "ms", 6.3),
        (-40.0, 12.0, "dB", -14.0),
        (1.5, 20.0, "", 11.0),
        (0.0, 500.0, "Hz", 250.0),
        (10.0, 10.0, "Hz", 10.0),
    ],
)
def test_the_middle_is_geometric_for_ratios(
    low: float, high: float, unit: str, middle: float
) -> None:
    assert starts_of(low, high, unit) == [low, middle, high]
    if unit in ("Hz", "ms") and low > 0:
        assert math.isclose(middle / low, high / middle, rel_tol=0.02)


def test_a_row_of_bands_tells_its_own_controls(tmp_path: Path) -> None:
    shape = '[blocks.shape]\nkind = "equalizer"\nbands = [{ hz = 800 }]\n\n[blocks.press]'
    text = starter("demo").replace("[blocks.press]", shape, 1)
    desk = opened(tmp_path, text)
    with served(Bench(desk, tmp_path, None, TOKEN).app()) as client:  # type: ignore[arg-type]
        bands = controls_of(client.get("/settings").json(), "blocks.shape")["bands"]
    assert (bands["type"], bands["value"]) == ("rows", [{"hz": 800}])
    assert "hz" in {each["name"] for each in bands["controls"]}


def test_settings_follow_a_change_and_its_undo(client: Client, desk: Desk) -> None:
    change = {"path": ["blocks", "grit", "tone_hz"], "value": 2500}
    client.post("/change", revision=0, changes=[change], say="grit tone_hz")
    told = client.get("/settings").json()
    assert told["revision"] == desk.revision == 1
    assert controls_of(told, "blocks.grit")["tone_hz"]["value"] == 2500
    gone = {"path": ["blocks", "grit", "tone_hz"], "remove": True}
    client.post("/change", revision=1, changes=[gone], say="")
    tone = controls_of(client.get("/settings").json(), "blocks.grit")["tone_hz"]
    assert (tone["value"], tone["written"]) == (tone["default"], False)


def test_sound_files_beside_the_board_are_offered(client: Client, desk: Desk) -> None:
    for name in ("mine.WAV", "take.flac", ".hidden.wav", "notes.txt"):
        (desk.folder / name).write_bytes(b"")
    clips = client.get("/settings").json()["clips"]
    assert clips[-2:] == ["mine.WAV", "take.flac"]
    assert "riff" in clips
    assert json.dumps(clips).count(".wav") == 0


def test_without_a_board_there_are_none(tmp_path: Path) -> None:
    with served(Bench(None, tmp_path, None, TOKEN).app()) as client:  # type: ignore[arg-type]
        assert client.get("/settings").status == 409


def test_every_setting_can_be_filled_in_under_words_of_its_own(client: Client, desk: Desk) -> None:
    told = client.get("/settings").json()
    known = {"number", "whole", "yes", "choice", "text", "pair", "names", "sequence", "groups"}
    known |= {"rows", "places", "events"}
    for table in told["tables"] + told["passages"]:
        labels = [control["label"] for control in table["controls"]]
        assert len(labels) == len(set(labels)) > 0
        for control in table["controls"]:
            many = control["name"] in ("modes", "bands")
            assert control["type"] in known or many, (table["table"], control["name"])
            assert "_" not in control["label"]
    assert controls_of(told, "blocks.grit")["low_cut_hz"]["label"] == "low cut"
    assert controls_of(told, "rules")["fixed"]["type"] == "places"
    assert controls_of(told, "rules")["before"]["choices"] == [
        each["name"] for each in told["tables"][:8]
    ]
    assert controls_of(told, "goals")["reference"]["choices"][:2] == ["series", "split"]
    outlets = controls_of(told, "supply")["outlets"]
    there = [outlet.name for outlet in desk.board.supply.outlets]
    assert [each["name"] for each in outlets["value"]] == there != []
    assert {each["name"]: each["unit"] for each in outlets["controls"]}["ma"] == "mA"
    repeat = next(each for each in told["tables"] if each["table"] == "blocks.repeat")
    assert repeat["does"] == ["on", "off", "record", "play", "overdub", "stop"]
    assert told["tables"][0]["does"] == ["on", "off"]
