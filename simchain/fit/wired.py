"""A finished board as it is patched for a recording of its own, and what it makes of the tones.

The amplifier is left out: front and loop are in series, fed from a low impedance where the guitar
goes, and the last lead runs into the recording side.
"""

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block, kinds
from simchain.board import Board, Order
from simchain.chain.fed import fed_board, line_source
from simchain.chain.path import path_from
from simchain.chain.source import Source
from simchain.chain.steps import Path
from simchain.chain.walk import at_ends
from simchain.chain.walker import Walker
from simchain.decide.parallel import in_parallel
from simchain.errors import RequestError
from simchain.fit.sent import RATE
from simchain.fit.traits import Floor, Traits, traits_of
from simchain.signal import Signal, Volts, resampled

Floats = NDArray[np.float64]
Told = Callable[[int, int], None]

# Rails of what is put in between for a lead or a pad: there are none.
_NO_RAILS_VOLTS, _NO_LOAD_OHM = 200.0, 100e6


@dataclass(frozen=True, eq=False)
class Wired:
    """A board fed by a line, its blocks in the sequence in which they are patched.

    `turn` is where free-running modulators begin, 0 to 1.
    """

    board: Board
    passage: str
    names: tuple[str, ...]
    turn: float = 0.0

    @property
    def on(self) -> tuple[str, ...]:
        """The blocks that are on, in the sequence of the path."""
        return tuple(name for name in self.names if name in self.board.passage(self.passage).on)

    @property
    def off(self) -> tuple[str, ...]:
        """The blocks that are off and could be on, in the sequence of the path."""
        return tuple(
            name
            for name in self.names
            if name not in self.on and not self.board.blocks[name].always_passes
        )

    def switched(self, name: str, *, on: bool) -> "Wired":
        """Return it with a block on or off."""
        rest = tuple(each for each in self.board.passage(self.passage).on if each != name)
        table = self.board.passage(self.passage).model_copy(
            update={"on": (*rest, name) if on else rest}
        )
        return self._with({"passages": {self.passage: table}})

    def exchanged(self, a: str, b: str) -> "Wired":
        """Return it with two blocks in each other's place."""
        other = {a: b, b: a}
        return replace(self, names=tuple(other.get(name, name) for name in self.names))

    def with_block(self, name: str, block: Block) -> "Wired":
        """Return it with a block made otherwise."""
        return self._with({"blocks": {**self.board.blocks, name: block}})

    def turned(self, name: str, control: str, value: float) -> "Wired":
        """Return it with one control of a block at `value`."""
        update: dict[str, object] = {control: value}
        if control == "time_ms":
            update |= {"bpm": None, "note": None}
        return self.with_block(name, self.board.blocks[name].model_copy(update=update))

    def with_lead(self, gap: int, *, gain_db: float = 0.0, corner_hz: float = 0.0) -> "Wired":
        """Return it with a pad or a dull lead before the block `on[gap]`, or at the end.

        A pad keeps the impedance that it is fed from; `corner_hz` is that of a first-order cut.
        """
        place = self.names.index(self.on[gap]) if gap < len(self.on) else len(self.names)
        before = self.board.blocks[self.names[place - 1]].output_ohm if place else 1e3
        name = f"lead-{gap}"
        lead = kinds()["boost"].model_validate(
            {
                "gain_db": 0.0,
                "low_cut_hz": 0.0,
                "high_cut_hz": corner_hz,
                "level_db": gain_db,
                "rail_volts": _NO_RAILS_VOLTS,
                "noise_nv": 0.0,
                "input_ohm": _NO_LOAD_OHM,
                "output_ohm": before,
            }
        )
        names = (*self.names[:place], name, *self.names[place:])
        return replace(self.with_block(name, lead).switched(name, on=True), names=names)

    def path(self, source: Source) -> Path:
        """Return the path that the tones take."""
        return path_from(source, self.board, Order(self.names), None, turn=self.turn)

    def _with(self, update: dict[str, object]) -> "Wired":
        return replace(self, board=self.board.model_copy(update=update))


def wired_board(board: Board, order: str, passage: str, into_ohm: float) -> Wired:
    """Return the board as it is patched for the recording.

    Raises RequestError for names that the board does not have, and for an order without blocks.
    """
    names = board.order(order).blocks
    if not names:
        raise RequestError(
            f"order '{order}' has no blocks: there is nothing between the guitar's jack and the "
            "end to be verified"
        )
    fed = fed_board(board, passage)
    output = board.output.model_copy(update={"amps": (), "input_ohm": into_ohm})
    fed = fed.model_copy(update={"output": output, "orders": {}})
    return Wired(fed, passage, names)


class Simulation:
    """Plays the tones through boards that differ in one thing, and reads what comes out."""

    def __init__(self, given: Floats, rate: int, floor: Floor, frames: int) -> None:
        self.floor, self.frames, self.rate = floor, frames, rate
        self.volts = resampled(Signal(given[np.newaxis, :frames], RATE), rate).volts

    def traits(self, boards: Sequence[Wired], told: Told | None = None) -> list[Traits]:
        """Return what is read of each board; what they share at their begin is played once."""
        paths = [one.path(self._source(one)) for one in boards]
        sequence = sorted(range(len(paths)), key=lambda at: [step.key for step in paths[at].steps])
        cores = max(1, min(os.cpu_count() or 1, len(sequence)))
        jobs = [
            [int(at) for at in part] for part in np.array_split(sequence, 4 * cores) if part.size
        ]
        done = 0

        def each(_: int, job: list[int]) -> None:
            nonlocal done
            done += len(job)
            if told:
                told(done, len(boards))

        parts = in_parallel(lambda job: self._played([paths[at] for at in job]), jobs, each=each)
        found: dict[int, Traits] = {}
        for job, part in zip(jobs, parts, strict=True):
            found |= dict(zip(job, part, strict=True))
        return [found[at] for at in range(len(boards))]

    def line(self, board: Wired) -> Floats:
        """Return what comes out of one board, (frames,) at 48 kHz."""
        (line,) = at_ends([board.path(self._source(board))], self._walker(), self._read_line)
        return line

    def noise_volts(self, boards: Sequence[Wired], seconds: float = 1.0) -> list[float]:
        """Return the RMS of each board's own noise at its output, nothing played, 24 kHz wide."""
        silence = np.zeros((1, round(1.5 * seconds * self.rate)))
        found = []
        for one in boards:
            source = line_source(one.board, one.passage, silence.copy(), noisy=True)
            walker = Walker(silence.copy(), needs_dry=False, metered=False)
            (line,) = at_ends([one.path(source)], walker, self._read_line)
            found.append(float(np.sqrt(np.mean(np.square(line[round(0.5 * seconds * RATE) :])))))
        return found

    def _played(self, paths: Sequence[Path]) -> list[Traits]:
        return at_ends(
            paths,
            self._walker(),
            lambda path, here: traits_of(self._read_line(path, here), self.floor, noisy=False),
        )

    def _walker(self) -> Walker:
        return Walker(self.volts.copy(), needs_dry=False, metered=False)

    def _source(self, one: Wired) -> Source:
        return line_source(one.board, one.passage, self.volts)

    def _read_line(self, path: Path, here: Walker) -> Floats:  # noqa: ARG002
        """Return the left channel at the end: the one lead that is recorded."""
        left: Volts = here.samples(1.0)[:1]
        at_rate = left if self.rate == RATE else resampled(Signal(left, self.rate), RATE).volts
        return np.asarray(at_rate[0])
