"""The bench's requests over a real line, with sounds that are made up."""

import json
import re
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urljoin

import pytest

from simchain.bench import server
from simchain.bench.desk import Desk
from simchain.bench.facts import board_document
from simchain.bench.files import static_files
from simchain.bench.server import SOUNDS_AT_ONCE, Bench
from simchain.bench.sounds import Heard
from simchain.board import Board, Order, load_board, starter
from simchain.errors import ClipError
from simchain.report.guide import PAGES
from tests.bench.serving import TOKEN, Client, served

KEY = "00ff" * 8


class MadeUpSounds:
    """Answers as `Sounds` does, and keeps what it was asked."""

    def __init__(self) -> None:
        self.asked: list[Any] = []
        self.busy = threading.Event()
        self.go_on = threading.Event()

    def heard(
        self, board: Board, order: str, passage: str, amp: str | None, *, by_order: bool = False
    ) -> Heard:
        self.asked.append((list(board.order(order).front), passage, amp))
        if passage == "verse":
            raise ClipError("the clip is gone")
        if passage == "riff":
            raise ZeroDivisionError
        if passage == "intro":
            self.busy.set()
            self.go_on.wait(20)
        return Heard(KEY, {"key": KEY, "order": order, **({"ways": "order"} if by_order else {})})

    def wav(self, key: str, start_s: float | None, seconds: float | None) -> bytes | None:
        self.asked.append((key, start_s, seconds))
        return b"RIFF" if key == KEY else None

    def slice_wav(self, _: Board, *asked: Any) -> tuple[bytes, dict[str, float]]:
        self.asked.append(asked)
        return b"RIFF", {"passage": -3.25, "as_is": 0.5}

    def against(self, _: Board, *asked: Any, stop: threading.Event | None = None) -> dict[str, Any]:
        assert stop is not None
        self.asked.append(asked)
        return {"sentence": "the same"}

    def where(self, _: Board, *asked: Any) -> dict[str, Any]:
        self.asked.append(asked)
        return {"at_s": 1.5}

    def point(self, _: Board, *asked: Any) -> dict[str, Any]:
        self.asked.append(asked)
        return {"key": KEY}

    def free(self, _: Board, *asked: Any, stop: threading.Event | None = None) -> dict[str, Any]:
        assert stop is not None
        self.asked.append(asked)
        if asked[1] == "intro":
            self.busy.set()
            if stop.wait(20):
                self.go_on.set()
        return {"moves": []}

    def traces(self, _: Board, *asked: Any, stop: threading.Event | None = None) -> dict[str, Any]:
        assert stop is not None
        self.asked.append(asked)
        return {"events": []}


@pytest.fixture
def sounds() -> MadeUpSounds:
    return MadeUpSounds()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "board.toml"
    path.write_text(starter("demo"))
    return path


@pytest.fixture
def client(path: Path, sounds: MadeUpSounds) -> Iterator[Client]:
    with served(Bench(Desk.opened(path), path.parent, sounds, TOKEN).app()) as client:
        yield client


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """Serve a bench for all that changes nothing."""
    path = tmp_path_factory.mktemp("still") / "board.toml"
    path.write_text(starter("demo"))
    sounds = MadeUpSounds()
    with served(Bench(Desk.opened(path), path.parent, sounds, TOKEN).app()) as client:
        yield client
        assert path.read_text() == starter("demo")


@pytest.fixture
def empty(tmp_path: Path, sounds: MadeUpSounds) -> Iterator[Client]:
    with served(Bench(None, tmp_path, sounds, TOKEN).app()) as client:
        yield client


def order(document: dict[str, Any], name: str) -> dict[str, Any]:
    return next(each for each in document["orders"] if each["name"] == name)


# Looking


def test_the_board_document(client: Client, path: Path) -> None:
    document = client.get("/board").json()
    board = load_board(path)
    assert document == json.loads(json.dumps(board_document(Desk.opened(path))))
    assert (document["revision"], document["file"], document["saved"]) == (0, "board.toml", True)
    assert (document["title"], document["rate"], document["amps"]) == (
        "Train board", 48000, ["crunch"],
    )  # fmt: skip
    assert document["blocks"]["push"] == {
        "kind": "boost",
        "on": {"verse": "off", "riff": "off", "solo": "switched", "intro": "off"},
    }
    assert order(document, "split")["loop"] == ["room", "repeat"]
    assert [each["name"] for each in document["passages"]] == list(board.passages)
    solo = document["passages"][2]
    assert solo["on"] == ["press", "grit", "push", "room", "repeat"]
    assert 8.0 < solo["seconds"] < 20.0
    assert document["warnings"] == []
    change = {"path": ["blocks", "push", "gain_db"], "value": 40}
    changed = client.post("/change", revision=0, changes=[change], say="push gain_db").json()
    (warning,) = changed["warnings"]
    assert "gain_db = 40: usual is 0 to 25 dB" in warning


