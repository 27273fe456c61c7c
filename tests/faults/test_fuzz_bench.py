"""Whatever is asked of the bench: an answer of the kinds there are, and the bench goes on.

The routes are those of the application: a new one is asked, too. A few requests in the usual run;
thousands, others each time and with all that takes long, with
`pytest -m soak tests/faults/test_fuzz_bench.py`.
"""

import contextlib
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote, urlencode

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.routing import Route

from simchain.bench import job_kinds
from simchain.bench.desk import Desk
from simchain.bench.server import Bench
from simchain.bench.sounds import Sounds
from simchain.board import Board, load_board
from tests.bench.conftest import BOARD
from tests.bench.serving import TOKEN, Answer, Client, served
from tests.faults.fuzzing import FEW, MANY

NOW = "the revision as it is"
ROUTES = [
    (route.path, sorted((route.methods or set()) - {"HEAD"})[0])
    for route in Bench(None, Path(), None, TOKEN).app().routes  # type: ignore[arg-type]
    if isinstance(route, Route)
]
# What is answered, and in which kinds; a fault would be 500.
STATUSES = {200, 400, 403, 404, 405, 409, 413, 415, 422}
KINDS = (
    *("application/json", "text/plain", "text/html", "text/css", "text/javascript"),
    *("image/svg+xml", "image/png", "audio/wav"),
)
# All that any request asks for: each route takes of it what it knows.
QUERY: dict[str, Any] = {
    **{"order": "series", "passage": "riff", "amp": "clean", "a": "series", "b": "split"},
    **{"point": "grit.out", "from": "0", "seconds": "0.05", "ways": "order", "first": "A"},
    **{"clip": "clip.wav", "volts": "0.5", "name": "new.wav", "revision": NOW},
}
BODY: dict[str, Any] = {
    **{"revision": NOW, "order": "series", "block": "grit", "to": "loop", "at": 0, "name": "mine"},
    **{"what": "blocks", "kind": "boost", "like": None, "new": "other", "say": "a change"},
    **{"changes": [{"path": ["blocks", "grit", "gain_db"], "value": 12}], "over": True},
    **{"file": None, "orders": ["series", "split"], "passages": ["riff"], "how": "coarse"},
    **{"recording": "clip.wav", "loopback": "clip.wav", "volts": 1.0, "amp": "clean"},
}
DOES = ("copy", "rename", "remove", "add", *job_kinds.KINDS)
NAMES = (
    *("series", "split", "riff", "verse", "grit", "press", "room", "clean", "mine", "other", "out"),
    *("blocks", "amps", "orders", "passages", "songs", "source", "rules", "front", "loop", "on"),
    *("clip.wav", "board.toml", "new.wav", "electric", "demo", "drive", "", ".", "..", "../x.toml"),
    *("/etc/passwd", "/dev/zero", "a\x00b", "a\nb", "é\u202e", "\ufeff", "x" * 5000, "a,b", "%00"),
    *("nan", "inf", "-1", "1e999", "0x1", "1_0", "١", "null", "true", "<script>", "{{ 7 * 7 }}"),
)
TEXTS = st.one_of(st.sampled_from(NAMES), st.text(max_size=12))
NUMBERS = st.one_of(
    st.sampled_from((0, -1, 1, 2**31, 2**63, 2**64, 10**400, 1e308, -1e308, 5e-324, 0.1)),
    st.integers(-5, 1000),
    st.floats(allow_nan=False, allow_infinity=False),
)
ANYTHING = st.recursive(
    st.one_of(st.none(), st.booleans(), NUMBERS, TEXTS),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(TEXTS, inner, max_size=4)),
    max_leaves=10,
)
PATHS = st.one_of(
    st.sampled_from(
        (
            *(["blocks", "grit", "gain_db"], ["blocks", "grit"], ["blocks"], ["orders", "split"]),
            *(["orders", "split", "loop"], ["passages", "riff"], ["passages", "riff", "on"]),
            *(["passages", "riff", "events"], ["passages", "riff", "set"], ["title"], ["rate"]),
            *(["amps", "clean"], ["source", "clip"], ["source"], ["songs", "all", "passages"]),
            *(["supply", "outlets"], ["rules"], ["floor"], ["blocks", "new", "kind"], ["output"]),
        )
    ),
    st.lists(TEXTS, max_size=4),
)
CHANGES = st.lists(
    st.one_of(
        st.fixed_dictionaries({"path": PATHS, "value": ANYTHING}),
        st.fixed_dictionaries({"path": PATHS, "remove": st.just(True)}),
        st.dictionaries(st.sampled_from(("path", "value", "remove")), ANYTHING),
    ),
    max_size=3,
)
NO_JSON = (
    *(b"", b"{", b"\xff\xfe", b"null", b"[]", b"NaN", b'{"revision": NaN}', b"[" * 50_000, b"{}{}"),
    *(b'{"a":' * 50_000, b"9" * 50_000, b'{"revision": 1e999}', b'{"name": "\\ud800"}', b"\x00"),
    *(b'{"revision": 0, "revision": 1}', b'\xef\xbb\xbf{"revision": 0}', b'{"revision": 0' * 500),
    b'{"revision": 0, "changes": [{"path": ["title"], "value": ' + b"[" * 900 + b"]" * 900 + b"}]}",
)
SEGMENTS = (
    *("start", "sheet.css", "levels.png", "00ff00ff.wav", "..", ".", "%2e%2e%2fserver.py", "%00"),
    *("%ff%fe", "%c0%ae%c0%ae", "a" * 3000, "x;y", "%0d%0aX: y", "%", "é", "//", "{name}", "%2F"),
)


