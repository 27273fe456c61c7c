"""Work done aside gives its result or its fault, and holds up neither others nor the end."""

import asyncio
import subprocess
import sys
import time
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier, Event
from typing import Any

import pytest

from simchain.bench.threads import GoneError, done_aside, done_while_wanted


def ran(work: Coroutine[Any, Any, Any]) -> Any:
    """Run to the end in a thread of its own: the browser's driver may hold this one's loop."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, work).result(30)


def test_results_and_faults_come_back() -> None:
    assert ran(done_aside(divmod, 7, 2)) == (3, 1)
    with pytest.raises(ZeroDivisionError):
        ran(done_aside(divmod, 7, 0))
    with pytest.raises(RuntimeError, match="StopIteration"):
        ran(done_aside(next, iter(())))


def test_others_go_on_meanwhile() -> None:
    """Each waits for the other: they come back only if both run at once."""
    meeting = Barrier(2)

    async def both() -> list[int]:
        return await asyncio.gather(done_aside(meeting.wait, 20), done_aside(meeting.wait, 20))

    assert sorted(ran(both())) == [0, 1]


def test_work_is_told_to_stop_once_nobody_waits() -> None:
    """And has ended before whoever counts the work under way is told."""
    begun, stopped = Event(), Event()

    def work(number: int, stop: Event) -> int:
        begun.set()
        if number and stop.wait(20):
            time.sleep(0.2)
            stopped.set()
            raise ZeroDivisionError  # as some work ends that was stopped
        return number

    async def gone() -> bool:
        return begun.is_set()

    async def here() -> bool:
        return False

    with pytest.raises(GoneError):
        ran(done_while_wanted(gone, work, 3))
    assert stopped.is_set()
    assert ran(done_while_wanted(here, work, 0)) == 0
    with pytest.raises(TypeError):
        ran(done_while_wanted(here, work))


def test_the_end_waits_for_nobody() -> None:
    code = (
        "import asyncio, time\n"
        "from simchain.bench.threads import done_aside\n"
        "async def main():\n"
        "    task = asyncio.create_task(done_aside(time.sleep, 60))\n"
        "    await asyncio.sleep(0.2)\n"
        "    task.cancel()\n"
        "asyncio.run(main())\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=30)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
