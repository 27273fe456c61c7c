"""The bench under load: many at once, some of whom are slow, vanish or break off.

Nobody gets a wrong sound, nobody waits without end, and nothing is left behind. A short run in the
usual tests; 50 clients and three times 2,000 requests with
`pytest -rP -m soak tests/faults/test_load.py`.
"""

import os
import re
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from threading import Event, Thread
from typing import NamedTuple

import pytest

from simchain.bench.lines import LOOKS_EVERY_S, WAITS_S
from simchain.bench.memory import IDLE_S
from simchain.bench.sounds import MOST_SOUND_BYTES
from tests.faults.crowd import Log, Visitor, board_in, crowd
from tests.faults.replayed import compared
from tests.test_cli_bench import Process, address_of, answer_to, ended_by_ctrl_c, started

pytestmark = pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="reads /proc")

LOOPBACK = "0100007F"  # 127.0.0.1 as /proc/net/tcp writes it
LISTENS = "0A"
MOST_GROWTH = 1.10
SOAK_S = 1.5  # of the clip, so that what is kept is full soon
# The web framework keeps up to 40 threads for small work, and lets them go when it is asked again.
POOL = 40


class Figures(NamedTuple):
    """What a process and its children hold: memory, threads, and open files."""

    rss_mb: float
    threads: int
    files: int


def family(pid: int) -> list[int]:
    """Return a process and all that it has started; threads and processes may end meanwhile."""
    found = [pid]
    for task in Path(f"/proc/{pid}/task").iterdir():
        with suppress(FileNotFoundError):
            for child in (task / "children").read_text().split():
                found += family(int(child))
    return found


def figures_of(pid: int) -> Figures:
    rss_kb = threads = files = 0
    for each in family(pid):
        status = dict(re.findall(r"(\w+):\s+(\d+)", Path(f"/proc/{each}/status").read_text()))
        rss_kb += int(status["VmRSS"])
        threads += int(status["Threads"])
        files += len(os.listdir(f"/proc/{each}/fd"))  # noqa: PTH208 - some vanish meanwhile
    return Figures(rss_kb / 1000, threads, files)


def addresses_listened_on(pid: int) -> list[str]:
    """Return the local addresses of all sockets of a process that wait for others to connect."""
    own = set()
    for each in Path(f"/proc/{pid}/fd").iterdir():
        own.add(re.sub(r"\D", "", str(each.readlink())) if "socket" in str(each.readlink()) else "")
    found = []
    for table in ("tcp", "tcp6", "udp", "udp6"):
        for line in Path(f"/proc/{pid}/net/{table}").read_text().splitlines()[1:]:
            _, local, _, state, *_, inode = line.split()[:10]
            if inode in own and (state == LISTENS or table.startswith("udp")):
                found.append(local.partition(":")[0])
    return found


class Bench(NamedTuple):
    """A bench that runs, how to ask it, and what became of all that was asked."""

    process: Process
    address: str
    port: int
    token: str
    log: Log

    def visited(self, visitors: int, times: int, seed: int) -> None:
        """Let a crowd in; raise unless each of its requests was answered as it should be."""
        before = sum(self.log.answers.values())
        most = self.watched(visitors, times, seed)
        asked = sum(self.log.answers.values()) - before
        print(f"{asked} requests by {visitors} at once; at most {most.threads} threads, "
              f"{most.files} files and {most.rss_mb:.0f} MB meanwhile")  # fmt: skip
        assert self.log.faults == []

    def watched(self, visitors: int, times: int, seed: int) -> Figures:
        """Let a crowd in; return the most of everything that the bench held meanwhile."""
        over, seen = Event(), [figures_of(self.process.pid)]

        def watch() -> None:
            while not over.wait(0.1):
                seen.append(figures_of(self.process.pid))

        thread = Thread(target=watch)
        thread.start()
        crowd(self.port, self.token, visitors, times, seed, self.log)
        over.set()
        thread.join()
        return Figures(*map(max, zip(*seen, strict=True)))

    def at_rest(self, files: int) -> Figures:
        """Wait until lines and memory are given back; raise if open files are not so few then."""
        until = time.monotonic() + 2 * WAITS_S + 30.0
        while (now := figures_of(self.process.pid)).files > files:
            assert time.monotonic() < until, f"{now.files} open files, {files} before"
            time.sleep(0.1)
        time.sleep(IDLE_S + 5.0)  # it looks every second or two, and then gives memory back
        return figures_of(self.process.pid)


