"""`simchain tones` and `simchain fit` as they are typed."""

import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from simchain.board.read import read_board
from simchain.board.write import REMOVED
from simchain.fit.fitting import changes_of
from simchain.fit.looked_for import Free
from simchain.fit.received import given_volts
from simchain.report.fit import _unsure
from tests.conftest import Simchain
from tests.fit.hidden import boost
from tests.fit.recorder import Interface

HIDDEN = {"gain_db": 14.0, "low_cut_hz": 80.0, "high_cut_hz": 7000.0, "level_db": -6.0}
BOARD = """\
[source]
clip = "riff"

[blocks.push]
kind = "boost"       # the little one
gain_db = 3          # a guess

[blocks.grit]
kind = "drive"

[orders.series]
front = ["push", "grit"]

[passages.verse]
on = ["push"]
"""


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a loop-back and a take of a hidden boost."""
    folder = tmp_path_factory.mktemp("desk")
    interface = Interface(full_scale_volts=7.0)
    interface.record(folder / "loop.wav", given_volts(), begins_s=0.5, seed=1)
    heard = boost.play(given_volts(), HIDDEN)
    interface.record(folder / "unit.wav", heard, begins_s=0.3, seed=2)
    return folder


def test_tones_are_written_and_how_to_record_is_said(
    simchain_command: Simchain, tmp_path: Path
) -> None:
    ran = simchain_command("tones", tmp_path / "tones.wav")
    assert ran.status == 0
    assert (tmp_path / "tones.wav").stat().st_size > 6_000_000
    for words in ("Turn monitors and headphones off", "100 mV", "voltage and polarity", "loopback"):
        assert words in ran.out
    document = json.loads(simchain_command("tones", tmp_path / "t.wav", "--json").out)
    assert document["seconds"] <= 60.0
    assert len(document["steps"]) == 6
    refused = simchain_command("tones", tmp_path / "tones")
    assert (refused.status, refused.out) == (2, "")
    assert "ends in .wav" in refused.err


def test_settings_are_found_and_written(simchain_command: Simchain, desk: Path) -> None:
    board = desk / "board.toml"
    board.write_text(BOARD)
    arguments = ("fit", board, "push", desk / "unit.wav", "--loopback", desk / "loop.wav")
    document = json.loads(simchain_command(*arguments, "--json", "--write").out)
    found = document["settings"]
    print(found)
    assert found["gain_db"] == pytest.approx(HIDDEN["gain_db"], abs=0.3)
    assert found["level_db"] == pytest.approx(HIDDEN["level_db"], abs=0.3)
    assert found["low_cut_hz"] == pytest.approx(HIDDEN["low_cut_hz"], rel=0.05)
    assert found["high_cut_hz"] == pytest.approx(HIDDEN["high_cut_hz"], rel=0.05)
    assert document["fits"]
    assert document["verdict"] in ("same", "free")
    assert document["residual_db"] < -40.0
    assert set(document["confidence"]) == set(HIDDEN)
    assert all(0.0 <= sure < 100.0 for sure in document["confidence"].values())
    written = board.read_text()
    assert "# the little one" in written
    assert f"gain_db = {found['gain_db']}" in written
    assert simchain_command("check", board).status == 0


@pytest.mark.soak
def test_what_is_found_is_told_and_not_written_unasked(
    simchain_command: Simchain, desk: Path
) -> None:
    board = desk / "told.toml"
    board.write_text(BOARD)
    ran = simchain_command("fit", board, "push", desk / "unit.wav", "--loopback", desk / "loop.wav")
    assert "no difference expected between the unit and push" in ran.out
    assert board.read_text() == BOARD


@pytest.mark.parametrize(
    ("block", "recording", "said"),
    [
        ("nope", "unit.wav", "no block 'nope' on this board (there are: push, grit)"),
        ("push", "none.wav", "there is no such file"),
        ("grit", "loop.wav", "what came back is what went in"),
    ],
)
def test_mistakes(
    simchain_command: Simchain, desk: Path, block: str, recording: str, said: str
) -> None:
    board = desk / "mistakes.toml"
    board.write_text(BOARD)
    ran = simchain_command(
        "fit", board, block, desk / recording, "--loopback", desk / "loop.wav", "--write"
    )
    assert ran.status == 2
    assert said in ran.err
    assert "Traceback" not in ran.err
    assert board.read_text() == BOARD


@pytest.mark.soak
def test_what_no_block_comes_near_is_not_written(simchain_command: Simchain, desk: Path) -> None:
    """A ring modulator is no boost."""
    board = desk / "ring.toml"
    board.write_text(BOARD)
    times = np.arange(given_volts().size) / 48_000
    heard = given_volts() * np.sin(2.0 * np.pi * 370.0 * times) + 0.3 * given_volts()
    Interface(full_scale_volts=7.0).record(desk / "ring.wav", heard, begins_s=0.2, seed=3)
    ran = simchain_command(
        "fit", board, "push", desk / "ring.wav", "--loopback", desk / "loop.wav", "--write"
    )
    assert ran.status == 0
    assert "No boost comes near this unit" in ran.out
    assert "untouched: nothing was found that is worth keeping" in ran.out
    assert board.read_text() == BOARD


def test_a_time_takes_the_place_of_a_tempo() -> None:
    """What says the same in another way goes: the board must load afterwards."""
    board = read_board(
        'source = { kind = "guitar", clip = "riff" }\n[blocks.echo]\nkind = "delay"\nbpm = 92\n'
        'note = "dotted eighth"  # of the song\n[orders.a]\nfront = ["echo"]\n'
        '[passages.p]\non = ["echo"]\n'
    )
    found = SimpleNamespace(name="echo", settings={"time_ms": 412.0, "mix": 0.3})
    changes = changes_of(board, found)  # type: ignore[arg-type]
    assert changes[("blocks", "echo", "bpm")] is REMOVED
    assert changes[("blocks", "echo", "note")] is REMOVED
    assert changes[("blocks", "echo", "time_ms")] == 412.0
    assert len(changes) == 4


def test_a_control_that_is_not_told_at_all_has_no_figure() -> None:
    """A deviation beyond all measure warns of nothing on the way, and is told as not sure."""
    cut = Free("high_cut_hz", 500.0, 100e3, log=True, step=0.05)
    assert cut.spread(cut.bounds()[1], 1e6) == np.inf
    assert cut.spread(cut.bounds()[0], 1.0) == pytest.approx(500.0 * np.expm1(0.05))
    rows = [{"control": "high_cut_hz", "value": 1e5, "deviation": None, "unit": "Hz"}]
    assert list(_unsure(rows)) == ["high_cut_hz"]
