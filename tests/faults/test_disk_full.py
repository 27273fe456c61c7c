"""A disk without room: one line that names the file, and every file whole or as it was.

Each command first does all of its work, so that it is known what it writes; then once more with too
little room, into an empty folder and over what stands there. All commands, at many sizes:
`pytest -m soak tests/faults/test_disk_full.py`.
"""

import gc
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from simchain.bench.desk import Desk
from simchain.bench.server import Bench
from simchain.bench.sounds import Sounds
from simchain.chain import wires
from simchain.chain.aside import Aside
from tests.bench.serving import TOKEN, Answer, Client, served
from tests.bench.test_job_routes import begun, ended
from tests.conftest import TWO_ORDERS, Ran, Simchain, board_beside_tone
from tests.faults.disks import files_up_to, small_disk
from tests.faults.writers import (
    BOARD,
    QUICK,
    WRITE_INTO_THE_BOARD,
    WRITERS,
    files_in,
    prepare,
    refused_in_one_line,
    typed,
)

pytestmark = pytest.mark.skipif(os.name != "posix", reason="limits are POSIX")

FULL = r"(file too large|no space left on device)"
SIZES = (0, 700, 6_000, 30_000, 120_000, 500_000)
FEW_SIZES = (0, 30_000)
WRITE_ONCE = (*WRITE_INTO_THE_BOARD, "new")


class Place:
    """A folder with a board, where a command writes, and what is there before and after it has."""

    def __init__(self, name: str, folder: Path, command: Simchain) -> None:
        self.name, self._command = name, command
        self.here = folder / "here"
        self.out = self.here if name in WRITE_INTO_THE_BOARD else folder / "out"
        for each in {self.here, self.out}:
            each.mkdir()
        prepare(name, self.here)
        self.empty = files_in(self.out)
        assert self.run().status == 0
        self.done = files_in(self.out)
        assert self.done != self.empty

    def run(self) -> Ran:
        return self._command(*typed(self.name, self.here, self.out))

    def states(self) -> list[dict[str, bytes]]:
        """Return what may lie there before a command begins."""
        begun = {name: content for name, content in self.done.items() if name != "kept"}
        return [self.empty] if self.name in WRITE_ONCE else [self.empty, begun]

    def lay(self, state: dict[str, bytes]) -> None:
        for path in self.out.iterdir():
            path.unlink()
        for name, content in state.items():
            (self.out / name).write_bytes(content)

    def ended_well(self, ran: Ran, before: dict[str, bytes]) -> bool:
        """Whether there was room; raise unless all is told, and each file whole or as it was."""
        if ran.status:
            refused_in_one_line(ran, self.out, FULL)
        after = files_in(self.out)
        assert set(before) <= set(after)
        for name, content in after.items():
            if name == "kept":  # lines are added to it, none of them by half
                assert content[-1:] in (b"", b"\n")
            else:
                assert content in (before.get(name), self.done.get(name)), name
        return ran.status == 0

    def goes_on(self) -> None:
        """Raise unless a command makes all that it should of what it has left."""
        if self.name == "new":  # leaves alone what is there
            (self.out / "new.toml").unlink(missing_ok=True)
        assert self.run().status == 0
        assert {**files_in(self.out), "kept": b""} == {**self.done, "kept": b""}


each_writer = pytest.mark.parametrize(
    "name",
    [name if name in QUICK else pytest.param(name, marks=pytest.mark.soak) for name in WRITERS],
)


@each_writer
def test_files_that_may_not_grow(name: str, tmp_path: Path, simchain_command: Simchain) -> None:
    place, had_room = Place(name, tmp_path, simchain_command), []
    for size in FEW_SIZES if name in (*QUICK, "demo") else SIZES:
        for before in place.states():
            place.lay(before)
            with files_up_to(size):
                ran = place.run()
            had_room.append(place.ended_well(ran, before))
    assert not had_room[0]
    if name not in WRITE_INTO_THE_BOARD:
        place.goes_on()


@each_writer
def test_a_disk_that_is_full(name: str, tmp_path: Path, simchain_command: Simchain) -> None:
    """A disk of its own, where one may be mounted: full, and then with a little room."""
    place = Place(name, tmp_path, simchain_command)
    with small_disk(place.out, 16_000_000) as disk:
        for before in place.states():
            for left_bytes in (0,) if name in QUICK else (0, 8_192, 120_000):
                place.lay(before)
                with disk.full(left_bytes):
                    had_room = place.ended_well(place.run(), before)
                assert left_bytes or not had_room


