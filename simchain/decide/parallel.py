"""Work on several sounds at once."""

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from threading import Event, Lock
from typing import TypeVar

Job = TypeVar("Job")
Found = TypeVar("Found")


class Stop(Event):
    """Tells threads to stop; it is set as well once `outer` is.

    Sent to another process it is one that nobody sets.
    """

    def __init__(self, outer: Event | None = None) -> None:
        super().__init__()
        self._outer = outer

    def is_set(self) -> bool:
        """Whether it or the outer one was set."""
        return super().is_set() or (self._outer is not None and self._outer.is_set())

    def __reduce__(self) -> tuple[type["Stop"], tuple[()]]:
        return Stop, ()


# Python's own interval, 5 ms, is as long as many kernels: a thread that comes out of one waits for
# as long as it ran until another lets go of the interpreter. (Two threads of a search against one:
# 1.6 times with it, 1.8 with this.)
SWITCH_S = 0.0002


class _HandingOn:
    """Python's interval while any threads are there: those of a page may overlap."""

    def __init__(self) -> None:
        self._lock, self._uses, self._before = Lock(), 0, 0.0

    def begin(self) -> None:
        """Hand the interpreter on quickly."""
        with self._lock:
            if self._uses == 0:
                self._before = sys.getswitchinterval()
                sys.setswitchinterval(min(self._before, SWITCH_S))
            self._uses += 1

    def end(self) -> None:
        """Leave it as it was once nobody needs it any more."""
        with self._lock:
            self._uses -= 1
            if self._uses == 0:
                sys.setswitchinterval(self._before)


_HANDING_ON = _HandingOn()


@contextmanager
def threads(count: int) -> Iterator[ThreadPoolExecutor]:
    """Give so many threads, which hand the interpreter on quickly while they are there."""
    pool = ThreadPoolExecutor(max_workers=count)
    _HANDING_ON.begin()
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        _HANDING_ON.end()


def in_parallel(
    work: Callable[[Job], Found],
    jobs: Sequence[Job],
    *,
    stop: Event | None = None,
    each: Callable[[int, Job], None] | None = None,
) -> list[Found]:
    """Return what `work` makes of each of `jobs`, as many at once as there are cores.

    `each` is called with how many are done and with the job, in their sequence. When one fails, or
    is interrupted, those that have not begun are dropped, and `stop` is set for the others.
    """
    with threads(max(1, min(len(jobs), os.cpu_count() or 1))) as pool:
        try:
            tasks = [pool.submit(work, job) for job in jobs]
            found = []
            for done, (task, job) in enumerate(zip(tasks, jobs, strict=True), start=1):
                found.append(task.result())
                if each:
                    each(done, job)
            return found
        finally:
            if stop:
                stop.set()
