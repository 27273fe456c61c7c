"""What stands between the browser and the bench: who may ask, how much, and what goes back.

A page of another site that is open in the same browser can send requests to this machine. It can
forge neither Host nor Origin, cannot read the token, and cannot read what is answered.
"""

import asyncio
import hmac
import json
import traceback
from collections.abc import AsyncIterator, Awaitable, Callable, MutableMapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from typing import Any

from simchain.bench.threads import place_among

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LARGEST_JSON = 1_000_000
LARGEST_SOUND = 120_000_000
BODY_WITHIN_S = 10.0
# Of sounds that are sent here; each takes twice its size while it comes.
COME_AT_ONCE = 4
READS_ON_S = 2.0


@dataclass(frozen=True)
class Limits:
    """What a POST may bring: how many bytes, and of which content type."""

    most_bytes: int
    kinds: tuple[str, ...]

    def allow(self, kind: str) -> bool:
        """Whether a content type is one of `kinds`, or begins with one that ends with a slash."""
        return any(
            kind == each or (each[-1] == "/" and kind.startswith(each)) for each in self.kinds
        )


JSON = Limits(LARGEST_JSON, ("application/json",))
SOUND = Limits(LARGEST_SOUND, ("audio/", "application/octet-stream"))
# Whatever is not named here is JSON.
LIMITS = {"/clip": SOUND}

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "img-src 'self' data:; media-src 'self' blob:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "x-frame-options": "DENY",
    "cache-control": "no-store",
}
# A report page that the bench has made holds its script and style in itself, so the policy above
# would still them. It gets one of its own, and no origin: in the sandbox it is a stranger, who
# cannot read the bench's page and its token, and whose requests, which the policy forbids anyway,
# would be refused as foreign. `unsafe-inline` lets in what the page's own policy, in its head,
# names by hash and nothing else: both hold. Forms are there for their script, and sent nowhere. A
# sandboxed page may not ask to be cut off from who opened it: it is opened without an opener.
REPORT_HEADERS = {
    "content-security-policy": (
        "sandbox allow-scripts allow-forms allow-downloads; default-src 'none'; "
        "script-src 'unsafe-inline'; style-src 'unsafe-inline'; base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'"
    ),
    "cross-origin-opener-policy": "unsafe-none",
}
_EVERY_ANSWER = [(name.encode(), value.encode()) for name, value in HEADERS.items()]


