"""Folders that nobody may write into: told in one line, before any long work, and nothing changed.

As root too: `disks.read_only` makes permissions count for it.
"""

import os
import re
import tempfile
from pathlib import Path

import pytest

from simchain.bench.desk import Desk
from simchain.bench.server import Bench
from simchain.bench.sounds import Sounds
from simchain.signal import float_wav, tone
from tests.bench.serving import TOKEN, Answer, served
from tests.bench.test_job_routes import begun, ended
from tests.conftest import TWO_ORDERS, Simchain, board_beside_tone
from tests.faults.disks import read_only
from tests.faults.writers import (
    WRITE_INTO_THE_BOARD,
    WRITERS,
    files_in,
    refused_in_one_line,
    typed,
)

pytestmark = pytest.mark.skipif(os.name != "posix", reason="permissions are POSIX")


@pytest.mark.parametrize("name", WRITERS)
def test_a_folder_that_is_read_only(
    name: str, tmp_path: Path, simchain_command: Simchain, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is rendered or listened to first: whatever reads a sound is made to fail."""

    def read(*_: object, **__: object) -> None:
        raise AssertionError("long work was begun in vain")

    for reads in ("chain.source", "fit.received", "measure.recordings"):
        monkeypatch.setattr(f"simchain.{reads}.read_clip", read)
    here, out = tmp_path / "here", tmp_path / "out"
    here.mkdir()
    out.mkdir()
    board_beside_tone(here, TWO_ORDERS)
    where = here if name in WRITE_INTO_THE_BOARD else out
    before = files_in(where)
    with read_only(where):
        ran = simchain_command(*typed(name, here, out))
        inside = simchain_command(*typed(name, here, out / "deeper"))
    refused_in_one_line(ran, where, "permission denied")
    assert files_in(where) == before
    if name in WRITE_INTO_THE_BOARD:
        assert inside == ran
    else:
        refused_in_one_line(inside, out / "deeper", "(permission denied|no such file or directory)")


SOUND = float_wav(tone(300.0, 0.1, 4_800, 48_000), 48_000)
AS_SOUND = {"Content-Type": "audio/wav"}


def refused(answer: Answer, words: str) -> None:
    (problem,) = answer.json()["problems"]
    assert answer.status == 422
    assert re.fullmatch(words, problem["text"]), problem


def test_a_bench_in_a_folder_that_is_read_only(tmp_path: Path) -> None:
    """It plays, keeps what is on the desk, and saves once it may."""
    desk = Desk.opened(board_beside_tone(tmp_path, TWO_ORDERS))
    before = files_in(tmp_path)
    with read_only(tmp_path), served(Bench(desk, tmp_path, Sounds(), TOKEN).app()) as client:
        assert client.get("/heard?order=a&passage=riff").status == 200
        client.post("/move", revision=0, order="a", block="grit", to="front", at=1)
        why = "permission denied"
        refused(client.post("/save", revision=1), rf"cannot write \S*board\.toml: {why}")
        asked = client.ask("POST", "/clip?name=mine.wav", SOUND, AS_SOUND)
        refused(asked, rf"cannot write \S*mine\.wav: {why}")
        assert files_in(tmp_path) == before
        tmp_path.chmod(0o755)
        told = client.post("/save", revision=1).json()
        assert (told["saved"], told["orders"][0]["front"]) == (True, ["push", "grit"])
        assert client.ask("POST", "/clip?name=mine.wav", SOUND, AS_SOUND).status == 200
        assert client.said == []


def test_a_temporary_folder_that_is_read_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What needs one is refused in a line, and done once there is one."""
    aside = tmp_path / "aside"
    aside.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(aside))
    bench = Bench(Desk.opened(board_beside_tone(tmp_path, TWO_ORDERS)), tmp_path, Sounds(), TOKEN)
    line = (
        f"cannot write into the temporary folder {aside}: permission denied; TMPDIR may name "
        "another"
    )
    with read_only(aside), served(bench.app()) as client:
        refused(client.ask("POST", "/clip?name=mine.wav", SOUND, AS_SOUND), re.escape(line))
        told = ended(client, begun(client, do="plan", order="a"))
        assert (told["state"], told["says"]) == ("failed", line)
        aside.chmod(0o755)
        told = ended(client, begun(client, do="plan", order="a"))
        assert (told["state"], len(list(aside.iterdir()))) == ("done", 1)
        assert client.ask("POST", "/clip?name=mine.wav", SOUND, AS_SOUND).status == 200
        assert bench.jobs.end(20.0)
        assert list(aside.iterdir()) == []
        assert client.said == []


def test_a_fault_of_ours_that_cannot_be_kept_is_told_all_the_same(
    tmp_path: Path, simchain_command: Simchain, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_: object) -> None:
        raise ZeroDivisionError("made up")

    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr("simchain.board.load_board", broken)
    with read_only(tmp_path):
        ran = simchain_command("check", tmp_path / "board.toml")
    assert (ran.status, ran.out) == (1, "")
    assert re.fullmatch(
        r"simchain has a fault of its own \(ZeroDivisionError in test_read_only\.py:\d+\); no more "
        r"is kept: permission denied\n",
        ran.err,
    )
