"""What was found out at the steps of a search, kept by their keys: nothing is run twice for it."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from simchain.decide.kept_ear import Row
from simchain.decide.plan import Ints

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Notes:
    """What is known of the steps of one sound, in arrays: there may be a million.

    `keys`, shape (steps, bytes), are those of the steps; `peaks`, (steps, 2), as `decide.plan` has
    them, NaN where they are not known. `sounds` numbers the sounds that were read behind a step, -1
    where none was; `figures`, (sounds, figures), and `ears` are what was read of them.
    """

    keys: Bytes
    peaks: Floats
    sounds: Ints
    figures: Floats
    ears: list[Row | None]

    def rows(self, keys: Bytes) -> Ints:
        """Return where each of some keys stands here, -1 where it does not."""
        order, starts = self._sorted
        if not order.size:
            return np.full(len(keys), -1, dtype=np.int32)
        at = np.minimum(np.searchsorted(starts, _starts_of(keys)), order.size - 1)
        rows = order[at]
        # Two keys that begin alike: one of them is not found, and run again.
        rows[(self.keys[rows] != keys).any(axis=1)] = -1
        return rows

    def beside(self, older: "Notes") -> "Notes":
        """Return these with what only `older` ones know."""
        more = np.flatnonzero(self.rows(older.keys) < 0)
        sounds = older.sounds[more]
        read = sounds[sounds >= 0]
        sounds[sounds >= 0] = len(self.figures) + np.arange(read.size)
        return Notes(
            np.concatenate((self.keys, older.keys[more])),
            np.concatenate((self.peaks, older.peaks[more])),
            np.concatenate((self.sounds, sounds)),
            np.concatenate((self.figures, older.figures[read])),
            [*self.ears, *(older.ears[sound] for sound in read.tolist())],
        )

    @cached_property
    def _sorted(self) -> tuple[Ints, NDArray[np.uint64]]:
        starts = _starts_of(self.keys)
        order = np.argsort(starts, kind="stable").astype(np.int32)
        return order, starts[order]


class Library:
    """Notes of several sounds, by the names of their runs."""

    def __init__(self) -> None:
        self._notes: dict[str, Notes] = {}

    def of(self, name: str) -> Notes | None:
        """Return what is known of a run, None for nothing."""
        return self._notes.get(name)

    def add(self, name: str, notes: Notes) -> None:
        """Keep notes of a run beside those that are there."""
        older = self._notes.get(name)
        self._notes[name] = notes if older is None else notes.beside(older)


def _starts_of(keys: Bytes) -> NDArray[np.uint64]:
    return np.ascontiguousarray(keys[:, :8]).view(np.uint64).ravel()
