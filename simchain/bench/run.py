"""The bench on a port of this machine: listens, warms up, and ends by Ctrl-C."""

import os
import secrets
import socket
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from threading import Thread
from time import monotonic

import uvicorn

from simchain.bench.desk import Desk
from simchain.bench.guard import Guard
from simchain.bench.lines import Line
from simchain.bench.memory import GivingBack, give_back, share
from simchain.bench.server import Bench
from simchain.bench.sounds import Sounds
from simchain.bench.threads import done_aside
from simchain.errors import RequestError
from simchain.files import reason_of

ADDRESS = "127.0.0.1"
ENDS_WITHIN_S = 1
JOB_ENDS_WITHIN_S = 2.0
LOOKS_EVERY_S = 1
# So many lines are taken before the loop goes on, and can drop some: otherwise hundreds that come
# together take all files that some systems let a program have, and all it does is to say so.
TAKEN_AT_ONCE = 16


def run(
    desk: Desk | None,
    folder: Path,
    port: int | None,
    *,
    listens: Callable[[str], None],
    say: Callable[[str], None],
) -> None:
    """Serve the bench on `port` of the loopback address (None: any that is free) until Ctrl-C.

    `listens` is told the page's address as soon as it answers, `say` the line of each fault of
    our own. Raises RequestError for a port that cannot be had, KeyboardInterrupt at Ctrl-C.
    """
    share()
    with listening(port) as listener:
        port = listener.getsockname()[1]
        token, sounds = secrets.token_urlsafe(32), Sounds()
        bench = Bench(desk, folder, sounds, token)
        app = Guard(bench.app(), port=port, token=token, say=say)
        server = Server(app, lambda: _ready(desk, sounds, lambda: listens(address_of(port))))
        try:
            server.run(sockets=[listener])
        finally:
            bench.jobs.end(JOB_ENDS_WITHIN_S)


def listening(port: int | None) -> socket.socket:
    """Return a socket that listens on the loopback address. Raises RequestError."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if os.name == "posix":  # elsewhere this would take a port that another program holds
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((ADDRESS, port or 0))
        listener.listen()
    except OSError as error:
        listener.close()
        raise RequestError(
            f"port {port} cannot be used ({reason_of(error)}); without --port a free one is taken"
        ) from error
    return listener


def address_of(port: int) -> str:
    """Return the page's address."""
    return f"http://{ADDRESS}:{port}/"


class Server(uvicorn.Server):
    """A server that says when it answers."""

    def __init__(self, app: Guard, answers: Callable[[], None]) -> None:
        super().__init__(
            uvicorn.Config(
                app,
                loop="asyncio",
                http=Line,
                ws="none",
                lifespan="off",
                interface="asgi3",
                backlog=TAKEN_AT_ONCE,
                log_config=None,
                log_level="critical",
                access_log=False,
                proxy_headers=False,
                server_header=False,
                timeout_graceful_shutdown=ENDS_WITHIN_S,
                callback_notify=self._notice,
                timeout_notify=LOOKS_EVERY_S,
            )
        )
        self._answers, self._giving_back = answers, GivingBack()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to answer, and say so."""
        await super().startup(sockets=sockets)
        for each in sockets or ():
            each.listen()  # as many may wait as before; the server's backlog is another thing
        self._answers()

    async def _notice(self) -> None:
        """Give memory back while nobody asks for anything."""
        state = self.server_state
        done = state.total_requests, len(state.connections)
        if self._giving_back.look(done, bool(state.tasks), monotonic()):
            await done_aside(give_back)


def _ready(desk: Desk | None, sounds: Sounds, told: Callable[[], None]) -> None:
    told()
    Thread(target=_warm, args=(desk, sounds), daemon=True, name="warming up").start()


def _warm(desk: Desk | None, sounds: Sounds) -> None:
    """Load the kernels, and render what is most likely asked for first."""
    from simchain.chain import render  # noqa: F401 - loads what rendering needs

    if desk is not None:
        board = desk.board
        with suppress(Exception):  # whoever asks for that sound is told
            sounds.heard(board, next(iter(board.orders)), next(iter(board.passages)), None)
