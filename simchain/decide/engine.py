"""Where the parts of a search are worked on: threads, worker processes, or a cluster's workers.

The engine is a `concurrent.futures.Executor` with the number of jobs under way kept small. Results
do not depend on which one it is, nor on how many workers there are: they are the same to the byte
where the processors are of one kind. What is dask's is in `decide.cluster`.
"""

import os
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from contextlib import AbstractContextManager, contextmanager, nullcontext
from itertools import islice
from threading import Event
from typing import Any, TypeAlias, TypeVar
from urllib.parse import urlsplit

from simchain.decide.parallel import threads
from simchain.errors import RequestError

Thing = TypeVar("Thing")
Job = TypeVar("Job")
Result = TypeVar("Result")
Work: TypeAlias = Callable[[Any, Job], Result]  # of what is shared, and of a job

JOBS_A_WORKER = 2  # drawn ahead: one that runs, and one that waits for it
MOST_LOCAL_WORKERS = 256


class Engine:
    """Runs jobs on an executor, a bounded number of them under way at once.

    `workers` is how many jobs run at once, counted when the engine starts.
    """

    def __init__(self, executor: Executor, workers: int) -> None:
        self.workers = workers
        self._executor = executor

    def share(self, thing: Thing) -> Any:
        """Return a handle of what many jobs need; it is sent to every worker once."""
        return thing

    def unordered(
        self,
        work: Work[Job, Result],
        shared: Any,
        jobs: Iterator[Job],
        *,
        stop: Event | None = None,
    ) -> Iterator[tuple[Job, Result]]:
        """Yield each of `jobs` with what `work` makes of it, as they are done.

        `work` is called with what `shared` is the handle of, and with the job; for processes it
        must be a function of a module. A job is taken from `jobs` only when one is done, so that
        there are never more than two for each worker, beside the one that the caller holds. When
        one fails, at Ctrl-C, and when the caller goes away, those that have not begun are dropped,
        `stop` is set for the others, and threads are waited for; local workers end with the engine,
        those of a scheduler finish what they are at, for nobody.
        """
        under_way: dict[Future[Result], Job] = {}

        def begin(job: Job) -> None:
            with self._undisturbed():
                under_way[self._submit(work, shared, job)] = job

        try:
            for job in islice(jobs, JOBS_A_WORKER * self.workers):
                begin(job)
                del job
            while under_way:
                done = wait(under_way, return_when=FIRST_COMPLETED).done
                while done:
                    yield self._taken(done, under_way)
                    for job in islice(jobs, 1):
                        begin(job)
                        del job
        except BaseException:
            if stop:
                stop.set()
            raise
        finally:
            with self._undisturbed():
                running = [task for task in under_way if not task.cancel()]
                under_way.clear()
            wait(running)

    def _taken(
        self, done: "set[Future[Result]]", under_way: "dict[Future[Result], Job]"
    ) -> tuple[Job, Result]:
        """Return a job that is done, with its result; nothing of it stays here."""
        with self._undisturbed():
            task = done.pop()
            taken = under_way.pop(task), self._result(task)
            del task
        return taken

    def _undisturbed(self) -> AbstractContextManager[None]:
        """Hold Ctrl-C for a moment, where the executor cannot bear it."""
        return nullcontext()

    def _submit(self, work: Work[Job, Result], shared: Any, job: Job) -> "Future[Result]":
        return self._executor.submit(work, shared, job)

    def _result(self, task: "Future[Result]") -> Result:
        return task.result()


@contextmanager
def engine(*, scheduler: str | None = None, local_workers: int | None = None) -> Iterator[Engine]:
    """Give an engine of threads, one a core, or of processes where they are asked for.

    `scheduler` is the address of a running dask scheduler, ``tcp://HOST:PORT``; its workers must
    have the same versions as are installed here. `local_workers` starts so many processes on this
    machine, which end with the engine; a script of one's own that does so needs the usual
    ``if __name__ == "__main__":``, because they import it. Both need the extra `cluster`.

    Raises RequestError for what cannot be had.
    """
    if scheduler is not None and local_workers is not None:
        raise RequestError("give a scheduler or a number of local workers, not both")
    if scheduler is not None:
        _check_address(scheduler)
        from simchain.decide import cluster  # late: it is made of what stands here

        with cluster.remote(scheduler) as started:
            yield started
    elif local_workers is not None:
        if not 1 <= local_workers <= MOST_LOCAL_WORKERS:
            raise RequestError(
                f"{local_workers} local workers asked for; 1 to {MOST_LOCAL_WORKERS} are allowed"
            )
        from simchain.decide import cluster

        with cluster.local(local_workers) as started:
            yield started
    else:
        cores = os.cpu_count() or 1
        with threads(cores) as pool:
            yield Engine(pool, cores)


def _check_address(address: str) -> None:
    try:
        parts = urlsplit(address)
        fits = parts.scheme in ("tcp", "tls") and bool(parts.hostname) and bool(parts.port)
    except ValueError:  # a port out of range, half an IPv6 address
        fits = False
    if not fits or parts.path.strip("/") or address.split() != [address]:
        raise RequestError(f"scheduler '{address}' is no address; write it as tcp://HOST:PORT")
