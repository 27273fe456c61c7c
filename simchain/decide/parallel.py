"""Work on several sounds at once."""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from threading import Event
from typing import TypeVar

Job = TypeVar("Job")
Found = TypeVar("Found")


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
    pool = ThreadPoolExecutor(max_workers=max(1, min(len(jobs), os.cpu_count() or 1)))
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
        pool.shutdown(wait=True, cancel_futures=True)
