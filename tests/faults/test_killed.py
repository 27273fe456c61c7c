"""SIGKILL at random moments: the board file is whole, and so is every file under its final name.

A few times in the usual run; 40 times each, 240 in all, with
`pytest -m soak tests/faults/test_killed.py`.
"""

import contextlib
import http.client
import json
import os
import random
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile

from simchain.bench.desk import Desk
from simchain.board import load_board
from simchain.fit.received import given_volts
from tests.conftest import TWO_ORDERS, board_beside_tone
from tests.fit.recorder import Interface

pytestmark = pytest.mark.skipif(os.name != "posix", reason="SIGKILL is POSIX")

FEW, MANY = 2, 40
COMMANDS = {
    "render": ["--order", "a", "--passage", "riff", "--points", "--out", "out"],
    "compare": ["--orders", "a,b", "--pictures", "--out", "out"],
    "search": ["--checkpoint", "kept", "--out", "out"],
    "fit": ["push", "unit.wav", "--loopback", "loop.wav", "--write"],
}
LEFTOVER = ".simchain-"


def simchain(folder: Path, name: str, *options: str) -> "subprocess.Popen[str]":
    code = "import sys; from simchain.cli import main; sys.argv[0] = 'simchain'; main()"
    return subprocess.Popen(
        [sys.executable, "-c", code, name, "board.toml", *options],
        cwd=folder,
        env={**os.environ, "TMPDIR": str(folder / "aside")},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A board beside its clip."""
    folder = tmp_path_factory.mktemp("killed")
    (folder / "aside").mkdir()
    board_beside_tone(folder, TWO_ORDERS, seconds=2.0)
    return folder


def record_unit(folder: Path) -> None:
    """Record a wire that doubles, and a loop-back."""
    interface = Interface(full_scale_volts=6.0)
    interface.record(folder / "loop.wav", given_volts(), begins_s=0.5, seed=1)
    interface.record(folder / "unit.wav", 2.0 * given_volts(), begins_s=0.3, seed=2)


def assert_whole(path: Path) -> None:
    """Raise unless the file is one that was written to its end."""
    if path.suffix in (".wav", ".flac"):
        samples, _ = soundfile.read(path)
        assert len(samples) == soundfile.info(path).frames > 0
    elif path.suffix == ".json":
        json.loads(path.read_text())
    elif path.suffix == ".html":
        assert path.read_text().rstrip().endswith("</html>")
    elif path.suffix == ".png":
        assert path.read_bytes().endswith(b"IEND\xaeB`\x82")


def moments(folder: Path, name: str, times: int) -> Iterator[float]:
    """Yield so many moments, from the start to somewhat after the end of a run left alone."""
    begun = time.monotonic()
    process = simchain(folder, name, *COMMANDS[name])
    _, said = process.communicate(timeout=120)
    assert process.returncode == 0, said
    whole_s = time.monotonic() - begun
    draw = random.Random(7)
    yield from (draw.uniform(0.3, 1.1) * whole_s for _ in range(times))


@pytest.mark.parametrize(
    ("name", "times"),
    [
        pytest.param("render", FEW, id="render-few"),
        *(pytest.param(name, MANY, id=name, marks=pytest.mark.soak) for name in COMMANDS),
    ],
)
def test_nothing_half_done_is_left(folder: Path, name: str, times: int) -> None:
    board, out = folder / "board.toml", folder / "out"
    before = board.read_text()
    if name == "fit":
        record_unit(folder)
    ended = 0
    for moment in moments(folder, name, times):
        for file in out.glob("*"):
            file.unlink()
        process = simchain(folder, name, *COMMANDS[name])
        time.sleep(moment)
        ended += process.poll() is not None
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        if name == "fit":  # it may write into the board: then all of it
            load_board(board)
            assert 'clip = "clip.wav"' in board.read_text()
        else:
            assert board.read_text() == before
        for file in [*out.glob("*"), *folder.glob("*")]:
            if file.is_file() and not file.name.startswith(LEFTOVER):
                assert_whole(file)
        if name == "search":
            (folder / "kept").unlink(missing_ok=True)
    print(f"{name}: {times} times, {ended} had ended before")
    assert ended < times
    process = simchain(folder, name, *COMMANDS[name])
    _, said = process.communicate(timeout=120)
    assert process.returncode == 0, said
    left = out if name != "fit" else folder  # swept by whoever writes there next
    assert [file.name for file in left.glob(f"{LEFTOVER}*")] == []
    assert list((folder / "aside").iterdir()) == []
    (folder / "kept").unlink(missing_ok=True)


FOUR_BLOCKS = """
tail_s = 0.1
source = { kind = "guitar", clip = "clip.wav" }
[blocks]
grit = { kind = "drive" }
push = { kind = "boost", gain_db = 12 }
more = { kind = "drive", gain_db = 30 }
dirt = { kind = "fuzz" }
[orders.a]
front = ["grit", "push", "more", "dirt"]
[passages.riff]
on = ["grit", "push", "more", "dirt"]
"""


@pytest.mark.soak
@pytest.mark.parametrize("times", [MANY])
def test_a_search_goes_on_to_the_same_end(tmp_path: Path, times: int) -> None:
    """Killed at any length of its checkpoint, over what is left, until little is missing.

    Then it is left alone, and begun anew.
    """
    board_beside_tone(tmp_path, FOUR_BLOCKS, seconds=2.0)
    (tmp_path / "aside").mkdir()
    part = tmp_path / "part"

    def begun(checkpoint: Path) -> "subprocess.Popen[str]":
        return simchain(tmp_path, "search", "--coarse", "--json", "--checkpoint", checkpoint.name)

    def found(checkpoint: Path) -> str:
        process = begun(checkpoint)
        out, said = process.communicate(timeout=300)
        assert process.returncode == 0, said
        return json.dumps(json.loads(out) | {"seconds": None, "blocks_rendered": None})

    def kept() -> int:
        return part.stat().st_size if part.exists() else 0

    whole = found(tmp_path / "whole")
    whole_bytes = (tmp_path / "whole").stat().st_size
    draw, shares = random.Random(11), []
    while len(shares) < times:
        process, enough = begun(part), draw.uniform(kept(), whole_bytes)
        while process.poll() is None and kept() < enough:
            time.sleep(0.001)
        with contextlib.suppress(ProcessLookupError):  # it may just have ended
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        shares.append(kept() / whole_bytes)
        if shares[-1] > 0.9:
            assert found(part) == whole
            part.unlink()
    print(f"search: {times} times, with so much kept: {[round(share, 2) for share in shares]}")
    assert any(0.1 < share < 0.9 for share in shares)
    assert found(part) == whole


def saving(port: int, token: str, until: float, saved: list[int]) -> None:
    """Change the board and save it, over and over, until the bench is gone; add each to `saved`."""

    def post(path: str, body: dict[str, object]) -> dict[str, int]:
        request = urllib.request.Request(
            f"http://127.0.0.1:{port}{path}",
            json.dumps(body).encode(),
            {"Bench-Token": token, "Content-Type": "application/json"},
        )
        with urllib.request.urlopen(request, timeout=10) as answer:
            return dict(json.load(answer))

    revision, count = 0, 0
    while time.monotonic() < until:
        value = float(count % 40)
        change = {"path": ["blocks", "push", "gain_db"], "value": value}
        told = post("/change", {"revision": revision, "changes": [change]})
        told = post("/save", {"revision": told["revision"], "over": True})
        revision, count = told["revision"], count + 1
        saved.append(revision)


@pytest.mark.parametrize(
    "times",
    [pytest.param(FEW, id="few"), pytest.param(MANY, id="many", marks=pytest.mark.soak)],
)
def test_a_bench_that_is_killed_while_it_saves(times: int) -> None:
    draw, saved = random.Random(5), []  # type: ignore[var-annotated]
    code = "import sys; from simchain.cli import main; sys.argv[0] = 'simchain'; main()"
    with tempfile.TemporaryDirectory() as name:
        board = board_beside_tone(Path(name), TWO_ORDERS)
        for _ in range(times):
            process = subprocess.Popen(
                [sys.executable, "-c", code, "bench", str(board), "--no-open", "--port", "0"],
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
            )
            assert process.stdout
            address = process.stdout.readline().strip()
            with urllib.request.urlopen(address, timeout=30) as page:
                found = re.search(r'name="bench-token" content="([^"]+)"', page.read().decode())
            assert found
            port = int(address.rstrip("/").rpartition(":")[2])
            killed_at = time.monotonic() + draw.uniform(0.05, 0.6)
            killer = threading.Timer(max(0.0, killed_at - time.monotonic()), process.kill)
            killer.start()
            with contextlib.suppress(OSError, http.client.HTTPException):
                saving(port, found[1], killed_at + 5.0, saved)
            killer.join()
            process.communicate()
            loaded = load_board(board)
            assert set(loaded.blocks) == {"grit", "push"}
            assert board.read_text().startswith("\ntail_s = 0.1")
        print(f"bench: {times} times, between {len(saved)} saves")
        assert saved
        Desk.opened(board).save()
        assert {path.name for path in board.parent.iterdir()} == {"board.toml", "clip.wav"}