class Ask(NamedTuple):
    """One request; where its query or its body has `NOW`, the revision comes there."""

    method: str
    path: str
    query: dict[str, Any]
    body: dict[str, Any] | bytes | None
    headers: dict[str, str]


@st.composite
def asks(draw: st.DrawFn, routes: list[tuple[str, str]] = ROUTES) -> Ask:
    """A request that the page could make, to which something was done."""
    path, method = draw(st.sampled_from(routes))
    for name in ("{name}", "{key}"):
        path = path.replace(name, draw(st.sampled_from(SEGMENTS)))
    headers: dict[str, str] = {}
    query = strange(draw, QUERY, TEXTS)
    if not draw(st.integers(0, 11)):
        method = draw(st.sampled_from(("GET", "POST", "HEAD", "PUT", "DELETE", "OPTIONS", "X-Y")))
    if not draw(st.integers(0, 15)):
        path += draw(st.sampled_from(("/", "//", "/..", "%00", "?", "#x", "/x" * 900, ";a=b")))
    body: dict[str, Any] | bytes | None = None
    if path == "/clip":
        headers["Content-Type"] = draw(st.sampled_from(("audio/wav", "audio/x", "text/plain")))
        body = draw(st.one_of(st.binary(max_size=60), st.just(b"RIFF\x24\0\0\0WAVE" + bytes(60))))
    elif method == "POST" and draw(st.integers(0, 9)):
        body = strange(draw, {**BODY, "do": draw(st.sampled_from(DOES))}, ANYTHING)
        if path == "/change" and draw(st.integers(0, 3)):
            body["changes"] = draw(CHANGES)
    elif method == "POST":
        body = draw(st.sampled_from(NO_JSON))
    return Ask(method, path, query, body, headers)


def strange(draw: st.DrawFn, given: dict[str, Any], others: st.SearchStrategy[Any]) -> Any:
    """What is asked, with some of it left out, exchanged, or something else."""
    made = dict(given)
    for _ in range(draw(st.sampled_from((0, 1, 1, 2, 4)))):
        key = draw(st.sampled_from([*given]))
        match draw(st.sampled_from(("other", "other", "name", "without", "more"))):
            case "other":
                made[key] = draw(others)
            case "name":
                made[key] = draw(st.sampled_from(NAMES))
            case "without":
                made.pop(key, None)
            case "more":
                made[draw(TEXTS)] = draw(others)
    return made


class QuickSounds(Sounds):
    """Sounds that look whether what is asked can be rendered, where that takes seconds."""

    def against(self, board: Board, a: Any, b: Any, passage: str, amp: Any, *_: Any, **__: Any):  # type: ignore[override]
        for order in (a, b):
            self._path(board, order, passage, amp)
        return {}

    def free(self, board: Board, order: str, passage: str, amp: str | None, **_: Any):  # type: ignore[override]
        self._path(board, order, passage, amp)
        return {}

    traces = free  # type: ignore[assignment]


