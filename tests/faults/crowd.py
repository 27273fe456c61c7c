"""Visitors of one bench, who ask as its page does, and others who behave badly on purpose."""

import contextlib
import hashlib
import http.client
import io
import json
import random
import re
import socket
import struct
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
import soundfile

from simchain.bench.files import static_files
from simchain.report.guide import PAGES
from tests.bench.conftest import BOARD

ORDERS, PASSAGES = ("series", "split"), ("riff", "verse")
# What a request that the page may ask can be answered with: the board has often changed meanwhile,
# there is nothing to undo, another job is under way, or the job has not written its page.
FAIR = {200, 404, 409}
# No request waits longer for the beginning or the next part of its answer: `server.TURN_WITHIN_S`
# for its turn, and as long as the work takes on a machine that has other things to do.
ANSWERED_WITHIN_S = 120.0


@dataclass(frozen=True)
class Heard:
    """What was asked of the board of a revision, and what came."""

    revision: int
    do: str
    asked: tuple[tuple[str, Any], ...]
    came: Any


@dataclass
class Log:
    """What all visitors saw."""

    answers: "Counter[tuple[str, int]]" = field(default_factory=Counter)
    longest_s: dict[str, float] = field(default_factory=dict)
    changes: dict[int, tuple[str, dict[str, Any]]] = field(default_factory=dict)
    heard: list[Heard] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, do: str, status: int, seconds: float) -> None:
        with self.lock:
            self.answers[do, status] += 1
            self.longest_s[do] = max(self.longest_s.get(do, 0.0), seconds)


def digest(content: bytes) -> str:
    """What stands for a sound: thousands of them are kept."""
    return hashlib.sha256(content).hexdigest()


def clip_wav(number: int) -> bytes:
    """A clip of its own for each number: half a second of noise."""
    volts = 0.1 * np.random.default_rng(number).standard_normal(24_000)
    content = io.BytesIO()
    soundfile.write(content, volts, 48_000, format="WAV", subtype="PCM_16")
    return content.getvalue()


