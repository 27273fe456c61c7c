"""Memory that is free: shared by all threads, and given back while nobody asks for anything."""

import ctypes
from contextlib import suppress

IDLE_S = 3.0
# Of glibc's malloc.h: how many arenas threads take their memory from. It makes eight a core.
M_ARENA_MAX = -8
MOST_ARENAS = 2


class GivingBack:
    """Gives memory back once after whatever was done, as soon as nothing is for `IDLE_S`.

    Sounds come and go by the hundred megabytes, in many threads; the C library of Linux keeps what
    they leave, which can be as much as what is in use. While somebody listens it would only be
    asked for again.
    """

    def __init__(self) -> None:
        self._done, self._since_s, self._given = (0, 0), 0.0, True

    def look(self, done: tuple[int, int], busy: bool, now_s: float) -> bool:
        """Take note of how many requests were answered, how many lines are open, and if any waits
        for an answer; return if it is time.
        """
        if busy or done != self._done:
            self._done, self._since_s, self._given = done, now_s, False
        if self._given or now_s - self._since_s < IDLE_S:
            return False
        self._given = True
        return True


def share() -> None:
    """Let threads share what is free, where the C library can be told to; before any is started.

    Sounds are made in one thread and go in another: with arenas of their own what a few hundred
    megabytes of them leave is too much in pieces to be given back.
    """
    with suppress(OSError, AttributeError, TypeError):  # another system, another library
        ctypes.CDLL(None).mallopt(M_ARENA_MAX, MOST_ARENAS)


def give_back() -> None:
    """Give free memory back, where the C library can be told to; elsewhere nothing is done."""
    with suppress(OSError, AttributeError, TypeError):  # another system, another library
        ctypes.CDLL(None).malloc_trim(0)