def test_an_order_tells_what_it_leaves_out_and_which_rule_it_breaks(client: Client) -> None:
    front = ["push", "grit"]
    change = {"path": ["orders", "split", "front"], "value": front}
    document = client.post("/change", revision=0, changes=[change], say="split front").json()
    told = order(document, "split")
    assert told["left_out"] == ["tuner", "press", "sweep", "wobble"]
    assert told["broken"] == []
    moved = client.post("/move", revision=1, order="split", block="grit", to="loop", at=0).json()
    assert "front_only" in order(moved, "split")["broken"][0]


def test_the_page_carries_the_token_and_no_inline_script(still: Client) -> None:
    answer = still.get("/")
    html = answer.body.decode()
    assert answer.headers["content-type"].startswith("text/html")
    assert f'name="bench-token" content="{TOKEN}"' in html
    assert " onclick" not in html
    assert "<style" not in html
    for part in html.split("<script")[1:]:
        assert part.startswith(' src="/static/')
        assert still.get(part.split('"')[1]).status == 200


def test_the_guide(still: Client) -> None:
    """Every page leads to all others and to the bench; its pictures are there."""
    for name, title in PAGES.items():
        html = still.get(f"/guide/{name}").body.decode()
        assert f"<h1>{title}</h1>" in html
        for target in re.findall(r'(?:href|src)="([^"]+)"', html):
            if target != "data:,":
                assert still.get(urljoin(f"/guide/{name}", target)).status == 200
    assert still.get("/guide/levels.png").headers["content-type"] == "image/png"
    assert still.get("/guide/start.md").status == 404
    assert still.get("/guide/..%2fcli.py").status == 404


def test_static_files(still: Client) -> None:
    answer = still.get("/static/sheet.css")
    assert answer.headers["content-type"].startswith("text/css")
    assert answer.headers["x-content-type-options"] == "nosniff"
    script = still.get("/static/ask.js")
    assert script.headers["content-type"].startswith("text/javascript")
    assert all(name.endswith((".css", ".js", ".svg")) for name in static_files())


def test_files_come_without_what_is_for_readers() -> None:
    """Lines keep their numbers, and no text goes over a line's end, where it would be changed."""
    for folder in ("bench", "report"):
        for file in Path(f"simchain/{folder}/static").glob("*.js"):
            written = file.read_text().split("\n")
            served = static_files()[file.name].decode().split("\n")
            assert len(served) == len(written)
            for before, after in zip(written, served, strict=True):
                bare = before.strip()
                assert after.rstrip() == ("" if bare.startswith("//") else bare)
                assert before.startswith("//") or before.count("`") % 2 == 0, (file.name, before)


@pytest.mark.parametrize(
    "name",
    ["gone.js", "../server.py", "%2e%2e/server.py", "..%2fserver.py", "..%5cserver.py", "",
     "/etc/passwd", "%2fetc%2fpasswd", "....//server.py", "sheet.css%00.js", "sheet.css/",
     "%c0%ae%c0%ae/server.py", ".", "..", "SHEET.CSS"],
)  # fmt: skip
def test_names_are_looked_up_and_are_no_paths(still: Client, name: str) -> None:
    answer = still.get(f"/static/{name}")
    assert answer.status == 404
    assert b"import" not in answer.body


# Changing


def test_a_block_moves_and_is_saved(client: Client, path: Path) -> None:
    document = client.post(
        "/move", revision=0, order="split", block="tuner", to="loop", at=1
    ).json()
    assert order(document, "split")["loop"] == ["room", "tuner", "repeat"]
    assert (document["revision"], document["undo"], document["saved"]) == (
        1, "tuner moved in split", False,
    )  # fmt: skip
    assert load_board(path).orders["split"].loop == ("room", "repeat")
    assert client.post("/save", revision=1, over=False).json()["saved"]
    assert load_board(path).orders["split"].loop == ("room", "tuner", "repeat")