class Visitor:
    """One browser: a line that is kept, what it was told of the board, and its own chance."""

    def __init__(self, port: int, token: str, seed: int, log: Log) -> None:
        self.port, self.token, self.log = port, token, log
        self.chance, self.number = random.Random(seed), seed
        self.line = self._line()
        self.board: dict[str, Any] = {}
        self.did = "nothing yet"

    def _line(self) -> http.client.HTTPConnection:
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=ANSWERED_WITHIN_S)

    # Asking

    def ask(self, do: str, method: str, path: str, body: bytes = b"", kind: str = "json") -> bytes:
        """Ask, and return the body of what comes, or nothing where it is refused."""
        self.did, headers = f"{method} {path}", {}
        if method == "POST":  # on a line of its own: an old one may just be closing
            self.line.close()
            headers = {"Bench-Token": self.token, "Content-Type": f"application/{kind}"}
        begun = time.monotonic()
        try:
            self.line.request(method, path, body or None, headers)
            answer = self.line.getresponse()
        except (http.client.RemoteDisconnected, ConnectionError):
            if method == "POST":
                raise
            self.line.close()
            self.line.request(method, path)
            answer = self.line.getresponse()
        content = answer.read()
        self.log.note(do, answer.status, time.monotonic() - begun)
        # (The copy of an order is gone where another visitor's undo came between.)
        if answer.status not in FAIR | ({422} if do == "orders" else set()):
            raise AssertionError(f"{do} {path}: {answer.status} {content[:200]!r}")
        return content if answer.status == 200 else b""

    def get(self, do: str, path: str, **asked: Any) -> bytes:
        return self.ask(do, "GET", f"{path}?{urlencode(asked)}" if asked else path)

    def post(self, deed: str, path: str, /, **asked: Any) -> Any:
        content = self.ask(deed, "POST", path, json.dumps(asked).encode())
        return json.loads(content) if content else None

    def change(self, path: str, /, **asked: Any) -> None:
        told = {"revision": self.board["revision"], **asked}
        board = self.post(path.strip("/"), path, **told)
        if board is None:
            self.look()
            return
        if board["revision"] != told["revision"]:
            with self.log.lock:
                assert board["revision"] not in self.log.changes, "two changes of one revision"
                self.log.changes[board["revision"]] = (path, told)
        self.board = board

    # What a page does

    def look(self) -> None:
        self.board = json.loads(self.get("board", "/board"))

    def page(self) -> None:
        found = re.search(rb'name="bench-token" content="([^"]+)"', self.get("page", "/"))
        assert found
        assert found[1].decode() == self.token

    def static(self) -> None:
        name = self.chance.choice(sorted(static_files()))
        assert self.get("static", f"/static/{name}") == static_files()[name]

    def guide(self) -> None:
        assert b"<h1" in self.get("guide", f"/guide/{self.chance.choice(list(PAGES))}")

    def told(self) -> dict[str, Any]:
        return {
            "revision": self.board["revision"],
            "order": self.chance.choice(ORDERS),
            "passage": self.chance.choice(PASSAGES),
        }

    def keep(self, do: str, asked: dict[str, Any], came: Any) -> None:
        question = tuple(sorted((key, each) for key, each in asked.items() if key != "revision"))
        with self.log.lock:
            self.log.heard.append(Heard(asked["revision"], do, question, came))

    def question(self, do: str, **more: Any) -> Any:
        """Ask what is answered in JSON, and keep what came."""
        asked = self.told() | more
        content = self.get(do, f"/{do}", **asked)
        if not content:
            self.look()
            return None
        self.keep(do, asked, json.loads(content))
        return json.loads(content)

    def sound(self) -> None:
        point = self.chance.choice(["", "", "", "grit.out", "press.in"])
        facts = self.question("point", point=point) if point else self.question("heard")
        if facts:
            key = facts["key"]
            wav = self.get("sound", f"/sound/{key}.wav")
            self.keep("sound", {"revision": -1, "key": key}, digest(wav))

    def slice(self) -> None:
        asked = self.told() | {"from": self.chance.choice([0, 0.25, 1.0]), "seconds": 0.5}
        wav = self.get("slice", "/slice.wav", **asked)
        if wav:
            self.keep("slice", asked, digest(wav))

    def pair(self, do: str) -> None:
        asked = self.told() | {"a": "series", "b": "split"}
        content = self.get(do, f"/{do}", **asked)
        if content:
            self.keep(do, asked, json.loads(content))

    def move(self) -> None:
        block = self.chance.choice(["press", "grit", "push", "room"])
        at, order = self.chance.randrange(4), self.chance.choice(ORDERS)
        held = next(each for each in self.board["orders"] if each["name"] == order)
        to = self.chance.choice(["front", "loop"])
        rest = [name for name in held[to] if name != block]
        self.change("/move", order=order, block=block, to=to, at=min(at, len(rest)))

    def set(self) -> None:
        value = round(self.chance.uniform(12.0, 30.0), 1)
        made = {"path": ["blocks", "grit", "gain_db"], "value": value}
        self.change("/change", changes=[made], say="grit gain_db")

    def fill(self, sounds: int) -> None:
        """Listen to so many different sounds, one after another."""
        self.look()
        for number in range(sounds):
            made = {"path": ["blocks", "press", "level_db"], "value": round(0.01 * number, 2)}
            self.change("/change", changes=[made], say="press level_db")
            asked = {"revision": self.board["revision"], "order": "series", "passage": "verse"}
            assert self.get("heard", "/heard", **asked)
        self.line.close()

    def copy(self) -> None:
        self.change("/orders", do="copy", order="series", name=f"own{self.number}")
        self.change("/orders", do="remove", order=f"own{self.number}")

    def save(self) -> None:
        self.change("/save", over=True, file=f"own{self.number}.toml")

    def upload(self) -> None:
        path = f"/clip?name=own{self.number}.wav"
        told = self.ask("clip", "POST", path, clip_wav(self.number), "octet-stream")
        assert json.loads(told)["seconds"] == 0.5

    def work(self) -> None:
        """Begin long work, look how far it is, and stop it."""
        do = self.chance.choice(["levels", "compare", "search", "plan"])
        asked = {"order": "split", "orders": list(ORDERS), "passages": ["riff"], "how": "coarse"}
        job = self.post("job", "/job", revision=self.board["revision"], do=do, **asked)
        if job:
            key = job["job"]
            self.get("job", f"/job/{key}")
            self.get("job", f"/job/{key}/page")
            self.post("job", f"/job/{key}/stop")

    # What no page does

    def opened(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), timeout=ANSWERED_WITHIN_S)

    def head(self, first: str, more: str = "") -> bytes:
        own = f"Host: 127.0.0.1:{self.port}\r\nBench-Token: {self.token}\r\n"
        return f"{first} HTTP/1.1\r\n{own}{more}\r\n".encode()

    def broken(self) -> None:
        """Do one of: say nothing, send half a request and vanish, break off in a body or answer."""
        clip = self.head(
            f"POST /clip?name=gone{self.number}.wav",
            "Content-Type: audio/wav\r\nContent-Length: 4000000\r\n",
        )
        move = self.head("POST /move", "Content-Type: application/json\r\nContent-Length: 900\r\n")
        ways: list[tuple[str, bytes]] = [
            ("nothing sent", b""),
            ("half a head", b"GET /board HT"),
            ("upload aborted", clip + bytes(1_000_000)),
            ("change aborted", move + b'{"revision": '),
            ("download aborted", self.head("GET /tones.wav")),
            ("render aborted", self.head(f"GET /heard?{urlencode(self.told())}")),
            ("long work aborted", self.head(f"GET /free?{urlencode(self.told())}")),
        ]
        name, content = self.chance.choice(ways)
        with self.opened() as line, contextlib.suppress(ConnectionError):
            line.sendall(content)
            if name == "download aborted":
                line.recv(1000)
            if self.chance.random() < 0.5:  # with a reset in place of an end
                line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.log.note(name, 0, 0.0)

    def slow(self) -> None:
        """Send a change byte by byte, as far as one is let."""
        content = self.head(
            "POST /undo", "Content-Type: application/json\r\nContent-Length: 99\r\n"
        )
        with self.opened() as line, contextlib.suppress(ConnectionError):
            for byte in content[:40]:
                line.sendall(bytes([byte]))
                time.sleep(0.005)
        self.log.note("byte by byte, gone", 0, 0.0)

    def stay(self, times: int) -> None:
        """Do so many things, one after another; a fault is kept for the test."""
        deeds: list[tuple[int, Callable[[], Any]]] = [
            (3, self.page),
            (8, self.static),
            (3, self.guide),
            (5, self.look),
            (3, lambda: self.get("settings", "/settings")),
            (2, lambda: self.get("starters", "/starters")),
            (24, self.sound),
            (8, self.slice),
            (3, lambda: self.pair("where")),
            (1, lambda: self.pair("against")),
            (1, lambda: self.question("free")),
            (2, lambda: self.question("traces")),
            (6, self.move),
            (4, self.set),
            (2, lambda: self.change("/undo")),
            (1, lambda: self.change("/redo")),
            (1, self.copy),
            (2, self.save),
            (4, self.upload),
            (1, lambda: self.get("tones", "/tones.wav")),
            (2, self.work),
            (10, self.broken),
            (2, self.slow),
        ]
        weights, does = zip(*deeds, strict=True)
        try:
            self.look()
            for do in self.chance.choices(does, weights, k=times):
                do()
        except Exception as error:
            with self.log.lock:
                self.log.faults.append(f"visitor {self.number}, {self.did}: {error!r}")
        finally:
            self.line.close()


def crowd(port: int, token: str, visitors: int, times: int, seed: int, log: Log) -> float:
    """Let so many visitors in at once, each to do so many things; return the seconds it took."""
    begun = time.monotonic()
    all_of_them = [Visitor(port, token, seed + number, log) for number in range(visitors)]
    threads = [threading.Thread(target=each.stay, args=(times,)) for each in all_of_them]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return time.monotonic() - begun


def board_in(folder: Path, seconds: float) -> Path:
    """Write the board beside a clip of plucked notes."""
    at = np.arange(round(seconds * 48_000)) / 48_000
    note = np.exp(-2.0 * (at % 0.75)) * np.sin(2 * np.pi * 196.0 * at)
    soundfile.write(folder / "clip.wav", 0.3 * note, 48_000)
    path = folder / "board.toml"
    path.write_text(BOARD)
    return path
