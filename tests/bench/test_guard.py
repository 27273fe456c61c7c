"""Who may ask, how much, and what goes back; one broken request ends with itself."""

import json
import time
from collections.abc import Iterator

import pytest

from simchain.bench import guard
from simchain.bench.guard import LARGEST_JSON, Receive, Scope, Send
from tests.bench.serving import TOKEN, Client, served


async def echo(scope: Scope, receive: Receive, send: Send) -> None:
    """Answer with the body; or break, before or behind the start of the answer."""
    if scope["path"] == "/broken":
        raise KeyError("a\nfault")
    message = await receive()
    assert not message.get("more_body")
    headers = [(b"content-type", b"text/plain"), (b"content-length", b"%d" % len(message["body"]))]
    if scope["path"] == "/kept":
        headers.append((b"Cache-Control", b"immutable"))
    await send({"type": "http.response.start", "status": 200, "headers": headers})
    if scope["path"] == "/half":
        raise KeyError("late")
    await send({"type": "http.response.body", "body": message["body"]})


@pytest.fixture(scope="module")
def client() -> Iterator[Client]:
    with served(echo) as client:
        yield client


def test_its_own_page_is_answered(client: Client) -> None:
    assert client.get("/").status == 200
    assert client.ask("POST", "/x", b'{"a": 1}').body == b'{"a": 1}'
    assert client.ask("HEAD", "/").status == 200


@pytest.mark.parametrize("name", ["127.0.0.1", "localhost", "[::1]", "LOCALHOST"])
def test_each_of_its_own_names(client: Client, name: str) -> None:
    host = f"{name}:{client.port}"
    own = {"Host": host, "Origin": f"http://{host}"}
    assert client.ask("POST", "/", b"{}", own).status == 200


HOSTS = [
    "elsewhere.example",
    "elsewhere.example:{port}",
    "127.0.0.1",
    "127.0.0.1:1",
    "localhost",
    "127.0.0.1.elsewhere.example:{port}",
    "127.0.0.2:{port}",
    "0.0.0.0:{port}",
    "user@127.0.0.1:{port}",
    "127.0.0.1:{port}.",
    "127.0.0.1:0{port}",
]


@pytest.mark.parametrize("host", HOSTS)
@pytest.mark.parametrize("method", ["GET", "HEAD", "POST"])
def test_a_foreign_host_is_refused(client: Client, host: str, method: str) -> None:
    body = b"{}" if method == "POST" else None
    answer = client.ask(method, "/", body, {"Host": host.format(port=client.port)})
    assert answer.status == 403
    assert answer.headers["content-type"].startswith("text/plain")


ORIGINS = [
    "http://elsewhere.example",
    "null",
    "https://127.0.0.1:{port}",
    "http://127.0.0.1",
    "http://127.0.0.1:{port}/",
    "http://127.0.0.1:{port}.elsewhere.example",
    "http://elsewhere.example#http://127.0.0.1:{port}",
    "file://",
]


@pytest.mark.parametrize("origin", ORIGINS)
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_a_foreign_origin_is_refused(client: Client, origin: str, method: str) -> None:
    body = b"{}" if method == "POST" else None
    answer = client.ask(method, "/", body, {"Origin": origin.format(port=client.port)})
    assert answer.status == 403


@pytest.mark.parametrize("lines", [b"", b"Host: {own}\r\nHost: elsewhere.example\r\n"])
def test_no_host_and_two_hosts_are_refused(client: Client, lines: bytes) -> None:
    lines = lines.replace(b"{own}", b"127.0.0.1:%d" % client.port)
    with client.raw(b"GET / HTTP/1.1\r\n" + lines + b"Connection: close\r\n\r\n") as line:
        assert line.makefile("rb").readline().split()[1] in (b"400", b"403")
    with client.raw(b"GET / HTTP/1.0\r\n\r\n") as line:
        assert line.makefile("rb").readline().split()[1] == b"403"


def test_other_sites_may_lead_to_the_page_and_nowhere_behind_it(client: Client) -> None:
    for site in ("cross-site", "same-site"):
        assert client.get("/", **{"Sec-Fetch-Site": site}).status == 200
        assert client.get("/against", **{"Sec-Fetch-Site": site}).status == 403
    for site in ("same-origin", "none"):
        assert client.get("/against", **{"Sec-Fetch-Site": site}).status == 200


@pytest.mark.parametrize("token", ["", "x", TOKEN[:-1], TOKEN + "x", TOKEN.upper(), "ä"])
def test_a_change_needs_the_token(client: Client, token: str) -> None:
    answer = client.ask("POST", "/", b"{}", {"Bench-Token": token})
    assert answer.status == 403
    assert b"load it anew" in answer.body


@pytest.mark.parametrize(
    "kind", ["", "text/plain", "application/x-www-form-urlencoded", "multipart/form-data"]
)
def test_what_a_form_can_send_is_no_request(client: Client, kind: str) -> None:
    assert client.ask("POST", "/", b"{}", {"Content-Type": kind}).status == 415


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "PATCH", "TRACE", "MADE-UP"])
def test_other_methods(client: Client, method: str) -> None:
    assert client.ask(method, "/").status == 405


def test_every_answer_carries_the_headers(client: Client) -> None:
    refused = client.get("/", Host="elsewhere.example")
    for answer in (client.get("/"), refused, client.get("/broken")):
        assert {name: answer.headers[name] for name in guard.HEADERS} == guard.HEADERS
        assert "server" not in answer.headers
    policy = guard.HEADERS["content-security-policy"]
    assert "unsafe" not in policy
    assert all(part in policy for part in ("default-src 'none'", "frame-ancestors 'none'"))
    assert client.get("/kept").headers["cache-control"] == "immutable"