class Asked:
    """A bench that is asked, and what must be so after each answer."""

    def __init__(self, bench: Bench, client: Client, board: Path) -> None:
        self.bench, self.client, self.board = bench, client, board
        self.clip = (board.parent / "clip.wav").read_bytes()

    def begin(self) -> None:
        """Put the board as it was on the desk, and on the disk."""
        for file in self.board.parent.iterdir():
            file.unlink()
        (self.board.parent / "clip.wav").write_bytes(self.clip)
        self.board.write_text(QUICK)
        self.bench.desk = Desk.opened(self.board)

    def ask(self, asked: Ask) -> None:
        """Ask, and look over the answer and the bench."""
        desk = self.bench.desk
        assert desk
        before, revision = self.board.read_text(), desk.revision

        def now(given: dict[str, Any]) -> dict[str, Any]:
            return {key: revision if value == NOW else value for key, value in given.items()}

        query = urlencode({key: str(value) for key, value in now(asked.query).items()})
        path = quote(f"{asked.path}{'&' if '?' in asked.path else '?'}{query}", safe="/%?#&=+;:")
        body = asked.body
        content = json.dumps(now(body)).encode() if isinstance(body, dict) else body
        answer = self.client.ask(asked.method, path[:50_000], content, asked.headers)
        looked_over(answer)
        assert self.client.said == []
        told = self.client.get("/board")
        assert told.status == 200
        assert told.json()["revision"] == desk.revision in (revision, revision + 1)
        if asked.path != "/save":
            assert self.board.read_text() == before
        load_board(self.board)
        assert [file.name for file in self.board.parent.parent.iterdir()] == ["desk"]


def looked_over(answer: Answer) -> None:
    """Raise unless an answer is one of those that there are."""
    assert answer.status in STATUSES, (answer.status, answer.body[:300])
    assert b"Traceback" not in answer.body
    assert b'File "/' not in answer.body
    kind = answer.headers.get("content-type", "text/plain").partition(";")[0]
    assert kind in KINDS
    if kind == "application/json" and answer.body:
        document = answer.json()
        told = (
            [each["text"] for each in document.get("problems", [])] if answer.status == 422 else []
        )
        told += [document["text"]] if answer.status == 409 else []
        assert told or answer.status == 200
        assert all(text.isprintable() and text for text in told)


QUICK = BOARD.replace("tail_s = 0.2", "tail_s = 0.05")


@contextlib.contextmanager
def benched(folder: Path, sounds: Sounds) -> Iterator[Asked]:
    desk = folder / "desk"
    desk.mkdir()
    board = desk / "board.toml"
    tone = 0.3 * np.sin(np.arange(2_400) / 30.0)
    soundfile.write(desk / "clip.wav", tone, 48_000)
    board.write_text(QUICK)
    bench = Bench(Desk.opened(board), desk, sounds, TOKEN)
    with served(bench.app()) as client:
        yield Asked(bench, client, board)
        assert bench.jobs.end(60.0)


def at_once(kind: Callable[..., Any]) -> Callable[..., Any]:
    """The same kind of work, of which what is asked is read and nothing is done."""
    return lambda board, asked: (kind(board, asked)[0], lambda _: {})


@pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning")
def test_whatever_is_asked_is_answered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, kind in job_kinds.KINDS.items():
        monkeypatch.setitem(job_kinds.KINDS, name, at_once(kind))
    with benched(tmp_path, QuickSounds()) as asked:

        @settings(FEW, max_examples=15)
        @given(st.lists(asks(), min_size=1, max_size=5))
        def tried(several: list[Ask]) -> None:
            asked.begin()
            for each in several:
                asked.ask(each)

        tried()


@pytest.mark.parametrize(("path", "method"), ROUTES)
def test_each_route_is_asked(
    tmp_path: Path, path: str, method: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, kind in job_kinds.KINDS.items():
        monkeypatch.setitem(job_kinds.KINDS, name, at_once(kind))
    with benched(tmp_path, QuickSounds()) as asked:
        asked.begin()
        settings(FEW, max_examples=6)(given(asks([(path, method)]))(asked.ask))()


@pytest.mark.soak
@pytest.mark.parametrize("sounds", [QuickSounds, Sounds])
def test_thousands_of_requests(
    tmp_path: Path, sounds: type[Sounds], monkeypatch: pytest.MonkeyPatch
) -> None:
    if sounds is QuickSounds:
        for name, kind in job_kinds.KINDS.items():
            monkeypatch.setitem(job_kinds.KINDS, name, at_once(kind))
    with benched(tmp_path, sounds()) as asked:

        @settings(MANY, max_examples=2000 if sounds is QuickSounds else 60)
        @given(st.lists(asks(), min_size=1, max_size=6))
        def tried(several: list[Ask]) -> None:
            asked.begin()
            for each in several:
                asked.ask(each)

        tried()