@pytest.mark.parametrize("by", ["limit", "disk"])
def test_a_bench_saves_once_there_is_room(by: str, tmp_path: Path) -> None:
    with small_disk(tmp_path, 1_000_000) as disk:
        board = board_beside_tone(tmp_path, TWO_ORDERS)
        bench = Bench(Desk.opened(board), tmp_path, Sounds(), TOKEN)
        with served(bench.app()) as client:
            client.post("/move", revision=0, order="a", block="grit", to="front", at=1)
            before, sound = files_in(tmp_path), (tmp_path / "clip.wav").read_bytes()
            with disk.full() if by == "disk" else files_up_to(0):
                for refused in (client.post("/save", revision=1), keep_clip(client, sound)):
                    (problem,) = refused.json()["problems"]
                    assert refused.status == 422
                    assert re.fullmatch(rf"cannot write .*: {FULL}(; .*)?", problem["text"])
                assert not client.get("/board").json()["saved"]
                assert files_in(tmp_path) == before
            assert client.post("/save", revision=1).json()["saved"]
            assert keep_clip(client, sound).status == 200
            assert set(files_in(tmp_path)) == {"board.toml", "clip.wav", "mine.wav"}
            assert client.said == []


def keep_clip(client: Client, sound: bytes) -> Answer:
    return client.ask("POST", "/clip?name=mine.wav", sound, {"Content-Type": "audio/wav"})


def test_a_job_of_the_bench_says_so_and_the_next_one_is_done(tmp_path: Path) -> None:
    bench = Bench(Desk.opened(board_beside_tone(tmp_path, TWO_ORDERS)), tmp_path, Sounds(), TOKEN)
    with served(bench.app()) as client:
        with files_up_to(10_000):
            told = ended(client, begun(client, do="plan", order="a"))
        assert told["state"] == "failed"
        assert re.fullmatch(rf"cannot write \S*tone-\d+-hz\.wav: {FULL}", told["says"])
        assert ended(client, begun(client, do="plan", order="a"))["state"] == "done"
        assert bench.jobs.end(20.0)
        assert client.said == []


def test_a_long_sound_without_room_aside_waits_in_memory(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """And nothing is said of it, also when all is cleared away."""
    monkeypatch.setattr(wires, "LARGE_BYTES", 0)
    volts = np.random.default_rng(3).normal(size=(2, 50_000))
    with files_up_to(100_000):
        kept = wires.Wires({0: volts}, frozenset({0})).waiting().outputs[0]
        with pytest.raises(OSError, match="File too large"):
            Aside(volts)
    assert kept is volts
    gc.collect()
    assert capfd.readouterr() == ("", "")


PRINTS = {
    "help": "--help",
    "blocks": "blocks drive --json",
    "guide": "guide start",
    "check": "check {here}/board.toml",
    "levels": "levels {here}/board.toml --order a --json",
    "swaps": "swaps {here}/board.toml --order a",
    "render": WRITERS["render"],
    "set-levels": "set-levels {here}/board.toml --order a",
}


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is full")
@pytest.mark.parametrize(
    "name",
    [
        each if each in ("help", "check") else pytest.param(each, marks=pytest.mark.soak)
        for each in PRINTS
    ],
)
def test_what_is_printed_into_a_full_disk(name: str, tmp_path: Path) -> None:
    board_beside_tone(tmp_path, BOARD)
    words = [word.format(here=tmp_path, out=tmp_path / "out") for word in PRINTS[name].split()]
    code = "import sys; from simchain.cli import main; sys.argv[0] = 'simchain'; main()"
    with Path("/dev/full").open("w") as full:
        ran = subprocess.run(
            [sys.executable, "-c", code, *words],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
        assert ran.stderr == "cannot write what is printed: no space left on device\n"
        assert ran.returncode == 2
        mute = subprocess.run(
            [sys.executable, "-c", code, "check", "none"], stdout=full, stderr=full, check=False
        )
        assert mute.returncode == 2


@pytest.mark.parametrize("words", [["--version"], ["blocks", "drive", "--json"]])
def test_nobody_reads_what_is_printed(words: list[str]) -> None:
    """A pipe into a command that has ended: nothing is said, as of other commands."""
    reads, writes = os.pipe()
    os.close(reads)
    code = "import sys; from simchain.cli import main; sys.argv[0] = 'simchain'; main()"
    ran = subprocess.run(
        [sys.executable, "-c", code, *words], stdout=writes, stderr=subprocess.PIPE, check=False
    )
    os.close(writes)
    assert (ran.returncode, ran.stderr) == (1, b"")
