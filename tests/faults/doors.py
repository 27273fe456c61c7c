"""Hostile files, opened in processes of their own: what became of it, and what it took.

The sound library is C: a file that brings it down would take a test's own process with it. So one
process loads what reads files, and forks for each of them. The fork has a limit on its processor
time and on its memory, turns warnings into errors, and its largest memory is known when it ends.
"""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

CPU_S = 30.0
WAITS_S = 300
MOST_MEMORY = 6 * 2**30
MB = 2**20
# What takes less than this is not told apart from what was opened before it.
HIDES_MB = 8.0


class Opened(NamedTuple):
    """What became of a file: read, refused in `said`, a fault of ours, or the end of the process.

    `taken_mb` is the largest memory above that of a process that opens nothing, `cpu_s` the
    processor time. Of a command `status` is what it ended with, and `said` all that it printed.
    """

    kind: str
    said: str
    status: int
    taken_mb: float
    cpu_s: float


class Doors:
    """Opens files one after another; `warm` loads what renders, too."""

    def __init__(self, *, warm: bool = False) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(Path(__file__).resolve()), *(["warm"] if warm else [])],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def open(self, door: str, *given: object) -> Opened:
        """Open a door for files, or with the words of a command."""
        assert self._process.stdin
        assert self._process.stdout
        self._process.stdin.write(json.dumps([door, *map(str, given)]) + "\n")
        self._process.stdin.flush()
        answer = self._process.stdout.readline()
        assert answer, "the process that opens doors is gone"
        return Opened(*json.loads(answer))

    def close(self) -> None:
        self._process.communicate()


def clip(path: str) -> str:
    from simchain.signal import clip_seconds, read_clip

    sound = read_clip(Path(path))
    assert sound.seconds == clip_seconds(Path(path))
    return f"{sound.frames} frames"


def response(path: str) -> str:
    from simchain.filters.impulse import impulse_response

    return f"{impulse_response(Path(path), 48_000, 3.0).size} taps"


def cabinet(path: str) -> str:
    import numpy as np

    from simchain.amp.speaker import cabinet_taps

    taps = cabinet_taps(Path(path), 48_000)
    assert np.isfinite(taps).all()
    return f"{taps.size} taps"


def unit(path: str) -> str:
    from simchain.fit.received import read_received

    return f"{read_received(Path(path)).line.size} frames"


def loopback(path: str) -> str:
    from simchain.fit.received import read_loopback

    return f"gain {read_loopback(Path(path)).gain:g}"


def together(path: str, other: str) -> str:
    from simchain.measure.recordings import read_together

    return f"{read_together(Path(path), Path(other)).pickup.frames} frames"


def board(path: str) -> str:
    from simchain.board import check_board, load_board

    loaded = load_board(path)
    assert all(str(warning).isprintable() for warning in check_board(loaded))
    return f"{len(loaded.blocks)} blocks"


def orders(path: str) -> str:
    """How many orders a search would have to listen to."""
    from simchain.board import Allowed, load_board

    loaded = load_board(path)
    return f"{Allowed(loaded, has_amplifier=bool(loaded.output.amps)).count} orders"


def heard(path: str) -> str:
    from simchain.decide.heard import read_blind_test

    return f"{read_blind_test(Path(path)).of} trials"


def checkpoint(path: str) -> str:
    from simchain.decide.checkpoint import Checkpoint

    with Checkpoint(Path(path), {"board": "x"}) as kept:
        for key in list(kept._places):
            kept.get(key)
        return f"{len(kept)} parts"


def nothing() -> str:
    return "nothing"


def fails() -> str:
    raise KeyError("a fault")


def falls() -> str:
    import signal

    os.kill(os.getpid(), signal.SIGSEGV)
    return "never"


def prints() -> str:
    os.write(2, b"Note\n")
    return "silently"


def takes() -> str:
    return f"{len(bytearray(100 * MB))} bytes"


def warns() -> str:
    import numpy as np

    return str(np.float64(1e308) * 10.0)


DOORS: dict[str, Callable[..., str]] = {
    each.__name__: each
    for each in (
        *(clip, response, cabinet, unit, loopback, together),
        *(board, orders, heard, checkpoint, nothing),
        *(fails, falls, prints, takes, warns),
    )
}


def _command(words: list[str]) -> list[Any]:
    """Run a command, and return how it ended and all that it printed."""
    import contextlib
    import io

    from simchain import cli

    printed = io.StringIO()
    sys.argv = ["simchain", *words]
    with contextlib.redirect_stdout(printed), contextlib.redirect_stderr(printed):
        try:
            cli.main()
            status = 0
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else int(end.code is not None)
    return ["ended", printed.getvalue(), status]


