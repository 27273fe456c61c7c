"""Paths that go on from where earlier ones have been: what two of them share is run once.

For someone who changes one thing after another and listens each time: the steps before the change
have run already, and equal keys are equal sounds.
"""

from collections import OrderedDict
from dataclasses import dataclass
from threading import Lock

from simchain.board import Board
from simchain.chain.source import Source
from simchain.chain.steps import Path, Step
from simchain.chain.walk import Rendering, rendering_of
from simchain.chain.walker import Walker
from simchain.signal import Volts

MOST_BYTES = 400_000_000


@dataclass(frozen=True, eq=False)
class _Stand:
    """A walker behind a step, and the memory of what that step made."""

    walker: Walker
    size: int


class Kept:
    """Where walks have stood, by the keys of the steps behind which they did; the latest stay.

    `most_bytes` is about how much memory their sounds may take. Several threads may render at once.
    """

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self.most_bytes = most_bytes
        self.steps_run = 0
        self._stands: OrderedDict[bytes, _Stand] = OrderedDict()
        self._size = 0
        self._lock = Lock()

    def render(self, board: Board, path: Path, source: Source, volts: Volts) -> Rendering:
        """Render a path, from behind the last of its steps that was run before.

        `volts` are those of the `source`, which may have been taken; they are not written to.
        """
        here, left = self._start(path, volts)
        for step in left:
            here = here.fork()
            made = here.pass_through(step)
            here.share()
            self._keep(step, here, made.volts.nbytes)
        return rendering_of(board, path, here, source)

    def knows(self, path: Path) -> bool:
        """Whether all of a path has been run."""
        with self._lock:
            return path.steps[-1].key in self._stands

    def _start(self, path: Path, volts: Volts) -> tuple[Walker, tuple[Step, ...]]:
        with self._lock:
            for at, step in reversed(list(enumerate(path.steps))):
                if (stand := self._stands.get(step.key)) is not None:
                    for passed in path.steps[: at + 1]:
                        self._touch(passed)
                    return stand.walker, path.steps[at + 1 :]
        walker = Walker(volts, needs_dry=True)
        walker.share()
        return walker, path.steps

    def _touch(self, step: Step) -> None:
        if step.key in self._stands:
            self._stands.move_to_end(step.key)

    def _keep(self, step: Step, here: Walker, size: int) -> None:
        with self._lock:
            self.steps_run += 1
            self._size += size - self._forget(step.key)
            self._stands[step.key] = _Stand(here, size)
            while self._size > self.most_bytes and len(self._stands) > 1:
                oldest = next(iter(self._stands))
                self._size -= self._forget(oldest)

    def _forget(self, key: bytes) -> int:
        stand = self._stands.pop(key, None)
        return stand.size if stand is not None else 0
