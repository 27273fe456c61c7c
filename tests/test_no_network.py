"""No command reaches for a network: with sockets forbidden each does what it does.

`bench` listens on this machine alone, and its page fetches nothing from elsewhere (tests/bench);
`search` talks to a scheduler only where one is named.
"""

import socket
from pathlib import Path
from typing import Any, NoReturn

import pytest

from tests.conftest import TWO_ORDERS, Simchain, board_beside_tone

COMMANDS: list[tuple[object, ...]] = [
    ("check",),
    ("blocks", "drive"),
    ("guide", "models"),
    ("render", "--order", "a", "--passage", "riff", "--out", "sounds"),
    ("levels", "--order", "a", "--out", "levels"),
    ("compare", "--orders", "a,b", "--out", "results"),
    ("swaps", "--order", "a"),
    ("search", "--out", "found"),
    ("plan", "--order", "a", "--out", "plan.html"),
    ("set-levels", "--order", "a"),
    ("tones", "tones.wav"),
]
WITHOUT_BOARD = {"blocks", "guide", "tones"}


def forbidden(*_: Any, **__: Any) -> NoReturn:
    raise AssertionError("a socket was asked for")


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: str(command[0]))
def test_no_command_asks_for_a_socket(
    simchain_command: Simchain,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    command: tuple[object, ...],
) -> None:
    name, *rest = command
    board = board_beside_tone(tmp_path, TWO_ORDERS.replace("riff]", "riff]\ntarget_lufs = -23"))
    monkeypatch.chdir(tmp_path)
    for way in ("socket", "create_connection", "getaddrinfo", "gethostbyname"):
        monkeypatch.setattr(socket, way, forbidden)
    ran = simchain_command(name, *(() if name in WITHOUT_BOARD else (board,)), *rest)
    assert (ran.status, ran.err.count("Traceback")) == (0, 0), ran.err


def test_the_guard_itself_forbids(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(socket, "socket", forbidden)
    with pytest.raises(AssertionError, match="a socket was asked for"):
        socket.socket(socket.AF_INET)
