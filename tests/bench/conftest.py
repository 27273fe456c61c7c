"""The bench opened in a browser, with all that its page said and asked for.

What ears are expected to tell takes all cores and outlives the page that asked. So it is asked of
the bench only where a page is opened with ``judged=True``; elsewhere its two questions never reach
the bench: one is answered with a sentence of the tests, and one waits.
"""

import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from simchain.bench.desk import Desk
from simchain.bench.server import Bench
from simchain.bench.sounds import Sounds
from tests.bench.serving import TOKEN, Client, served

RATE = 48_000
# Of what the page asked and was refused the browser itself says so; that is no fault of the page.
REFUSED = "Failed to load resource: the server responded with a status of 4"

JUDGED = {"sentence": "A and B, as a test says.", "engineers": [["verdict", "subtle"]]}

BOARD = """
title = "Slipway"  # kept
tail_s = 0.2
source = { kind = "guitar", clip = "clip.wav" }
[amps]
clean = { gain_db = 8 }
[blocks]
press = { kind = "compressor" }
grit = { kind = "drive", gain_db = 20 }
push = { kind = "boost" }
room = { kind = "reverb", decay_s = 0.6 }
[orders.series]
front = ["press", "grit", "push", "room"]
[orders.split]
front = ["press", "grit", "push"]
loop = ["room"]
[passages.riff]
on = ["press", "grit", "push", "room"]
[passages.verse]
on = ["press"]
"""


class BenchSheet:
    """The bench's page, its server, and all that the page said."""

    def __init__(
        self,
        browser: Any,
        client: Client,
        before: str = "",
        *,
        judged: bool = False,
        **context: Any,
    ) -> None:
        context.setdefault("viewport", {"width": 1280, "height": 900})
        self.client = client
        self.context = browser.new_context(**context)
        self.page = self.context.new_page()
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("response", lambda answer: self.refused(answer))
        self.page.on("request", lambda request: self.asked.append(request.url))
        if before:
            self.page.add_init_script(before)
        if not judged:
            self.page.route(re.compile(r"/against\?"), lambda asked: asked.fulfill(json=JUDGED))
            self.page.route(re.compile(r"/free\?"), lambda _: None)
        self.page.goto(f"http://127.0.0.1:{client.port}/")
        self.until("window.simchainBench.seen !== null")

    def refused(self, answer: Any) -> None:
        if answer.status >= 400:
            self.said.append(f"{REFUSED}: {answer.status} {answer.request.method} {answer.url}")

    def state(self, name: str) -> Any:
        return self.page.evaluate(f"window.simchainBench.{name}")

    def until(self, condition: str, seconds: float = 120.0) -> None:
        end = time.monotonic() + seconds
        while not self.page.evaluate(condition):
            assert time.monotonic() < end, f"still not so after {seconds} s: {condition}"
            self.page.wait_for_timeout(20)

    def until_revision(self, revision: int) -> None:
        self.until(f"window.simchainBench.revision === {revision}")

    def word(self, order: str, block: str) -> Any:
        return self.page.locator(f'.line[data-order="{order}"] .word[data-block="{block}"]')

    def order(self, name: str) -> tuple[list[str], list[str]]:
        """What the page shows, what it holds and what the server holds: all the same."""
        shown = {
            to: self.page.locator(f'.line[data-order="{name}"] .word[data-to="{to}"]').evaluate_all(
                "words => words.map((word) => word.dataset.block)"
            )
            for to in ("front", "loop")
        }
        for orders in (self.state("orders"), self.client.get("/board").json()["orders"]):
            held = next(order for order in orders if order["name"] == name)
            assert (held["front"], held["loop"]) == (shown["front"], shown["loop"])
        return shown["front"], shown["loop"]

    def aloud(self) -> str:
        return self.page.inner_text("#aloud")

    def play(self) -> None:
        self.page.click("#play")
        self.until("window.simchainBench.playing && window.simchainBench.key !== null")


@pytest.fixture
def board_text() -> str:
    """The board's text: one with an amplifier, where a test has no other."""
    return BOARD


@pytest.fixture
def desk(tmp_path: Path, board_text: str) -> Desk:
    """A desk with a board that has no clip beside it."""
    path = tmp_path / "board.toml"
    path.write_text(board_text)
    return Desk.opened(path)


@pytest.fixture
def client(desk: Desk) -> Iterator[Client]:
    """Asks a bench that has the desk, and no sounds."""
    with served(Bench(desk, desk.folder, None, TOKEN).app()) as client:  # type: ignore[arg-type]
        yield client


@pytest.fixture
def board(tmp_path: Path, board_text: str) -> Path:
    """The board, beside a clip of two plucked notes."""
    seconds = np.arange(2 * RATE) / RATE
    note = np.exp(-2.0 * (seconds % 1.0)) * np.sin(2 * np.pi * 196.0 * seconds)
    soundfile.write(tmp_path / "clip.wav", 0.3 * note, RATE)
    path = tmp_path / "board.toml"
    path.write_text(board_text)
    return path


@pytest.fixture
def opened(chromium: Any, board: Path) -> Iterator[Callable[..., BenchSheet]]:
    """Open the bench; at the end nothing was said, and nothing fetched from elsewhere."""
    pages: list[BenchSheet] = []
    app = Bench(Desk.opened(board), board.parent, Sounds(), TOKEN).app()
    with served(app) as client:

        def open_page(before: str = "", **context: Any) -> BenchSheet:
            pages.append(BenchSheet(chromium, client, before, **context))
            return pages[-1]

        yield open_page
        for page in pages:
            page.context.close()
        assert client.said == []
    for page in pages:
        assert [said for said in page.said if not said.startswith(REFUSED)] == []
        own = (f"http://127.0.0.1:{client.port}/", "data:")
        assert [address for address in page.asked if not address.startswith(own)] == []
