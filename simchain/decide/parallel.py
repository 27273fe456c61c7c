"""Work on several sounds at once."""

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from threading import Event
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


@contextmanager
def threads(count: int) -> Iterator[ThreadPoolExecutor]:
    """Give so many threads, which hand the interpreter on quickly while they are there."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(min(before, SWITCH_S))
    pool = ThreadPoolExecutor(max_workers=count)
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        sys.setswitchinterval(before)


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