def _opened(door: str, given: list[str]) -> list[Any]:
    import traceback

    from simchain.errors import SimchainError

    try:
        return _command(given) if door == "command" else ["read", DOORS[door](*given), 0]
    except SimchainError as error:
        return ["refused", str(error), 2]
    except BaseException:
        return ["fault", traceback.format_exc(), 1]


class _Fork:
    """A process that opens doors until it dies, or has taken so much that the next one is hidden.

    It reports its own largest memory; that of one killed is not known.
    """

    def __init__(self) -> None:
        mine, its = os.pipe(), os.pipe()
        self._process = os.fork()
        if not self._process:
            os.close(mine[1])
            os.close(its[0])
            _limit()
            with os.fdopen(mine[0]) as asked:
                _answer(asked, its[1])
            os._exit(0)
        os.close(mine[0])
        os.close(its[1])
        self._asks, self._told = mine[1], its[0]

    def open(self, line: str) -> tuple[list[Any], float, float]:
        """Return what became of it, the largest memory in MB, and seconds of processor time."""
        import select

        os.write(self._asks, line.encode())
        content = b""
        while not content.endswith(b"\n") and select.select([self._told], [], [], WAITS_S)[0]:
            part = os.read(self._told, 65_536)
            if not part:
                return ["died", f"by signal {self.end() & 0x7F}", 1], 0.0, 0.0
            content += part
        if not content.endswith(b"\n"):
            self.end()
            return ["died", f"no answer for {WAITS_S} s", 1], 0.0, 0.0
        told, memory, cpu_s = json.loads(content)
        return told, memory, cpu_s

    def end(self) -> int:
        """Return how it ended."""
        import signal

        os.close(self._asks)
        ended, status = os.waitpid(self._process, os.WNOHANG)
        if not ended:
            os.kill(self._process, signal.SIGKILL)
            _, status = os.waitpid(self._process, 0)
        os.close(self._told)
        return status


def _answer(asked: Any, tell: int) -> None:
    """Open what is asked for; what libraries print by themselves is a fault, too."""
    import resource
    import signal
    import tempfile
    import time

    with tempfile.TemporaryFile() as printed:
        os.dup2(printed.fileno(), 2)
    for line in asked:
        door, *given = json.loads(line)
        signal.setitimer(signal.ITIMER_PROF, CPU_S)
        since = time.process_time()
        told = _opened(door, given)
        if noise := os.pread(2, 10_000, 0):
            told = ["fault", f"printed: {noise.decode(errors='replace')}", 1]
            os.ftruncate(2, 0)
            os.lseek(2, 0, os.SEEK_SET)
        cpu_s = time.process_time() - since
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / MB
        content = json.dumps([told, memory, cpu_s]).encode() + b"\n"
        while content:
            content = content[os.write(tell, content) :]


def _limit() -> None:
    import resource
    import warnings

    warnings.simplefilter("error")
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))


def _load(*, warm: bool) -> None:
    """Load what doors need, so that no fork pays for it, nor counts it as taken."""
    import tempfile
    from importlib import import_module

    import numpy as np
    import soundfile

    from simchain.amp.speaker import cabinet_taps
    from simchain.board import check_board, read_board, starter
    from simchain.fit.sent import sent

    for name in ("cli", "fit.received", "measure.recordings", "decide.heard", "decide.checkpoint"):
        import_module(f"simchain.{name}")
    sent()
    check_board(read_board(starter("demo")))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.wav"
        soundfile.write(path, 0.1 * np.sin(np.arange(4_000) / 7.0), 44_100)
        cabinet_taps(path, 48_000)
        if warm:
            path.with_name("board.toml").write_text(WARMS)
            words = ["board.toml", "--order", "a", "--passage", "p", "--out", "."]
            os.chdir(folder)
            for command in (["check", "board.toml"], ["render", *words]):
                told = _command(command)
                assert told[2] == 0, told
            os.chdir("/")


WARMS = """
tail_s = 0.1
source = { clip = "clip.wav" }
[amps.a]
cabinet = "clip.wav"
[blocks]
grit = { kind = "drive" }
wood = { kind = "body", file = "clip.wav" }
[orders.a]
front = ["grit", "wood"]
[passages.p]
on = ["grit", "wood"]
"""


def main() -> None:
    """Answer each line, a door and what is given to it, with what became of it."""
    _load(warm="warm" in sys.argv)
    fork: _Fork | None = _Fork()
    base = fork.open('["nothing"]\n')[1]
    for line in sys.stdin:
        fork = fork or _Fork()
        told, memory, cpu_s = fork.open(line)
        taken_mb = max(0.0, memory - base)
        if told[0] == "died":
            fork = None
        elif taken_mb > HIDES_MB:
            fork.end()
            fork = None
        print(json.dumps([*told, round(taken_mb, 1), round(cpu_s, 2)]), flush=True)


if __name__ == "__main__":
    main()