class _RefusedError(Exception):
    """A request that is not answered, with its status and a sentence."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status, self.text = status, text


class Guard:
    """An ASGI application around another: refuses what is foreign, too large or too slow.

    `port` is where the server listens, `token` what a POST must carry. A fault in the application
    is answered as 500 with one line, which `say` is told too.
    """

    def __init__(self, app: App, *, port: int, token: str, say: Callable[[str], None]) -> None:
        self._app, self._token, self._say = app, token.encode(), say
        self._hosts = {f"{host}:{port}".encode() for host in ("127.0.0.1", "localhost", "[::1]")}
        self._few_come = asyncio.Semaphore(COME_AT_ONCE)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return
        coming, answer = _Coming(receive), _Answer(send)
        try:
            self._refuse_foreign(scope)
            if scope["method"] != "POST":
                await self._app(scope, receive, answer)
                return
            self._refuse_unasked(scope)
            async with self._room(scope):
                content = await _body(scope, coming)
                await self._app(scope, _replayed(content, receive), answer)
        except _RefusedError as refused:
            if scope["method"] not in ("GET", "HEAD"):
                await _read_on(coming)
            await answer.whole(refused.status, "text/plain; charset=utf-8", refused.text)
        except Exception as error:  # one broken request never takes the server down
            line = fault_line(error)
            self._say(line)
            await answer.whole(500, "application/json", json.dumps({"text": line}))

    @asynccontextmanager
    async def _room(self, scope: Scope) -> AsyncIterator[None]:
        """Hold room for a body, and whatever is made of it; large ones wait for each other."""
        if _limits(scope) is JSON:
            yield
            return
        busy = _RefusedError(503, "other sounds are being sent just now: send this one again")
        async with place_among(self._few_come, BODY_WITHIN_S, busy):
            yield

    def _refuse_foreign(self, scope: Scope) -> None:
        if scope["method"] not in ("GET", "HEAD", "POST"):
            raise _RefusedError(405, "GET, HEAD and POST are known here")
        hosts = _values(scope, b"host")
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            raise _RefusedError(403, "the bench answers under its own address only")
        origins = {b"http://" + host for host in self._hosts}
        if any(origin.lower() not in origins for origin in _values(scope, b"origin")):
            raise _RefusedError(403, "the bench answers its own page only")
        # A link from elsewhere may lead to the page itself, but nowhere behind it.
        sites = set(_values(scope, b"sec-fetch-site"))
        if scope["path"] != "/" and not sites <= {b"same-origin", b"none"}:
            raise _RefusedError(403, "the bench answers its own page only")

    def _refuse_unasked(self, scope: Scope) -> None:
        """Refuse what would change something and does not come from the page of this start."""
        tokens = _values(scope, b"bench-token")
        if len(tokens) != 1 or not hmac.compare_digest(tokens[0], self._token):
            raise _RefusedError(403, "this page is from an earlier start: load it anew")
        kinds = [kind.partition(b";")[0].strip() for kind in _values(scope, b"content-type")]
        limits = _limits(scope)
        if len(kinds) != 1 or not limits.allow(kinds[0].decode("latin-1")):
            wanted = " or ".join(f"{kind}*" if kind[-1] == "/" else kind for kind in limits.kinds)
            raise _RefusedError(415, f"{wanted} is wanted")


class _Coming:
    """What still comes of a request, and whether that was all."""

    def __init__(self, receive: Receive) -> None:
        self._receive, self.ended = receive, False

    async def part(self) -> bytes:
        """Wait for the next part of the body. Raises _RefusedError where the request breaks off."""
        message = await self._receive()
        self.ended = not message.get("more_body", False)
        if message["type"] == "http.disconnect":
            raise _RefusedError(400, "the request broke off")
        return bytes(message.get("body", b""))


class _Answer:
    """Sends what the application answers, with the headers that every answer carries."""

    def __init__(self, send: Send) -> None:
        self._send, self._begun = send, False

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self._begun = True
            given = list(message.get("headers", []))
            known = {name.lower() for name, _ in given}
            given += [header for header in _EVERY_ANSWER if header[0] not in known]
            message = {**message, "headers": given}
        await self._send(message)

    async def whole(self, status: int, kind: str, text: str) -> None:
        """Send a short answer, unless one has begun: that one is left broken off."""
        if self._begun:
            return
        content = text.encode()
        headers = [
            (b"content-type", kind.encode()),
            (b"content-length", str(len(content)).encode()),
            (b"connection", b"close"),
        ]
        await self({"type": "http.response.start", "status": status, "headers": headers})
        await self({"type": "http.response.body", "body": content})


def _values(scope: Scope, name: bytes) -> list[bytes]:
    return [value for key, value in scope["headers"] if key == name]


def _limits(scope: Scope) -> Limits:
    return LIMITS.get(scope["path"], JSON)


async def _body(scope: Scope, coming: _Coming) -> bytes:
    """Read a body that is not too large and does not take too long, told its length or not."""
    limits, told = _limits(scope), _values(scope, b"content-length")
    if told and (not told[0].isdigit() or int(told[0]) > limits.most_bytes):
        raise _too_large(limits)
    try:
        return await asyncio.wait_for(_read(coming, limits), BODY_WITHIN_S)
    except TimeoutError:
        raise _RefusedError(408, "the request took too long") from None


async def _read(coming: _Coming, limits: Limits) -> bytes:
    content = bytearray()
    while not coming.ended:
        content += await coming.part()
        if len(content) > limits.most_bytes:
            raise _too_large(limits)
    return bytes(content)


def _too_large(limits: Limits) -> _RefusedError:
    return _RefusedError(
        413, f"{limits.most_bytes // 1_000_000} MB is the most that is read at once"
    )


async def _read_on(coming: _Coming) -> None:
    """Read on for a moment, so that whoever still sends gets to read the answer."""

    async def to_the_end() -> None:
        while not coming.ended:
            await coming.part()

    with suppress(TimeoutError, _RefusedError):
        await asyncio.wait_for(to_the_end(), READS_ON_S)


def _replayed(content: bytes, receive: Receive) -> Receive:
    """Return what the application reads a body from that has come already."""
    waiting: list[Message] = [{"type": "http.request", "body": content, "more_body": False}]

    async def received() -> Message:
        return waiting.pop() if waiting else await receive()

    return received


def fault_line(error: Exception) -> str:
    """Say in one line which fault it is and where it came up."""
    place = traceback.extract_tb(error.__traceback__)[-1]
    file = place.filename.replace("\\", "/").rpartition("/")[2]
    told = " ".join(str(error).split())[:200]
    where = f"{type(error).__name__} in {file}:{place.lineno}"
    return f"the bench has a fault of its own ({where}: {told})"
