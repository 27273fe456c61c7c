"""What the ear has of a sound that is not kept: one row of numbers, for thousands of sounds."""

import math
from typing import Any, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from simchain.decide.ear import EVENT_GROUPS, MODULATION_HZ, MOVEMENT_GROUPS, QUANTILES, Ear, Heard
from simchain.measure.excitation import BANDS, frames_in

Row = NDArray[np.float32]

_SHAPES = {
    "levels_db": (len(QUANTILES), BANDS),
    "loudness": (BANDS,),
    "long_term_db": (BANDS,),
    "movement": (len(MODULATION_HZ), len(MOVEMENT_GROUPS)),
    "group_loudness": (len(MOVEMENT_GROUPS),),
}


class KeptEar(NamedTuple):
    """An `Ear` without its sound: `decide.score.scored` takes it in the place of one.

    It can be compared with sounds of its own length that are not late against it.
    """

    rate: int
    listening_db_spl: float
    length: int
    is_gated: bool
    width: float
    lufs: float
    lines: tuple[Heard, ...]

    def gated(self, length: int | None = None) -> bool:
        """Whether the sound has an integrated loudness."""
        self._refuse_other(0, length)
        return self.is_gated

    def heard(
        self, *, start: int = 0, length: int | None = None, gated: bool = True
    ) -> tuple[Heard, ...]:
        """Return what is heard in each channel."""
        self._refuse_other(start, length)
        # Where one of a pair has no integrated loudness both are compared by RMS: as kept.
        del gated
        return self.lines

    def _refuse_other(self, start: int, length: int | None) -> None:
        if start != 0 or length not in (None, self.length):
            raise ValueError(f"a kept ear has heard {self.length} samples from its start on only")


def row_of(ear: Ear) -> Row:
    """Return what is heard as one row: channel after channel, in float32."""
    lines = ear.heard(gated=ear.gated())
    parts = [np.ravel(getattr(line, name)) for line in lines for name in (*_SHAPES, "events")]
    return np.concatenate(parts).astype(np.float32)


def row_bytes(length: int, rate: int) -> int:
    """Return the size of a row for one channel of so many samples."""
    fixed = sum(math.prod(shape) for shape in _SHAPES.values())
    return 4 * (fixed + frames_in(length, rate) * len(EVENT_GROUPS))


def lines_of(row: Row, channels: int) -> tuple[Heard, ...]:
    """Return what `row_of` made a row of, for so many channels: views of it, in float32."""
    return tuple(_line(part) for part in np.split(row, channels))


def _line(row: Row) -> Heard:
    parts: dict[str, Any] = {}
    start = 0
    for name, shape in _SHAPES.items():
        size = math.prod(shape)
        parts[name] = row[start : start + size].reshape(shape)
        start += size
    return Heard(**parts, events=cast(Any, row[start:].reshape(-1, len(EVENT_GROUPS))))
