"""Engines of dask.distributed: worker processes of this machine, and the workers of a scheduler.

Needs the extra `cluster`; dask is loaded when one of them is started.
"""

import asyncio
import logging
import os
import signal
import sys
import tempfile
import threading
import warnings
from collections.abc import Iterator
from concurrent.futures import CancelledError, Future
from concurrent.futures import ThreadPoolExecutor as Threads
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from functools import partial
from typing import TYPE_CHECKING, Any

from simchain import __version__
from simchain.decide.engine import Engine, Job, Result, Thing, Work
from simchain.errors import RequestError
from simchain.files import in_temporary_folder

if TYPE_CHECKING:
    from distributed import Client, LocalCluster

ANSWER_WITHIN_S = 5.0
NO_LOGS = logging.CRITICAL + 1
LOST_WORKERS_A_JOB = 20  # of a local cluster; after so many the job is taken to be what kills them
SAME_EVERYWHERE = ("simchain", "numpy", "scipy", "numba", "distributed")
SLOW_FOLDERS = "Creating scratch directories"  # how dask's warning of a busy machine begins
CLUSTER_SETTINGS = {
    "distributed.nanny.pre-spawn-environ.PYTHONWARNINGS": f"ignore:{SLOW_FOLDERS}",
    # Dask lets workers give memory back whenever 64 kB are free; a search takes as much again at
    # once, and was twice as slow for it.
    "distributed.nanny.pre-spawn-environ.MALLOC_TRIM_THRESHOLD_": 134_217_728,
    "distributed.nanny.pre-spawn-environ.MALLOC_MMAP_THRESHOLD_": 33_554_432,
    "distributed.scheduler.allowed-failures": LOST_WORKERS_A_JOB,
    "distributed.admin.large-graph-warning-threshold": "1TiB",  # jobs hold sounds, as they must
}


class _Cluster(Engine):
    """Runs jobs on the workers of dask.distributed; those of a lost worker run again."""

    def __init__(self, client: "Client", workers: int, name: str) -> None:
        super().__init__(client.get_executor(pure=False), workers)
        self._client = client
        self._name = name
        self._sent: Any = None

    def share(self, thing: Thing) -> Any:
        with self._undisturbed():
            self._sent = None  # the one before is dropped here, and by nobody else
            # A task, not scattered data: when all workers that hold it are lost, it runs once more.
            self._sent = self._client.submit(partial(_itself, thing), pure=False)
        self._client.replicate([self._sent])
        return self._sent

    def _undisturbed(self) -> AbstractContextManager[None]:
        # Dask's futures are given up in their __del__, where Python drops an interrupt unheard.
        return _ctrl_c_held()

    def _submit(self, work: Work[Job, Result], shared: Any, job: Job) -> "Future[Result]":
        # In a partial: dask looks through arguments for what it might have to put in.
        return self._executor.submit(partial(_worked, __version__, work, job), shared)

    def _result(self, task: "Future[Result]") -> Result:
        from distributed import KilledWorker

        try:
            return task.result()
        except KilledWorker as error:
            raise RequestError(
                f"{self._name}: a job lost its worker again and again; the workers may be short of"
                " memory: use fewer"
            ) from error
        except CancelledError as error:
            raise RequestError(f"{self._name} does not answer any more") from error


def _itself(thing: Thing) -> Thing:
    return thing


def _worked(version: str, work: Work[Job, Result], job: Job, shared: Any) -> Result:
    if version != __version__:  # a worker that came later
        raise RequestError(f"a worker has simchain {__version__}, the search is by {version}")
    return work(shared, job)


@contextmanager
def _quiet_cluster() -> Iterator[None]:
    """Settings for as long as an engine runs; only what breaks is told, and by our own errors."""
    try:
        import dask
        import distributed  # noqa: F401
    except ImportError as error:
        raise RequestError(
            "a scheduler or local workers need the extra 'cluster': pip install 'simchain[cluster]'"
        ) from error
    loggers = [logging.getLogger(name) for name in ("distributed", "tornado")]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(NO_LOGS)
    try:
        with dask.config.set(CLUSTER_SETTINGS):
            yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)


@contextmanager
def remote(address: str) -> Iterator[Engine]:
    """Use the workers of the scheduler at `address`, which go on when we have done."""
    with _quiet_cluster():
        from distributed import Client

        name = f"scheduler {address}"
        with Threads(max_workers=1) as thread:
            try:
                thread.submit(asyncio.run, _greeted(address)).result()
            except Exception as error:  # whatever else answers there may send anything
                raise RequestError(
                    f"{name} does not answer (tried for {ANSWER_WITHIN_S:g} s to connect); is it"
                    " running there?"
                ) from error
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of versions: checked below, and said in one line
            client = Client(address, timeout=ANSWER_WITHIN_S, set_as_default=False)
        with client:
            try:
                client.wait_for_workers(1, timeout=ANSWER_WITHIN_S)
            except TimeoutError as error:
                raise RequestError(
                    f"{name} has no workers (waited {ANSWER_WITHIN_S:g} s for one); start some"
                ) from error
            _check_versions(client, name)
            yield _Cluster(client, sum(client.nthreads().values()), name)


