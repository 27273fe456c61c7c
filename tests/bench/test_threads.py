"""Work done aside gives its result or its fault, and holds up neither others nor the end."""

import asyncio
import subprocess
import sys
import time

import pytest

from simchain.bench.threads import done_aside


def test_results_and_faults_come_back() -> None:
    assert asyncio.run(done_aside(divmod, 7, 2)) == (3, 1)
    with pytest.raises(ZeroDivisionError):
        asyncio.run(done_aside(divmod, 7, 0))
    with pytest.raises(RuntimeError, match="StopIteration"):
        asyncio.run(done_aside(next, iter(())))


def test_others_go_on_meanwhile() -> None:
    async def both() -> float:
        since = time.monotonic()
        await asyncio.gather(done_aside(time.sleep, 0.3), done_aside(time.sleep, 0.3))
        return time.monotonic() - since

    assert 0.25 < asyncio.run(both()) < 0.55


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
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=30)
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, "", "")
