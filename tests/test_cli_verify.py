"""`simchain verify` as it is typed: what it says and refuses."""

import json
from pathlib import Path

import numpy as np
import pytest

from simchain.board.read import read_board
from simchain.fit.received import given_volts
from simchain.fit.wired import wired_board
from tests.conftest import Simchain
from tests.fit.finished import played
from tests.fit.recorder import Interface
from tests.fit.test_verify import BOARD


@pytest.fixture
def recordings(tmp_path: Path) -> Path:
    """A board's file, its recording with the compressor off, a loop-back, and a dead one."""
    (tmp_path / "board.toml").write_text(BOARD)
    plan = wired_board(read_board(BOARD), "series", "riff", 1e6)
    interface = Interface(4.0)
    given = given_volts()
    off = played(plan.switched("press", on=False), noisy=True)
    for name, line in (("loop", given), ("off", off), ("dead", np.zeros(given.size))):
        interface.record(tmp_path / f"{name}.wav", line, begins_s=0.4, seed=1)
    return tmp_path


def asked(folder: Path, recording: str) -> list[str]:
    where = ["verify", str(folder / "board.toml"), str(folder / recording)]
    return [*where, "--passage", "riff", "--loopback", str(folder / "loop.wav")]


def test_one_json_document_and_sentences(simchain_command: Simchain, recordings: Path) -> None:
    ran = simchain_command(*asked(recordings, "off.wav"), "--order", "series", "--json")
    document = json.loads(ran.out)
    print(json.dumps(document, indent=1)[:3000])
    assert ran.status == 0
    assert (document["order"], document["passage"]) == ("series", "riff")
    assert document["as_planned"] is False
    first = document["culprits"][0]
    assert (first["fault"], first["blocks"], first["rank"]) == ("off", ["press"], 1)
    assert first["text"] == "press is off, and should be on"
    assert first["evidence"]
    assert 0.5 < first["share"] <= 1.0
    keys = {"what", "predicted", "measured", "difference", "unit"}
    assert all(set(one) == keys for one in document["measures"])
    assert any("latency is not told" in text for text in document["warnings"])


def test_nothing_comes_through(simchain_command: Simchain, recordings: Path) -> None:
    ran = simchain_command(*asked(recordings, "dead.wav"), "--order", "series")
    assert ran.status == 0
    assert "Nothing of the tones comes through" in ran.out
    assert "press passes nothing on" in ran.out
    assert "meter" in ran.out
    assert "Never record from a speaker output." in ran.out


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--order", "serie", "--passage", "riff"], "did you mean 'series'"),
        (["--order", "series", "--passage", "rif"], "did you mean 'riff'"),
        (["--order", "none", "--passage", "riff"], "has no blocks"),
        (["--order", "series", "--passage", "riff", "--loopback", "gone.wav"], "gone.wav"),
    ],
)
def test_what_is_refused(
    simchain_command: Simchain, tmp_path: Path, options: list[str], words: str
) -> None:
    (tmp_path / "board.toml").write_text(BOARD)
    ran = simchain_command(
        "verify", str(tmp_path / "board.toml"), str(tmp_path / "take.wav"), *options
    )
    print(ran.err)
    assert ran.status == 2
    assert words in ran.err
