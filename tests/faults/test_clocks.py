"""Clocks that jump: nothing is decided by the time of day, nor by the age of a file alone."""

import ast
import itertools
import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

import simchain
from simchain import files
from simchain.bench.desk import Desk
from simchain.bench.jobs import Job
from simchain.bench.sounds import Sounds
from simchain.board import load_board
from tests.conftest import TWO_ORDERS, Simchain, board_beside_tone
from tests.faults.writers import files_in, found_by_search

STEADY = {"monotonic", "perf_counter", "sleep"}
SOURCE = Path(simchain.__file__).parent


def said_of_time(tree: ast.AST) -> Iterator[str]:
    """Yield what code takes from clocks and from the ages of files."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module == "time":
            yield from (f"time.{name.name}" for name in node.names)
        elif isinstance(node, ast.Attribute):
            if isinstance(node.value, ast.Name) and node.value.id == "time":
                yield f"time.{node.attr}"
            elif node.attr in ("now", "utcnow", "today", "st_mtime", "st_mtime_ns", "st_ctime_ns"):
                yield node.attr


def test_no_code_asks_what_time_it_is() -> None:
    """Steady clocks may be asked; the age of a file is one part of its stamp, and nothing else.

    (`now` is what blocks are told of a moment of the sound: it is a name there, and no attribute.)
    """
    found = {
        (path.relative_to(SOURCE).as_posix(), what)
        for path in SOURCE.rglob("*.py")
        for what in said_of_time(ast.parse(path.read_text()))
    }
    assert ("decide/checkpoint.py", "time.monotonic") in found
    others = {(path, what) for path, what in found if what.removeprefix("time.") not in STEADY}
    ages = {("files.py", "st_mtime_ns"), ("files.py", "st_ctime_ns")}
    assert others == ages


@pytest.fixture(params=["back", "on", "to and fro"])
def jumping(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the time of day jump by years whenever it is asked for."""
    steps = {"back": (-1e9, -2e9), "on": (1e9, 2e9), "to and fro": (1e9, -1e9)}[request.param]
    jumps, real = itertools.cycle(steps), time.time
    monkeypatch.setattr(time, "time", lambda: real() + next(jumps))
    monkeypatch.setattr(time, "time_ns", lambda: int(1e9 * time.time()))


@pytest.mark.usefixtures("jumping")
def test_a_command_makes_the_same_bytes(
    tmp_path: Path, simchain_command: Simchain, monkeypatch: pytest.MonkeyPatch
) -> None:
    board = board_beside_tone(tmp_path, TWO_ORDERS)
    render = ("render", board, "--order", "a", "--passage", "riff", "--out")
    assert simchain_command(*render, tmp_path / "jumping").status == 0
    monkeypatch.undo()
    monkeypatch.setattr("sys.argv", ["simchain"])
    assert simchain_command(*render, tmp_path / "steady").status == 0
    assert files_in(tmp_path / "jumping") == files_in(tmp_path / "steady")


@pytest.mark.usefixtures("jumping")
def test_a_search_keeps_what_it_heard(tmp_path: Path) -> None:
    board = load_board(board_beside_tone(tmp_path, TWO_ORDERS))
    kept = tmp_path / "kept"
    first, lines = found_by_search(board, kept), kept.read_bytes()
    assert found_by_search(board, kept) == first
    assert kept.read_bytes() == lines


@pytest.mark.usefixtures("jumping")
def test_work_of_the_bench_is_not_taken_to_be_given_up() -> None:
    job = Job("it", "The work")
    for part in range(5):
        job.progress(part, 5, "a part")
        assert job.left_s is None or 0.0 <= job.left_s < 60.0
    assert not job.stop.is_set()


def test_a_board_with_a_date_to_come_or_long_past(tmp_path: Path) -> None:
    """What the file holds counts, not its date."""
    path = board_beside_tone(tmp_path, TWO_ORDERS)
    desk = Desk.opened(path)
    for date in (4 * 10**18, 0):
        os.utime(path, ns=(date, date))
        desk.move("a", "grit", "front", int(date > 0))
        desk.save()
        assert desk.saved
        assert path.read_text() == desk.text


def test_a_clip_with_a_date_to_come_or_long_past(tmp_path: Path) -> None:
    board = load_board(board_beside_tone(tmp_path, TWO_ORDERS))
    sounds = Sounds()
    first = sounds.heard(board, "a", "riff", None).key
    for date in (4 * 10**18, 0):
        os.utime(tmp_path / "clip.wav", ns=(date, date))
        assert sounds.heard(board, "a", "riff", None).key == first


def test_what_is_left_over_is_swept_whatever_its_date(tmp_path: Path) -> None:
    for number, date in enumerate((4 * 10**18, 0)):
        left = tmp_path / f".simchain-left{number}.part"
        left.write_text("half a file")
        os.utime(left, ns=(date, date))
    files.prepare_folder(tmp_path)
    assert list(tmp_path.iterdir()) == []
