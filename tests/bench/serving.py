"""A bench, or any other application, on a port of this machine while a test talks to it."""

import asyncio
import http.client
import json
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Event, Thread
from typing import Any, NamedTuple

from simchain.bench.guard import App, Guard
from simchain.bench.run import ENDS_WITHIN_S, Server, listening

TOKEN = "the-token-of-this-start"


class Answer(NamedTuple):
    """Status, headers by small name, and body of an answer."""

    status: int
    headers: dict[str, str]
    body: bytes

    def json(self) -> Any:
        return json.loads(self.body)


class Client:
    """Asks the server as its own page does, unless told otherwise."""

    def __init__(self, port: int, said: list[str]) -> None:
        self.port, self.said = port, said

    def ask(
        self,
        method: str,
        path: str,
        body: Any = None,
        headers: dict[str, str] | None = None,
        *,
        chunked: bool = False,
    ) -> Answer:
        """Send one request on a connection of its own; header values of '' are left out."""
        given = {"Host": f"127.0.0.1:{self.port}", **(headers or {})}
        if method == "POST":
            own = {"Bench-Token": TOKEN, "Content-Type": "application/json"}
            given = {**own, **given}
        given = {name: value for name, value in given.items() if value}
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            connection.request(method, path, body=body, headers=given, encode_chunked=chunked)
            answer = connection.getresponse()
            told = {name.lower(): value for name, value in answer.getheaders()}
            return Answer(answer.status, told, answer.read())
        finally:
            connection.close()

    def get(self, path: str, **headers: str) -> Answer:
        return self.ask("GET", path, headers=headers)

    def post(self, path: str, **body: Any) -> Answer:
        return self.ask("POST", path, json.dumps(body))

    def raw(self, content: bytes) -> socket.socket:
        """Send bytes as they are, and keep the line open."""
        line = socket.create_connection(("127.0.0.1", self.port), timeout=30)
        line.sendall(content)
        return line


class QuickServer(Server):
    """A server that ends as soon as it can, not at the next tenth of a second; test_cli_bench has
    the command's own.
    """

    async def main_loop(self) -> None:
        tick = 0
        while not await self.on_tick(tick):
            await asyncio.sleep(0.01)
            tick += 1

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        for each in (*self.servers, *(sockets or ())):
            each.close()
        state, until = self.server_state, time.monotonic() + ENDS_WITHIN_S
        for connection in list(state.connections):
            connection.shutdown()
        while (state.connections or state.tasks) and time.monotonic() < until:
            await asyncio.sleep(0.002)


@contextmanager
def served(app: App) -> Iterator[Client]:
    """Serve `app` behind its guard until the test is done."""
    answers, said = Event(), []  # type: Event, list[str]
    with listening(None) as listener:
        port = listener.getsockname()[1]
        guard = Guard(app, port=port, token=TOKEN, say=said.append)
        server = QuickServer(guard, answers.set)
        thread = Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            assert answers.wait(30)
            yield Client(port, said)
        finally:
            server.should_exit = True
            thread.join(20)
            assert not thread.is_alive()