def test_undo_and_redo(client: Client) -> None:
    client.post("/move", revision=0, order="split", block="tuner", to="front", at=3)
    undone = client.post("/undo", revision=1).json()
    assert (undone["revision"], undone["undo"], undone["redo"]) == (2, None, "tuner moved in split")
    assert client.post("/redo", revision=2).json()["revision"] == 3
    assert client.post("/redo", revision=3).status == 409


def test_orders_are_copied_renamed_and_removed(client: Client) -> None:
    client.post("/orders", revision=0, do="copy", order="split", name="mine")
    client.post("/orders", revision=1, do="rename", order="mine", name="yours")
    client.post("/orders", revision=2, do="remove", order="split")
    names = [each["name"] for each in client.get("/board").json()["orders"]]
    assert names == ["series", "boost_first", "delay_first", "yours"]


def test_a_setting_changes_and_is_removed(client: Client) -> None:
    at = ["blocks", "grit", "gain_db"]
    client.post("/change", revision=0, changes=[{"path": at, "value": 12}], say="grit gain_db")
    document = client.post(
        "/change", revision=1, changes=[{"path": at, "remove": True}], say="grit gain_db"
    ).json()
    assert (document["revision"], document["undo"]) == (2, "grit gain_db")


REFUSED: list[tuple[str, dict[str, Any], str]] = [
    ("/move", {"order": "gone", "block": "grit", "to": "loop", "at": 0}, "no order 'gone'"),
    ("/move", {"order": "split", "block": "girt", "to": "loop", "at": 0}, "mean 'grit'"),
    ("/move", {"order": "split", "block": "grit", "to": "back", "at": 0}, "front or loop"),
    ("/move", {"order": "split", "block": "grit", "to": "loop", "at": 9}, "has 0 to 2"),
    ("/move", {"order": "split", "block": "grit", "to": "loop", "at": True}, "whole number"),
    ("/move", {"order": "split", "block": "grit", "to": "loop", "at": 1.5}, "whole number"),
    ("/move", {"order": ["split"], "block": "grit", "to": "loop", "at": 1}, "text is wanted"),
    ("/move", {}, "text is wanted"),
    ("/orders", {"do": "paint", "order": "split"}, "copy, remove or rename"),
    ("/orders", {"do": "copy", "order": "split", "name": "series"}, "already"),
    ("/orders", {"do": "copy", "order": "split", "name": "a b"}, "cannot be used"),
    ("/orders", {"do": "copy", "order": "split", "name": None}, "text is wanted"),
    ("/change", {"changes": []}, "a list of 1 to 1000"),
    ("/change", {"changes": {}}, "a list of 1 to 1000"),
    ("/change", {"changes": ["x"]}, "names its path"),
    ("/change", {"changes": [{"path": []}]}, "1 to 12 keys"),
    ("/change", {"changes": [{"path": ["a"] * 13, "value": 1}]}, "1 to 12 keys"),
    ("/change", {"changes": [{"path": ["title", 1], "value": 1}]}, "names its path"),
    ("/change", {"changes": [{"path": ["title"]}]}, "a value is wanted"),
    ("/change", {"changes": [{"path": ["title"], "value": {"a": [None]}}]}, "a value is wanted"),
    ("/change", {"changes": [{"path": ["title"], "remove": 1}]}, "true or false"),
    ("/change", {"changes": [{"path": ["title", "x"], "value": 1}]}, "is not a table"),
    ("/change", {"changes": [{"path": ["rate"], "value": 10**30}]}, "too many digits"),
    ("/change", {"changes": [{"path": ["zzz"], "value": 1}]}, "no such key or table"),
    ("/save", {"over": "yes"}, "true or false"),
    ("/save", {"over": False, "revision": "0"}, "whole number"),
    ("/undo", {"revision": None}, "whole number"),
]


@pytest.mark.parametrize(
    ("path_asked", "body", "said"), REFUSED, ids=[f"{path} {said}" for path, _, said in REFUSED]
)
def test_what_must_be_mended_is_told_and_changes_nothing(
    still: Client, path_asked: str, body: dict[str, Any], said: str
) -> None:
    before = still.get("/board").body
    answer = still.post(path_asked, **{"revision": 0, **body})
    problems = answer.json()["problems"]
    assert answer.status == 422
    assert [set(each) for each in problems] == [{"table", "key", "text"}] * len(problems)
    assert said in problems[0]["text"]
    assert "\n" not in problems[0]["text"]
    assert still.get("/board").body == before