@contextmanager
def bench(folder: Path, seconds: float) -> Iterator[Bench]:
    """Start the command on a board of its own; at the end it has said nothing, and ends quietly."""
    board = board_in(folder, seconds)
    with started(board) as process:
        address = address_of(process)
        token = re.search(rb'name="bench-token" content="([^"]+)"', answer_to(address))
        assert token
        port = int(address.rsplit(":")[-1].strip("/"))
        yield Bench(process, address, port, token[1].decode(), Log())
        assert addresses_listened_on(process.pid) == [LOOPBACK]
        assert ended_by_ctrl_c(process) == ("", "")


def fresh(folder: Path, seconds: float) -> Path:
    """The board as it was, beside its clip, in a folder of its own."""
    folder.mkdir()
    return board_in(folder, seconds)


def told(log: Log) -> None:
    """Print what was asked, how it was answered, and how long the slowest took."""
    of_status: dict[int, int] = {}
    for (_, status), count in log.answers.items():
        of_status[status] = of_status.get(status, 0) + count
    slowest = sorted(((took, do) for do, took in log.longest_s.items()), reverse=True)[:5]
    print(f"statuses (0: broken off on purpose): {dict(sorted(of_status.items()))}")
    print("slowest: " + ", ".join(f"{do} {took:.1f} s" for took, do in slowest))


def test_a_few_at_once(tmp_path: Path) -> None:
    """Six visitors; no leak of lines, no wrong sound."""
    with bench(tmp_path, 0.4) as served:
        before = figures_of(served.process.pid)
        served.visited(visitors=6, times=8, seed=1)
        at_rest = served.at_rest(before.files)
        assert at_rest.threads <= before.threads + POOL
    told(served.log)
    questions = compared(served.log, fresh(tmp_path / "alone", 0.4))
    print(f"{questions} different questions about {len(served.log.changes) + 1} boards, all right")
    assert questions > 10


@pytest.mark.soak
def test_fifty_hear_what_one_hears(tmp_path: Path) -> None:
    with bench(tmp_path, 0.4) as served:
        served.visited(visitors=50, times=30, seed=1)
    told(served.log)
    assert sum(served.log.answers.values()) >= 2000
    questions = compared(served.log, fresh(tmp_path / "alone", 0.4))
    print(f"{questions} different questions about {len(served.log.changes) + 1} boards, all right")


@pytest.mark.soak
def test_fifty_leave_nothing_behind(tmp_path: Path) -> None:
    """The same memory, threads and files behind the second round and the third.

    The bench keeps 650 MB of sounds, which are there before the first; in that all kinds of work
    are met. Beside the crowd some never ask, and some do not read what they asked for.
    """
    with bench(tmp_path, SOAK_S) as served, ExitStack() as stack:
        before = figures_of(served.process.pid)
        bytes_a_sound = 2 * 4 * 48_000 * SOAK_S
        visitor = Visitor(served.port, served.token, 0, served.log)
        visitor.fill(round(MOST_SOUND_BYTES / bytes_a_sound))
        rests = [served.at_rest(before.files)]
        print(f"all kept that may be: {rests[0]}")
        for round_number in range(1, 4):
            for content in (b"", b"GET / HT", visitor.head("GET /tones.wav")):
                for _ in range(10):
                    stack.enter_context(visitor.opened()).sendall(content)
            begun = time.monotonic()
            served.visited(visitors=50, times=30, seed=1000 * round_number)
            rests.append(served.at_rest(before.files))
            print(f"round {round_number}: {time.monotonic() - begun:.0f} s, then {rests[-1]}")
        time.sleep(11.0)  # as long as the framework keeps threads that do nothing
        answer_to(served.address)
        assert figures_of(served.process.pid).threads <= before.threads + 2
    told(served.log)
    assert sum(served.log.answers.values()) >= 6000
    _, _, second, third = rests
    assert max(second.threads, third.threads) <= before.threads + POOL
    assert third.rss_mb < MOST_GROWTH * second.rss_mb


@pytest.mark.soak
def test_lines_that_wait_are_let_go(tmp_path: Path) -> None:
    """Of 500 half-open lines none is held, none holds up the page, and files come back."""
    with bench(tmp_path, 0.4) as served, ExitStack() as stack:
        before = figures_of(served.process.pid)
        lines = []
        for number in range(500):
            line = stack.enter_context(
                socket.create_connection(("127.0.0.1", served.port), timeout=10)
            )
            line.sendall(b"GET / HT" if number % 2 else b"")
            lines.append(line)
            if number % 50 == 0:
                begun = time.monotonic()
                assert answer_to(served.address)
                print(f"{number + 1} lines open: the page after {time.monotonic() - begun:.2f} s")
        time.sleep(WAITS_S + 2 * LOOKS_EVERY_S)
        at_rest = served.at_rest(before.files)
        print(f"500 half-open lines: {before} before, {at_rest} after")
