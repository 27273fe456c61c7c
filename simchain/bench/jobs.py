"""Long pieces of work: one at a time, in a thread, told how far it is, and stopped. No web."""

import secrets
import weakref
from collections import OrderedDict
from collections.abc import Callable
from functools import cached_property
from pathlib import Path
from threading import Event, Lock, Thread
from time import monotonic
from typing import Any, Literal

from simchain.bench.desk import ConflictError
from simchain.chain.walk import StoppedError
from simchain.decide.pace import Pace
from simchain.errors import SimchainError
from simchain.files import temporary_folder

State = Literal["running", "done", "stopped", "failed"]
# Finished work that is kept, with its pages, and for how long work goes on that nobody asks about.
# (A page that is out of sight may ask once a minute.)
MOST_KEPT = 6
ABANDONED_S = 150.0


class Job:
    """One long piece of work: what it is at, how far it is, and what became of it.

    `folder` is its own, for files, and goes with it. What works on it calls `progress` or `say`,
    and hands `stop` to whatever can be stopped.
    """

    def __init__(self, do: str, title: str) -> None:
        self.key, self.do, self.title = secrets.token_hex(8), do, title
        self.stop = Event()
        self.state: State = "running"
        self.says = f"{title}: beginning"
        self.done: int | None = None
        self.of: int | None = None
        self.left_s: float | None = None
        self.result: dict[str, Any] | None = None
        self.page: Path | None = None
        self.asked_at = monotonic()
        self._pace = Pace()

    @cached_property
    def folder(self) -> Path:
        """A folder for what it writes, which is made when it is asked for first.

        Raises OutputError when it cannot be made.
        """
        folder, removed = temporary_folder("job")
        self._removed = weakref.finalize(self, removed)
        return folder

    def progress(self, done: int, total: int, what: str) -> None:
        """Take note that `done` of `total` parts are done. Raises StoppedError once told to stop.

        Also where nobody has asked about it for minutes.
        """
        if done >= total:  # what follows is not counted, and takes a while after a search
            self.say("putting together what was heard")
            return
        self._go_on_if_wanted()
        self.left_s = self._pace.left_s(done, total)
        self.says, self.done, self.of = f"{self.title}: {what}", done, total

    def say(self, what: str) -> None:
        """Take note of what it is at; how far is not known. Raises StoppedError as `progress`."""
        self._go_on_if_wanted()
        self.says, self.done, self.of = f"{self.title}: {what}", None, None
        self.left_s = None

    def document(self) -> dict[str, Any]:
        """Return what the page is told of it."""
        self.asked_at = monotonic()
        stopping = self.state == "running" and self.stop.is_set()
        return {
            "job": self.key,
            "do": self.do,
            "state": self.state,
            "says": f"{self.title}: stopping" if stopping else self.says,
            "done": self.done,
            "of": self.of,
            "left_s": self.left_s,
            "result": self.result,
        }

    def forget(self) -> None:
        """Take its files away."""
        if "folder" in vars(self):
            self._removed()

    def _go_on_if_wanted(self) -> None:
        if monotonic() - self.asked_at > ABANDONED_S:
            self.stop.set()
        if self.stop.is_set():
            raise StoppedError


Work = Callable[[Job], dict[str, Any]]


class Jobs:
    """The pieces of work of one bench: at most one is under way.

    `fault_line` says in one line what went wrong where that is a fault of our own.
    """

    def __init__(self, fault_line: Callable[[Exception], str]) -> None:
        self._fault_line = fault_line
        self._lock = Lock()
        self._jobs: OrderedDict[str, Job] = OrderedDict()
        self._thread: Thread | None = None

    def begin(self, job: Job, work: Work) -> Job:
        """Begin a piece of work. Raises ConflictError while another is under way."""
        with self._lock:
            at = next(reversed(self._jobs.values()), None)
            if at is not None and at.state == "running":
                raise ConflictError(f"{at.title} is under way: stop it, or wait for its end")
            self._jobs[job.key] = job
            while len(self._jobs) > MOST_KEPT:
                self._jobs.popitem(last=False)[1].forget()
            self._thread = Thread(target=self._run, args=(job, work), daemon=True, name=job.title)
            self._thread.start()
        return job

    def get(self, key: str) -> Job | None:
        """Return a piece of work, or None where there is none of that key."""
        return self._jobs.get(key)

    def end(self, within_s: float) -> bool:
        """Stop what is under way, and take all files away; return whether it has ended by then."""
        for job in self._jobs.values():
            job.stop.set()
        if self._thread is not None:
            self._thread.join(within_s)
        for job in self._jobs.values():
            job.forget()
        return self._thread is None or not self._thread.is_alive()

    def _run(self, job: Job, work: Work) -> None:
        state: State = "failed"
        says = f"{job.title} broke off."
        try:
            job.result = work(job)
            state, says = "done", f"{job.title} is done."
        except StoppedError:
            state, says = "stopped", f"{job.title} was stopped."
        except SimchainError as error:
            says = str(error)
        except Exception as error:  # a job that breaks never takes the bench down
            says = self._fault_line(error)
        finally:
            job.says, job.left_s = says, None
            job.state = state  # last: who asks meanwhile sees it running
