"""A browser's line to the bench: who is slow to ask, or does not read on, is let go."""

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

# A browser opens six lines to one server. Some systems let a program have 256 files.
MOST_LINES = 128
WAITS_S = 10.0
LOOKS_EVERY_S = 1.0


class Line(H11Protocol):
    """A line of uvicorn, which is not waited for without end.

    It is dropped where `WAITS_S` go by in which no whole head of a request has come, or nothing of
    an answer was read. (How long a body may take, `guard` says; how long an answer, the work.)
    Where `MOST_LINES` are open a new one takes the place of that which has waited longest for a
    head; it is dropped itself where all others are being answered.
    """

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for a request."""
        super().connection_made(transport)
        self._unread, self._since = 0, self.loop.time()
        self._looking = self.loop.call_later(LOOKS_EVERY_S, self._look)
        if len(self.connections) > MOST_LINES:
            self._make_room()

    def connection_lost(self, exc: Exception | None) -> None:
        """Look no more."""
        self._looking.cancel()
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        """Wait for the next request from now on."""
        self._since = self.loop.time()
        super().on_response_complete()

    def _look(self) -> None:
        unread = self.transport.get_write_buffer_size()
        if unread != self._unread or (not unread and self._is_answered()):
            self._unread, self._since = unread, self.loop.time()
        if self.loop.time() - self._since > WAITS_S:
            self._drop()
        else:
            self._looking = self.loop.call_later(LOOKS_EVERY_S, self._look)

    def _make_room(self) -> None:
        others: list[Any] = [each for each in self.connections if each is not self]
        waiting = [each for each in others if isinstance(each, Line) and not each._is_answered()]
        min(waiting, key=lambda line: line._since, default=self)._drop()

    def _is_answered(self) -> bool:
        """Whether a request has come whole, or its head has, and its answer is being made."""
        return self.cycle is not None and not self.cycle.response_complete

    def _drop(self) -> None:
        self.connections.discard(self)  # at once: the loop tells that it is lost only later
        self.transport.abort()