# Sizes


def test_the_largest_body_fits_and_one_byte_more_does_not(client: Client) -> None:
    assert len(client.ask("POST", "/", b"x" * LARGEST_JSON).body) == LARGEST_JSON
    answer = client.ask("POST", "/", b"x" * (LARGEST_JSON + 1))
    assert (answer.status, answer.body) == (413, b"1 MB is the most that is read at once")


def pieces(count: int) -> Iterator[bytes]:
    for _ in range(count):
        yield b"x" * 100_000


def test_a_body_of_untold_length_is_counted(client: Client) -> None:
    untold = {"Transfer-Encoding": "chunked"}
    assert client.ask("POST", "/", pieces(10), untold, chunked=True).status == 200
    assert client.ask("POST", "/", pieces(11), untold, chunked=True).status == 413
    assert client.ask("POST", "/", pieces(50), untold, chunked=True).status == 413


def test_a_refused_request_is_not_read_at_length(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert guard.READS_ON_S < 5
    monkeypatch.setattr(guard, "READS_ON_S", 0.2)
    since = time.monotonic()
    told = b"POST / HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nContent-Length: 99999999999\r\n\r\n"
    with client.raw(told % client.port) as line:
        assert line.makefile("rb").readline().split()[1] == b"403"
    assert time.monotonic() - since < 10


@pytest.mark.parametrize("length", ["-1", "many", "1e3", "²"])
def test_lengths_that_are_none(client: Client, length: str) -> None:
    head = (
        f"POST / HTTP/1.1\r\nHost: 127.0.0.1:{client.port}\r\nBench-Token: {TOKEN}\r\n"
        f"Content-Type: application/json\r\nContent-Length: {length}\r\n\r\n{{}}"
    )
    with client.raw(head.encode()) as line:
        assert line.makefile("rb").readline().split()[1] in (b"400", b"413")


# Faults


def test_a_fault_is_one_line_and_the_server_goes_on(client: Client) -> None:
    client.said.clear()
    answer = client.get("/broken")
    text = json.loads(answer.body)["text"]
    assert answer.status == 500
    assert "KeyError in test_guard.py:" in text
    assert "\n" not in text
    assert client.said == [text]
    assert client.get("/").status == 200


def test_an_answer_that_breaks_off_breaks_no_other(client: Client) -> None:
    with client.raw(b"GET /half HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n" % client.port) as line:
        assert b"200 OK" in line.recv(1000)
    assert client.get("/").status == 200


HALVES = [
    b"",
    b"GET",
    b"GET / HTTP/1.1\r\nHost: 127.0.0.1",
    b"POST / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nBench-Token: {token}\r\n"
    b"Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{",
    b"POST / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nBench-Token: {token}\r\n"
    b"Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n5\r\n{",
]


def test_half_requests_hold_up_nobody(client: Client) -> None:
    own = {b"{port}": b"%d" % client.port, b"{token}": TOKEN.encode()}
    lines = []
    for half in HALVES * 20:
        for word, meant in own.items():
            half = half.replace(word, meant)
        lines.append(client.raw(half))
    since = time.monotonic()
    assert all(client.get("/").status == 200 for _ in range(10))
    assert time.monotonic() - since < 5
    for line in lines:
        line.close()
    assert client.get("/").status == 200


def test_a_body_that_does_not_come_is_given_up(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guard, "BODY_WITHIN_S", 0.2)
    monkeypatch.setattr(guard, "READS_ON_S", 0.2)
    half = HALVES[3].replace(b"{port}", b"%d" % client.port).replace(b"{token}", TOKEN.encode())
    with client.raw(half) as line:
        assert line.makefile("rb").readline().split()[1] == b"408"


def test_so_many_sounds_come_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another waits for room, and is told so in the end; nobody else is held up."""
    monkeypatch.setattr(guard, "COME_AT_ONCE", 2)
    half = f"POST /clip HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nBench-Token: {TOKEN}\r\n"
    half += "Content-Type: audio/wav\r\nContent-Length: 100\r\n\r\nRIFF"
    sound = {"Content-Type": "audio/wav"}
    with served(echo) as client:
        lines = [client.raw((half % client.port).encode()) for _ in range(2)]
        assert client.get("/").status == 200  # both have been looked at by now
        monkeypatch.setattr(guard, "BODY_WITHIN_S", 0.3)  # for who comes from now on
        refused = client.ask("POST", "/clip", b"RIFF", sound)
        assert (refused.status, refused.body.startswith(b"other sounds")) == (503, True)
        assert client.post("/x").status == 200
        lines[0].close()
        assert client.ask("POST", "/clip", b"RIFF", sound).status == 200
        lines[1].close()


@pytest.mark.parametrize(
    "content",
    [b"\x16\x03\x01\x02\x00\x01\x00", b"GET /\r\n\r\n", b"\r\n" * 50, b"GET / HTTP/9.9\r\n\r\n",
     b"G" * 200_000, b"GET / HTTP/1.1\r\n" + b"X: y\r\n" * 50_000],
)  # fmt: skip
def test_what_is_no_request_is_turned_away(client: Client, content: bytes) -> None:
    try:
        with client.raw(content) as line:
            line.settimeout(2)
            line.recv(100)
    except OSError:
        pass  # hung up on, or waited for more: both are fine
    assert client.get("/").status == 200
