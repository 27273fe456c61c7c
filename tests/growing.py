"""Many orders grown on one tree, and each of them rendered alone: what the tree is judged by."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simchain.board import Allowed, Board
from simchain.chain.path import path_from
from simchain.chain.source import Source, source_of
from simchain.chain.step import Tally
from simchain.chain.tree import Branch, Ground, Grown, Heard, Tree, branches, grow
from simchain.chain.walk import Rendering, walk
from simchain.signal import Signal


def sound_of(heard: Heard) -> np.ndarray:
    """Return a copy of what stands at the end of a path."""
    return heard.samples.copy()


def nothing_of(heard: Heard) -> None:
    """Read nothing."""


@dataclass(eq=False)
class Field:
    """All orders of a board in passage `p`, and the ground they grow on."""

    board: Board
    amp: str | None = None
    read: Callable[[Heard], Any] = sound_of

    def __post_init__(self) -> None:
        self.source = source_of(self.board, "p")
        self.volts = self.source.taken()
        self.allowed = Allowed(self.board, has_amplifier=self.amp is not None)
        self.ground = Ground.of(self.source, self.allowed.tokens, self.amp, self.read)
        self.words = self.allowed.words()
        self._sounds: dict[tuple[int, ...], np.ndarray] = {}

    @property
    def frames(self) -> int:
        return self.volts.shape[1]

    def named(self, word: Iterable[int]) -> tuple[str, ...]:
        """Return the blocks of a word, the split as `|`."""
        tokens = self.allowed.tokens
        return tuple(name for token in word for name in tokens[token] or ("|",))

    def numbers(self) -> dict[tuple[str, ...], int]:
        """Return the number of each order by its names."""
        return {self.named(word): number for number, word in enumerate(self.words.tolist())}

    def alone(self, word: Iterable[int]) -> Rendering:
        """Render one order by itself, as `simchain render` does."""
        fresh = Source(
            Signal(self.volts.copy(), self.board.rate),
            self.source.timeline,
            self.source.channels,
            self.source.clip_frames,
            self.source.noisy,
            self.source.key,
        )
        path = path_from(fresh, self.board, self.allowed.order(list(word)), self.amp)
        return walk(self.board, [path], fresh)[0]

    def sound_alone(self, word: Iterable[int]) -> np.ndarray:
        """Return the sound of one order rendered by itself, once."""
        key = tuple(word)
        if key not in self._sounds:
            self._sounds[key] = self.alone(key).output.samples
        return self._sounds[key]

    def grown(self, tree: Tree, largest: int = 50, **more: Any) -> Grown:
        """Grow a tree, cut into branches of no more than `largest` nodes."""
        whole = Grown()
        for part in branches(self.ground, tree, self.volts, largest, **more):
            add(whole, grow(self.ground, part) if isinstance(part, Branch) else part)
        return whole

    def nulls_db(self, leaf_of: NDArray[np.int32], read: Mapping[int, Any]) -> np.ndarray:
        """Return the null of each order, rendered alone, against the sound at its leaf."""
        return np.array(
            [
                null_db(self.sound_alone(word), read[leaf])
                for word, leaf in zip(self.words.tolist(), leaf_of.tolist(), strict=True)
            ]
        )


def add(whole: Grown, part: Grown) -> None:
    """Add what became of some nodes to `whole`; each is run and read once."""
    assert not whole.read.keys() & part.read.keys()
    assert not set(whole.nodes) & set(part.nodes)
    whole.read |= part.read
    whole.nodes += part.nodes
    whole.peaks += part.peaks
    whole.tally = Tally(whole.tally.units + part.tally.units, 0.0)


def peaks_of(tree: Tree, grown: Grown) -> np.ndarray:
    """Return the peaks of all nodes, shape (nodes, 2); NaN where there are none."""
    peaks = np.full((len(tree.parents), 2), np.nan)
    peaks[grown.nodes] = grown.peaks
    return peaks


def null_db(a: np.ndarray, b: np.ndarray) -> float:
    """Return the energy of a - b over that of a, sample against sample, no shift and no gain."""
    assert a.shape == b.shape
    energy = float(np.sum(a**2))
    assert energy > 0.0
    apart = float(np.sum((a - b) ** 2))
    return -np.inf if apart == 0.0 else 10.0 * np.log10(apart / energy)