async def _greeted(address: str) -> None:
    """Connect to what should be a scheduler; a Client would wait for ever where none answers."""
    from distributed.comm import connect

    comm = await asyncio.wait_for(connect(address, timeout=ANSWER_WITHIN_S), ANSWER_WITHIN_S)
    await comm.close()


@contextmanager
def local(workers: int) -> Iterator[Engine]:
    """Start worker processes of one thread each, reached from this machine alone."""
    with _quiet_cluster(), ExitStack() as stack:
        import dask
        from distributed import Client, LocalCluster

        with in_temporary_folder():
            folder = stack.enter_context(
                tempfile.TemporaryDirectory(prefix="simchain-", ignore_cleanup_errors=True)
            )
        stack.enter_context(dask.config.set({"temporary-directory": folder}))
        here = "127.0.0.1"
        with _ctrl_c_held(), _ctrl_c_kept_out(), warnings.catch_warnings():
            warnings.filterwarnings("ignore", SLOW_FOLDERS)
            try:
                cluster = LocalCluster(
                    n_workers=workers,
                    threads_per_worker=1,
                    host=here,
                    dashboard_address=f"{here}:0",
                    scheduler_kwargs={"dashboard": False},
                    silence_logs=NO_LOGS,
                    memory_limit=None,  # a worker short of it would stand still
                )
            except (OSError, RuntimeError) as error:
                raise RequestError(
                    f"cannot start {workers} worker processes ({str(error).rstrip('.')}); a script"
                    ' of one\'s own needs the usual if __name__ == "__main__":'
                ) from error
            client = Client(cluster, set_as_default=False)
            stack.push(partial(_end, cluster, client))
        yield _Cluster(client, workers, "the local cluster")


def _end(cluster: "LocalCluster", client: "Client", failed: object, *_: object) -> None:
    """End the worker processes, at once when something failed or was interrupted."""
    with _ctrl_c_held():
        for nanny in cluster.workers.values() if failed else ():
            nanny.auto_restart = False
            if nanny.pid:
                with suppress(ProcessLookupError):
                    os.kill(nanny.pid, signal.SIGTERM)
        client.close()
        cluster.close()


@contextmanager
def _ctrl_c_held() -> Iterator[None]:
    """Let Ctrl-C wait until this is left. It comes to the main thread alone."""
    handler = signal.getsignal(signal.SIGINT)
    if threading.current_thread() is not threading.main_thread() or not callable(handler):
        yield
        return
    waiting = False

    def note(*_: object) -> None:
        nonlocal waiting
        waiting = True

    signal.signal(signal.SIGINT, note)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, handler)
        if waiting:
            handler(signal.SIGINT, None)


@contextmanager
def _ctrl_c_kept_out() -> Iterator[None]:
    """Keep Ctrl-C from threads and processes that are started meanwhile, where the system can.

    They inherit the mask, so that workers never see it. It holds nothing off this process itself:
    threads of linear algebra, started before, let it in.
    """
    if sys.platform == "win32":
        yield
        return
    from multiprocessing.resource_tracker import ensure_running

    ensure_running()  # started later on, it would let Ctrl-C through again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _check_versions(client: "Client", name: str) -> None:
    """Refuse workers that give other results, and versions of dask that do not get along."""
    told = client.get_versions(packages=list(SAME_EVERYWHERE))
    ours = _what_counts(told["client"])
    others = {f"worker {worker}": _what_counts(found) for worker, found in told["workers"].items()}
    others["the scheduler"] = {
        **ours,
        "distributed": told["scheduler"]["packages"].get("distributed"),
    }
    for who, theirs in others.items():
        for what, there in theirs.items():
            if there != ours[what]:
                raise RequestError(
                    f"{name}: {who} has {what} {there or '(not installed)'}, here it is"
                    f" {ours[what]}; it must be the same everywhere"
                )


def _what_counts(versions: dict[str, Any]) -> dict[str, str | None]:
    host, packages = dict(versions["host"]), versions["packages"]
    python = ".".join(host["python"].split(".")[:2])
    of_packages = {package: packages.get(package) for package in SAME_EVERYWHERE}
    return {**of_packages, "python": python, "machine": host["machine"]}