def test_a_problem_stands_beside_its_field(still: Client) -> None:
    change = {"path": ["blocks", "grit", "gain_db"], "value": 900}
    (problem,) = still.post("/change", revision=0, changes=[change]).json()["problems"]
    assert (problem["table"], problem["key"]) == ("blocks.grit", "gain_db")
    assert "allowed is" in problem["text"]


@pytest.mark.parametrize(
    "body",
    [b"", b"{", b"[]", b"1", b"null", b'"x"', b"\xff\xfe", b'{"revision": NaN}',
     b'{"revision": 0, "order": "\\ud800"}', b"[" * 100_000, b'{"a":' * 100_000,
     b"9" * 10_000, b"{} {}"],
)  # fmt: skip
@pytest.mark.parametrize("where", ["/move", "/start"])
def test_bodies_that_are_none(still: Client, body: bytes, where: str) -> None:
    answer = still.ask("POST", where, body)
    assert answer.status == 422
    assert "request is not" in answer.json()["problems"][0]["text"]


@pytest.mark.parametrize("revision", [-1, 1, 10**30])
def test_another_revision_is_refused(still: Client, revision: int) -> None:
    for where in ("/move", "/undo", "/save", "/reload", "/change", "/orders"):
        answer = still.post(where, revision=revision)
        assert answer.status == 409
        assert "has changed" in answer.json()["text"]
    assert still.get(f"/heard?revision={revision}&order=split&passage=solo").status == 409


