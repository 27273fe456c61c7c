"""`simchain bench` as a newcomer starts it: its one line, its end, and what goes wrong."""

import io
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.request import Request, urlopen

import numpy as np
import pytest
import soundfile

from simchain.board import load_board
from simchain.chain.render import render
from tests.conftest import TWO_ORDERS, Simchain, board_beside_tone

posix = pytest.mark.skipif(sys.platform == "win32", reason="needs signals")

ADDRESS = re.compile(r"http://127\.0\.0\.1:\d+/\n")


@pytest.fixture
def board(tmp_path: Path) -> Path:
    return board_beside_tone(tmp_path, TWO_ORDERS)


Process = subprocess.Popen[str]


@contextmanager
def started(*options: object, folder: Path | None = None) -> Iterator[Process]:
    """Start the command as a terminal does, and end it whatever happens."""
    command = shutil.which("simchain", path=os.path.dirname(sys.executable))  # noqa: PTH120
    assert command
    process = subprocess.Popen(
        [command, "bench", "--no-open", *map(str, options)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        cwd=folder,
    )
    with process:
        try:
            yield process
        finally:
            process.kill()


def address_of(process: Process) -> str:
    assert process.stdout
    line = process.stdout.readline()
    assert ADDRESS.fullmatch(line), (line, process.stderr and process.stderr.read())
    return line.strip()


def answer_to(address: str, **headers: str) -> bytes:
    with urlopen(Request(address, headers=headers), timeout=60) as answer:
        return bytes(answer.read())


def post(address: str, where: str, **body: Any) -> Any:
    page = answer_to(address).decode()
    token = re.search(r'name="bench-token" content="([^"]+)"', page)
    assert token
    request = Request(
        address + where,
        json.dumps(body).encode(),
        {"Bench-Token": token[1], "Content-Type": "application/json"},
    )
    with urlopen(request, timeout=60) as answer:
        return json.loads(answer.read())


def ended_by_ctrl_c(process: Process) -> tuple[str, str]:
    """End the command as ctrl-c does, and return what else it printed."""
    since = time.monotonic()
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert time.monotonic() - since < 10
    return out, err


@posix
def test_one_line_a_page_a_sound_a_saved_move_and_a_quiet_end(board: Path) -> None:
    before = load_board(board)
    with started(board) as process:
        address = address_of(process)
        told = json.loads(answer_to(f"{address}board"))
        assert [order["name"] for order in told["orders"]] == ["a", "b"]
        heard = json.loads(answer_to(f"{address}heard?order=a&passage=riff"))
        wav = answer_to(f"{address}sound/{heard['key']}.wav")
        moved = post(address, "move", revision=0, order="a", block="push", to="front", at=0)
        assert moved["orders"][0]["front"] == ["push", "grit"]
        assert post(address, "save", revision=1, over=False)["saved"]
        again = json.loads(answer_to(f"{address}heard?order=a&passage=riff"))
        other = json.loads(answer_to(f"{address}heard?order=b&passage=riff"))
        assert again["key"] == other["key"] != heard["key"]
        assert ended_by_ctrl_c(process) == ("", "")
    saved = load_board(board)
    assert saved.orders["a"].front == ("push", "grit")
    # What is heard is what the library renders, to float32.
    samples, rate = soundfile.read(io.BytesIO(wav), always_2d=True)
    wanted = render(before, "a", "riff").output
    assert rate == wanted.rate
    assert np.max(np.abs(samples.T - wanted.samples)) < 1e-6 * np.max(np.abs(wanted.samples))


@posix
def test_without_a_board_starters_are_offered(tmp_path: Path) -> None:
    with started(folder=tmp_path) as process:
        address = address_of(process)
        assert not json.loads(answer_to(f"{address}board"))["begun"]
        document = post(address, "start", name="electric", file="mine.toml")
        assert document["file"] == "mine.toml"
        assert ended_by_ctrl_c(process) == ("", "")
    assert load_board(tmp_path / "mine.toml").orders


@posix
def test_ctrl_c_while_a_sound_is_rendered_and_a_request_is_half_sent(board: Path) -> None:
    with started(board) as process:
        port = int(address_of(process).rsplit(":")[-1].strip("/"))
        lines = [socket.create_connection(("127.0.0.1", port), timeout=10) for _ in range(3)]
        host = f"Host: 127.0.0.1:{port}\r\n"
        lines[0].sendall(f"GET /heard?order=a&passage=riff HTTP/1.1\r\n{host}\r\n".encode())
        lines[1].sendall(b"GET / HT")
        out, err = ended_by_ctrl_c(process)
        for line in lines:
            line.close()
    assert (out, err) == ("", "")


@posix
def test_a_port_that_was_asked_for(board: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    with started(board, "--port", port) as process:
        assert address_of(process) == f"http://127.0.0.1:{port}/"


def test_a_port_that_is_taken(simchain_command: Simchain, board: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        ran = simchain_command("bench", board, "--no-open", "--port", port)
    assert (ran.status, ran.out) == (2, "")
    assert f"port {port} cannot be used (address already in use)" in ran.err
    assert len(ran.err.strip().splitlines()) == 1


@posix
def test_nobody_else_is_answered(board: Path) -> None:
    """The bench listens on the loopback address: other addresses of this machine are closed."""
    with started(board) as process:
        port = int(address_of(process).rsplit(":")[-1].strip("/"))
        with socket.socket() as line:
            line.settimeout(5)
            assert line.connect_ex(("127.0.0.2", port)) != 0


MISTAKES = [
    (["gone.toml"], "there is no such file"),
    (["."], "is a folder"),
    (["clip.wav"], "is not UTF-8 text"),
    (["broken.toml"], "[blocks.grit] gain_db = 900"),
    (["board.toml", "--port", "80"], "--port 80: allowed is 0, for any, or 1024 to 65535"),
    (["board.toml", "--port", "-1"], "'--port'"),
    (["board.toml", "--port", "70000"], "'--port'"),
    (["board.toml", "--port", "any"], "'--port'"),
    (["board.toml", "more.toml"], "unexpected extra argument"),
]


@pytest.mark.parametrize(("options", "said"), MISTAKES, ids=[said for _, said in MISTAKES])
def test_mistakes(
    simchain_command: Simchain,
    board: Path,
    options: list[str],
    said: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(board.parent)
    text = TWO_ORDERS.replace('{ kind = "drive" }', '{ kind = "drive", gain_db = 900 }')
    Path("broken.toml").write_text(text)
    ran = simchain_command("bench", "--no-open", *options)
    assert (ran.status, ran.out) == (2, "")
    assert said in ran.err
    if "Usage" not in ran.err:
        assert len(ran.err.strip().splitlines()) == 1


def test_the_browser_is_opened_unless_told_otherwise(
    simchain_command: Simchain, board: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[str] = []

    def served(*_: object, listens: Any, **__: object) -> None:
        listens("http://127.0.0.1:12345/")
        until = time.monotonic() + 5
        while not opened and time.monotonic() < until:
            time.sleep(0.01)
        raise KeyboardInterrupt

    monkeypatch.setattr("simchain.bench.run.run", served)
    monkeypatch.setattr("webbrowser.open", lambda address: opened.append(address) or True)
    ran = simchain_command("bench", board)
    assert (ran.status, ran.out, ran.err) == (130, "http://127.0.0.1:12345/\n", "")
    assert opened == ["http://127.0.0.1:12345/"]


def test_no_browser_is_opened_when_told_so(
    simchain_command: Simchain, board: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def served(*_: object, listens: Any, **__: object) -> None:
        listens("http://127.0.0.1:12345/")

    def opened(address: str) -> bool:
        raise AssertionError(address)

    monkeypatch.setattr("simchain.bench.run.run", served)
    monkeypatch.setattr("webbrowser.open", opened)
    ran = simchain_command("bench", board, "--no-open")
    assert (ran.status, ran.out) == (0, "http://127.0.0.1:12345/\n")


def test_the_help_explains_every_option(simchain_command: Simchain) -> None:
    lines = simchain_command("bench", "--help").out.splitlines()
    listed = [line.split() for line in lines if line.startswith("  --")]
    assert {words[0] for words in listed} >= {"--port", "--no-open"}
    assert all(len(words) > 3 for words in listed)
    assert all(len(line) <= 80 for line in lines)
