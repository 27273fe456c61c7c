"""Paths that go on from where earlier ones have been: what two of them share is run once.

For someone who changes one thing after another and listens each time: the steps before the change
have run already, and equal keys are equal sounds.
"""

from collections import OrderedDict
from dataclasses import dataclass
from threading import Lock

from simchain.board import Board
from simchain.chain.source import Source
from simchain.chain.steps import PAIR, Path, Place, Step
from simchain.chain.walk import Rendering, rendering_of
from simchain.chain.walker import Walker
from simchain.errors import unknown_name
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
        return rendering_of(board, path, self._behind(path.steps, volts), source)

    def at_input(self, path: Path, volts: Volts, number: int) -> Volts:
        """Return what stands on the input of step `number` of a path; it is not to be written to.

        `volts` are those at its source.
        """
        return self._behind(path.steps[:number], volts).at_input(path.steps[number])[0]

    def at_point(self, path: Path, volts: Volts, name: str) -> Volts:
        """Return what stands at a test point of a path; it is not to be written to.

        Shape (channels, frames), one of them at each amplifier of a pair. Raises RequestError for
        a point that the path does not have.
        """
        found, line = path.points.get(name), None
        if path.amp_name and PAIR in path.amp_name:
            found, line = _of_a_pair(path, name)
        if found is None:
            raise unknown_name("test point", name, path.points)
        there = self._at(path, volts, found)
        return there if line is None else there[line : line + 1]

    def _at(self, path: Path, volts: Volts, place: Place) -> Volts:
        """Return what a place reads: an output by which nothing passes, or where its wire ends."""
        if place == Place(0, 0):
            return volts
        if place.node == 0 and path.steps[place.wire - 1].ends:
            return self._behind(path.steps[: place.wire], volts).wires.output(place.wire)
        step = next(
            number for number in range(place.wire, len(path.steps)) if path.steps[number].ends
        )
        _, read = self._behind(path.steps[:step], volts).at_input(path.steps[step])
        there = read[place].volts
        if there is None:
            raise ValueError(f"{place} was read without its sound")
        return there

    def _behind(self, steps: tuple[Step, ...], volts: Volts) -> Walker:
        """Return a walker that stands behind `steps`, from the last of them that was run before."""
        here, left = self._start(steps, volts)
        for step in left:
            here = here.fork()
            made = here.pass_through(step)
            here.share()
            self._keep(step, here, made.volts.nbytes)
        return here

    def knows(self, path: Path) -> bool:
        """Whether all of a path has been run."""
        with self._lock:
            return path.steps[-1].key in self._stands

    def _start(self, steps: tuple[Step, ...], volts: Volts) -> tuple[Walker, tuple[Step, ...]]:
        with self._lock:
            for at, step in reversed(list(enumerate(steps))):
                if (stand := self._stands.get(step.key)) is not None:
                    for passed in steps[: at + 1]:
                        self._touch(passed)
                    return stand.walker, steps[at + 1 :]
        walker = Walker(volts, needs_dry=True)
        walker.share()
        return walker, steps

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


def _of_a_pair(path: Path, name: str) -> tuple[Place | None, int | None]:
    """Return where a point of two amplifiers is read, and which of its channels is its own."""
    stem, dot, rest = name.partition(".")
    if stem not in ("amp", "amp2", "speaker", "speaker2"):
        return path.points.get(name), None
    return path.points.get(f"{stem.removesuffix('2')}{dot}{rest}"), int(stem.endswith("2"))