def test_of_two_changes_at_once_one_counts(client: Client) -> None:
    answers: list[int] = []

    def move(at: int) -> None:
        asked = {"revision": 0, "order": "split", "block": "tuner", "to": "front", "at": at}
        answers.append(client.post("/move", **asked).status)

    threads = [threading.Thread(target=move, args=(at,)) for at in range(1, 6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answers) == [200, 409, 409, 409, 409]
    assert client.get("/board").json()["revision"] == 1


def test_a_file_that_changed_is_told_and_kept(client: Client, path: Path) -> None:
    client.post("/move", revision=0, order="split", block="tuner", to="front", at=3)
    path.write_text("# theirs\n" + starter("demo"))
    answer = client.post("/save", revision=1, over=False)
    assert (answer.status, path.read_text()[:8]) == (409, "# theirs")
    assert "board.toml was changed by another program" in answer.json()["text"]
    assert client.post("/save", revision=1, over=True).json()["saved"]
    path.write_text("# theirs\n" + starter("demo"))
    document = client.post("/reload", revision=1).json()
    assert (document["revision"], document["saved"], document["undo"]) == (
        2, True, "board.toml read again",
    )  # fmt: skip


@pytest.mark.parametrize(
    "where", ["/move", "/orders", "/change", "/undo", "/redo", "/save", "/reload", "/start"]
)
def test_changes_are_asked_by_post_alone(still: Client, where: str) -> None:
    assert still.get(where).status == 405


def test_what_is_not_there(still: Client) -> None:
    assert still.get("/nothing").status == 404
    assert still.get("/board/").status == 404


# Sounds


def test_heard_is_of_the_board_as_it_stands(client: Client, sounds: MadeUpSounds) -> None:
    client.post("/move", revision=0, order="split", block="press", to="front", at=0)
    answer = client.get("/heard?revision=1&order=split&passage=solo&amp=crunch")
    assert answer.json() == {"key": KEY, "order": "split"}
    assert sounds.asked == [
        (["press", "tuner", "grit", "push", "sweep", "wobble"], "solo", "crunch")
    ]
    assert client.get("/heard?order=split&passage=solo").status == 200
    assert sounds.asked[-1][2] is None


def test_a_sound_and_a_part_of_it(client: Client, sounds: MadeUpSounds) -> None:
    answer = client.get(f"/sound/{KEY}.wav?from=3.2&seconds=2")
    assert (answer.body, answer.headers["content-type"]) == (b"RIFF", "audio/wav")
    assert "immutable" in answer.headers["cache-control"]
    client.get(f"/sound/{KEY}.wav")
    assert sounds.asked == [(KEY, 3.2, 2.0), (KEY, None, None)]


@pytest.mark.parametrize(
    "name", ["11" * 16 + ".wav", KEY, f"{KEY}.flac", "x.wav", "..wav", f"{KEY.upper()}.wav", ".wav",
             f"{KEY}.wav.wav", "%2e%2e%2fboard.toml", "a" * 500 + ".wav"]
)  # fmt: skip
def test_sounds_that_are_not_there(still: Client, name: str) -> None:
    answer = still.get(f"/sound/{name}")
    assert (answer.status, answer.headers["cache-control"]) == (404, "no-store")


def test_a_slice_tells_what_to_play_it_at(client: Client, sounds: MadeUpSounds) -> None:
    answer = client.get("/slice.wav?order=split&passage=solo&amp=crunch&from=3.2&seconds=2")
    assert float(answer.headers["bench-gain-db"]) == -3.25
    assert float(answer.headers["bench-as-is-db"]) == 0.5
    assert answer.headers["cache-control"] == "no-store"
    assert sounds.asked == [("split", "solo", "crunch", 3.2, 2.0)]


def test_one_order_against_another(client: Client, sounds: MadeUpSounds) -> None:
    answer = client.get("/against?revision=0&a=series&b=split&passage=solo&amp=crunch")
    assert answer.json() == {"sentence": "the same"}
    assert sounds.asked == [("series", "split", "solo", "crunch", ("A", "B"))]


def test_an_order_may_be_told_by_its_blocks(client: Client, sounds: MadeUpSounds) -> None:
    """As it was before a move; and what the page calls the two."""
    before = Order(front=("press", "grit"), loop=("room",))
    asked = "passage=solo&amp=crunch&a_front=press,grit&a_loop=room&b=split"
    assert client.get(f"/against?{asked}&first=before&second=C").status == 200
    assert sounds.asked[-1] == (before, "split", "solo", "crunch", ("before", "C"))
    assert client.get(f"/where?{asked}").json() == {"at_s": 1.5}
    assert sounds.asked[-1] == (before, "split", "solo", "crunch")
    assert client.get("/against?passage=solo&a_front=&a_loop=&b=split").status == 200
    assert sounds.asked[-1][0] == Order(front=(), loop=())


def test_what_else_may_be_asked(client: Client, sounds: MadeUpSounds) -> None:
    asked = "order=split&passage=solo&amp=crunch"
    assert client.get(f"/free?{asked}").json() == {"moves": []}
    assert client.get(f"/point?{asked}&point=grit.out").json() == {"key": KEY}
    assert sounds.asked[-1] == ("split", "solo", "crunch", "grit.out")
    assert client.get(f"/heard?{asked}&ways=order").json()["ways"] == "order"


@pytest.mark.parametrize(
    ("where", "said"),
    [
        ("/heard?order=split", "passage is missing: text is wanted"),
        ("/heard?order=split&passage=verse", "the clip is gone"),
        ("/heard?order=gone&passage=solo", "no order 'gone'"),
        ("/against?a=split&passage=solo", "b is missing"),
        ("/slice.wav?order=split&passage=solo&from=1", "seconds: how much"),
        ("/slice.wav?order=split&passage=solo&from=nan&seconds=2", "allowed is 0 to 86400 s"),
        ("/slice.wav?order=split&passage=solo&from=1&seconds=inf", "allowed is 0 to 60 s"),
        ("/slice.wav?order=split&passage=solo&from=1&seconds=61", "allowed is 0 to 60 s"),
        (f"/sound/{KEY}.wav?from=-1", "allowed is 0 to"),
        (f"/sound/{KEY}.wav?from=x", "allowed is 0 to"),
    ],
)
def test_sounds_asked_for_in_vain(still: Client, where: str, said: str) -> None:
    answer = still.get(where)
    assert answer.status == 422
    assert said in answer.json()["problems"][0]["text"]


def test_a_fault_in_a_sound_is_one_line_and_the_bench_goes_on(still: Client) -> None:
    answer = still.get("/heard?order=split&passage=riff")
    assert answer.status == 500
    assert "ZeroDivisionError" in answer.json()["text"]
    assert still.said == [answer.json()["text"]]
    assert still.get("/heard?order=split&passage=solo").status == 200


def test_sounds_that_take_long_hold_up_no_change(client: Client, sounds: MadeUpSounds) -> None:
    where = "/heard?order=split&passage=intro"
    threads = [threading.Thread(target=client.get, args=(where,)) for _ in range(60)]
    for thread in threads:
        thread.start()
    try:
        assert sounds.busy.wait(10)
        since = time.monotonic()
        asked = {"revision": 0, "order": "split", "block": "tuner", "to": "front", "at": 3}
        assert client.post("/move", **asked).status == 200
        assert client.get("/").status == 200
        assert time.monotonic() - since < 5
    finally:
        sounds.go_on.set()
        for thread in threads:
            thread.join()


def test_who_waits_too_long_for_a_turn_is_told_so(
    client: Client, sounds: MadeUpSounds, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "TURN_WITHIN_S", 0.2)
    asked = b"GET /heard?order=split&passage=intro HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n"
    lines = [client.raw(asked % client.port) for _ in range(SOUNDS_AT_ONCE)]
    try:
        assert sounds.busy.wait(10)
        refused = client.get("/heard?order=split&passage=solo")
        assert (refused.status, refused.json()) == (409, {"text": server.BUSY})
        assert client.get("/against?a=split&b=split&passage=solo").status == 200
    finally:
        sounds.go_on.set()
        for line in lines:
            line.close()
    assert client.get("/heard?order=split&passage=solo").status == 200


def test_sounds_that_nobody_waits_for_are_not_rendered(
    client: Client, sounds: MadeUpSounds
) -> None:
    asked = b"GET /heard?order=split&passage=intro HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n"
    lines = [client.raw(asked % client.port) for _ in range(12)]
    try:
        until = time.monotonic() + 10
        while len(sounds.asked) < SOUNDS_AT_ONCE and time.monotonic() < until:
            time.sleep(0.01)
    finally:
        for line in lines:
            line.close()
    time.sleep(0.3)
    sounds.go_on.set()
    assert client.get("/heard?order=split&passage=solo").status == 200
    assert [passage for _, passage, _ in sounds.asked] == ["intro"] * SOUNDS_AT_ONCE + ["solo"]


# Without a board


def test_starters_are_offered(empty: Client, tmp_path: Path) -> None:
    document = empty.get("/board").json()
    assert (document["begun"], document["orders"], document["file"]) == (False, [], None)
    assert empty.get("/").status == 200
    offered = empty.get("/starters").json()
    assert [each["name"] for each in offered["starters"]] == ["electric", "acoustic", "demo"]
    assert all(each["title"] for each in offered["starters"])
    electric, acoustic, _ = (each["about"] for each in offered["starters"])
    assert electric.startswith("electric guitar; compressor, drive, boost")
    assert electric.endswith("into an amplifier")
    assert acoustic.startswith("acoustic guitar; piezo_preamp")
    assert acoustic.endswith("into a mixer")
    assert offered["folder"] == str(tmp_path)
    assert empty.post("/undo", revision=0).status == 409
    assert empty.get("/heard?order=a&passage=b").status == 409


def test_a_starter_begins_a_board_that_is_saved_under_a_name(empty: Client, tmp_path: Path) -> None:
    document = empty.post("/start", name="demo").json()
    assert (document["begun"], document["file"], document["saved"]) == (True, None, False)
    assert list(tmp_path.iterdir()) == []
    assert empty.post("/save", revision=0).status == 422
    assert empty.post("/save", revision=0, file="../x.toml").status == 422
    assert empty.post("/save", revision=0, file="mine.toml").json()["file"] == "mine.toml"
    assert (tmp_path / "mine.toml").read_text() == starter("demo")
    assert empty.post("/start", name="demo").status == 409


def test_a_starter_with_a_name_is_written_at_once(empty: Client, tmp_path: Path) -> None:
    for name, file in (("dmo", "mine.toml"), ("demo", "../mine.toml"), ("demo", 3), (None, "a")):
        assert empty.post("/start", name=name, file=file).status == 422
    assert not empty.get("/board").json()["begun"]
    document = empty.post("/start", name="electric", file="mine.toml").json()
    assert (document["file"], document["saved"]) == ("mine.toml", True)
    assert [file.name for file in tmp_path.iterdir()] == ["mine.toml"]


def test_what_takes_long_is_told_to_stop_when_the_page_is_gone(
    client: Client, sounds: MadeUpSounds
) -> None:
    asked = b"GET /free?order=split&passage=intro HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n"
    line = client.raw(asked % client.port)
    assert sounds.busy.wait(10)
    assert not sounds.go_on.wait(0.3), "while somebody waits it goes on"
    line.close()
    assert sounds.go_on.wait(5)
    assert client.get("/traces?order=split&passage=solo").json() == {"events": []}
