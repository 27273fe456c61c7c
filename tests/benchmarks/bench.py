"""How soon the bench is there, and a moved block heard: python -m tests.benchmarks.bench

The real command on the demo's board, warm; moves of random blocks to random places, as the page
asks for them. Asked for, for 10 s of music: the next two seconds within 300 ms of the drop, the
whole passage within 1.2 s; the page within 2 s of the command. What a browser needs to decode a
sound and start it is not in it (some 40 ms).
"""

import argparse
import http.client
import json
import os
import random
import re
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

from simchain.board import starter
from tests.benchmarks.startup import simchain
from tests.benchmarks.table import Row, main

PASSAGE, ORDER = "solo", "split"
MOVES, STARTS = 40, 3


class Asker:
    """Asks a bench as its page does, on one connection."""

    def __init__(self, port: int) -> None:
        self.line = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        page = self.get("/").decode()
        found = re.search(r'name="bench-token" content="([^"]+)"', page)
        assert found, "the page holds no token"
        self.token = found[1]
        self.board = json.loads(self.get("/board"))

    def get(self, path: str) -> bytes:
        """Return what is there."""
        self.line.request("GET", path)
        return self._answer()

    def move(self, block: str, to: str, at: int) -> None:
        """Move a block."""
        asked = {"revision": self.board["revision"], "order": ORDER, "block": block}
        headers = {"Bench-Token": self.token, "Content-Type": "application/json"}
        self.line.request("POST", "/move", json.dumps({**asked, "to": to, "at": at}), headers)
        self.board = json.loads(self._answer())

    def _answer(self) -> bytes:
        answer = self.line.getresponse()
        content = answer.read()
        assert answer.status == 200, content[:300]
        return content

    def asked(self, **more: Any) -> str:
        """Return what stands behind the question mark."""
        told = {"revision": self.board["revision"], "order": ORDER, "passage": PASSAGE}
        told |= {"amp": self.board["amps"][0]} | more
        return "&".join(f"{name}={quote(str(value))}" for name, value in told.items())


def started(board: Path) -> tuple[subprocess.Popen[str], int, float]:
    """Start the command; return it, its port and the seconds until its page was answered."""
    begun = time.perf_counter()
    command = simchain("bench", board, "--no-open", "--port", "0")
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env={**os.environ}
    )
    assert process.stdout is not None
    port = int(process.stdout.readline().strip().rstrip("/").rpartition(":")[2])
    Asker(port)
    return process, port, time.perf_counter() - begun


def places(order: dict[str, Any]) -> list[tuple[str, str, int]]:
    """Return every move of one block of an order."""
    names = [*order["front"], *order["loop"]]
    found = []
    for name in names:
        for to in ("front", "loop"):
            rest = [each for each in order[to] if each != name]
            found += [(name, to, at) for at in range(len(rest) + 1)]
    return found


def rows(_: argparse.Namespace) -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as folder:
        board = Path(folder) / "board.toml"
        board.write_text(starter("demo"))
        starts = []
        for _ in range(STARTS):
            process, port, seconds = started(board)
            starts.append(seconds)
            process.terminate()
            process.wait()
        yield from told("page answered after the command", starts, 2.0)
        process, port, _ = started(board)
        try:
            yield from moves(Asker(port))
        finally:
            process.terminate()
            process.wait()


def moves(asker: Asker) -> Iterator[Row]:
    """Move blocks, and tell how soon each was heard."""
    passage = next(each for each in asker.board["passages"] if each["name"] == PASSAGE)
    for order in asker.board["orders"]:
        asker.get(f"/heard?order={order['name']}&passage={PASSAGE}")
    chance = random.Random(8)
    parts, wholes = [], []
    for number in range(MOVES + 5):
        order = next(each for each in asker.board["orders"] if each["name"] == ORDER)
        move, at_s = chance.choice(places(order)), chance.uniform(0, passage["seconds"] - 3)
        dropped = time.perf_counter()
        asker.move(*move)
        asker.get(f"/slice.wav?{asker.asked(seconds=2)}&from={at_s:.3f}")
        part = time.perf_counter() - dropped
        heard = json.loads(asker.get(f"/heard?{asker.asked()}"))
        asker.get(f"/sound/{heard['key']}.wav")
        if number >= 5:  # kernels that were not met yet are compiled in the first
            parts.append(part)
            wholes.append(time.perf_counter() - dropped)
    music = f"{MOVES} moves, {passage['seconds']:.0f} s of music"
    yield from told(f"next two seconds after a drop, {music}", parts, 0.3)
    yield from told(f"whole passage after a drop, {music}", wholes, 1.2)


def told(what: str, seconds: list[float], asked: float) -> Iterator[Row]:
    """Yield times beside what is asked for, and the worst of them."""
    yield Row.of(what, seconds, "s", asked)
    yield Row.of(f"{what}, at worst", max(seconds), "s", asked)


if __name__ == "__main__":
    main(__doc__, rows)
