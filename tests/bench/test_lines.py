"""Lines that nobody asks on, or reads from, are let go; others are not held up by them."""

import contextlib
import socket
import time
from collections.abc import Iterator

import pytest

from simchain.bench import lines
from simchain.bench.guard import Receive, Scope, Send
from tests.bench.serving import Client, served

LONG = 20_000_000  # more than two sockets hold


async def much(scope: Scope, _: Receive, send: Send) -> None:
    """Answer with much, or little."""
    body = bytes(LONG if scope["path"] == "/much" else 2)
    headers = [(b"content-type", b"audio/wav"), (b"content-length", b"%d" % len(body))]
    await send({"type": "http.response.start", "status": 200, "headers": headers})
    await send({"type": "http.response.body", "body": body})


@pytest.fixture
def client(monkeypatch: pytest.MonkeyPatch) -> Iterator[Client]:
    monkeypatch.setattr(lines, "WAITS_S", 0.3)
    monkeypatch.setattr(lines, "LOOKS_EVERY_S", 0.05)
    with served(much) as client:
        yield client


def is_dropped(line: socket.socket, within_s: float = 10.0) -> bool:
    """Whether the other side ends a line by then; what it still sends is read."""
    line.settimeout(within_s)
    try:
        while line.recv(1_000_000):
            pass
    except TimeoutError:
        return False
    except ConnectionError:
        pass
    return True


def is_broken_while_sending(line: socket.socket, within_s: float = 10.0) -> bool:
    """Whether the other side ends a line by then on which byte after byte is sent."""
    until = time.monotonic() + within_s
    with contextlib.suppress(ConnectionError):
        while time.monotonic() < until:
            line.sendall(b"x")
            time.sleep(0.02)
        return False
    return True


def head(client: Client, path: str, more: str = "") -> bytes:
    return f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{client.port}\r\n{more}\r\n".encode()


@pytest.mark.parametrize("sent", [b"", b"GET / HT", b"POST /clip HTTP/1.1\r\nHost: "])
def test_no_whole_head(client: Client, sent: bytes) -> None:
    with client.raw(sent) as line:
        assert client.get("/").status == 200
        assert is_dropped(line)


def test_a_head_that_comes_byte_by_byte_gets_no_more_time(client: Client) -> None:
    with client.raw(b"GET / HTTP/1.1\r\nLong: ") as line:
        assert is_broken_while_sending(line)


def test_a_body_behind_an_answer_gets_no_more_time(client: Client) -> None:
    """Nobody asked for it: a GET has been answered before it comes."""
    with client.raw(head(client, "/", "Content-Length: 100000\r\n")) as line:
        assert is_broken_while_sending(line)


def test_an_answer_that_is_not_read(client: Client) -> None:
    with client.raw(head(client, "/much")) as line:
        time.sleep(3.0)  # ten times as long as it waits
        came = 0
        with contextlib.suppress(ConnectionError):
            while part := line.recv(1_000_000):
                came += len(part)
        assert came < LONG


def test_an_answer_that_is_read_slowly_comes_whole(client: Client) -> None:
    with client.raw(head(client, "/much", "Connection: close\r\n")) as line:
        came = 0
        while part := line.recv(1_000_000):
            came += len(part)
            time.sleep(0.03)
        assert came > LONG


def test_a_new_line_takes_the_place_of_the_one_that_has_waited_longest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(lines, "MOST_LINES", 3)
    with served(much) as client, contextlib.ExitStack() as stack:
        waiting = [stack.enter_context(client.raw(b"GET / HT")) for _ in range(3)]
        assert client.get("/").status == 200
        assert is_dropped(waiting[0])
        assert not is_dropped(waiting[2], within_s=0.3)


def test_no_line_is_dropped_for_a_new_one_while_it_is_answered(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(lines, "MOST_LINES", 2)
    half = b"POST / HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nContent-Length: 9\r\n\r\n"
    with served(much) as client, contextlib.ExitStack() as stack:
        asking = [stack.enter_context(client.raw(half % client.port)) for _ in range(2)]
        time.sleep(0.2)
        assert is_dropped(stack.enter_context(client.raw(b"")))
        assert [is_dropped(line, within_s=0.1) for line in asking] == [False, False]
