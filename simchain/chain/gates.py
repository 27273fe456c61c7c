"""Weights over time: a switch with its raised-cosine fades, and the states of a movement."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simchain.signal import Volts


@dataclass(frozen=True)
class Gate:
    """The state of a switch through a passage.

    `on` is the state at 0 s, with no fade and no history. `switches` are (frame, state) pairs in
    time order; each fades over `fade_frames` from where the gate is to its new state.
    """

    on: bool
    switches: tuple[tuple[int, bool], ...] = ()
    fade_frames: int = 0

    @property
    def is_constant(self) -> bool:
        """Whether nothing is switched."""
        return not self.switches

    @property
    def is_never_on(self) -> bool:
        """Whether it stays off for the whole passage."""
        return not self.on and self.is_constant

    @property
    def is_always_on(self) -> bool:
        """Whether it stays on for the whole passage."""
        return self.on and self.is_constant

    @property
    def inverted(self) -> "Gate":
        """What the bypass gets: one less these weights, at every frame."""
        switches = tuple((frame, not state) for frame, state in self.switches)
        return Gate(not self.on, switches, self.fade_frames)

    def weights(self, frames: int, first: int = 0) -> Volts:
        """Return the weight of the block's own sound, 0 to 1, for `frames` frames from `first` on.

        A fade is (1 - cos(pi t / T)) / 2 of the way; what the block's sound loses the bypass gets.
        """
        weights = np.full(frames, float(self.on))
        fade = _Fade(0, float(self.on), float(self.on), 0)
        for frame, state in self.switches:
            if frame >= first + frames:
                break
            fade = _Fade(
                frame, float(fade.at(np.array([frame]))[0]), float(state), self.fade_frames
            )
            begin = max(frame, first)
            end = max(begin, min(frame + self.fade_frames, first + frames))
            weights[begin - first :] = fade.target
            weights[begin - first : end - first] = fade.at(np.arange(begin, end))
        return weights


class _Fade(NamedTuple):
    """From `frame` on, for `length` frames, from weight `start` to `target`."""

    frame: int
    start: float
    target: float
    length: int

    def at(self, frames: NDArray[np.int64]) -> Volts:
        """Return the weights at `frames`, none before the fade begins."""
        gone = frames - self.frame
        if self.length == 0:
            return np.full(gone.shape, self.target)
        share = (1.0 - np.cos(np.pi * gone / self.length)) / 2.0
        return np.where(
            gone < self.length, self.start + (self.target - self.start) * share, self.target
        )


@dataclass(frozen=True)
class Blend:
    """The weight of one of the states that a movement passes through: straight lines.

    `points` are (frame, weight) pairs in time order. The weights of a movement's states sum to 1.
    """

    points: tuple[tuple[int, float], ...]

    @property
    def is_always_on(self) -> bool:
        """Whether there is no other state."""
        return all(weight == 1.0 for _, weight in self.points)

    def weights(self, frames: int, first: int = 0) -> Volts:
        """Return the weight at each of `frames` frames from `first` on."""
        places, weights = np.array(self.points, dtype=np.float64).T
        line: Volts = np.interp(np.arange(first, first + frames), places, weights)
        return line


Share = Gate | Blend


def blends(frames: Sequence[int]) -> list[Blend]:
    """Return the weights of states that are reached at `frames`, each fading into the next."""
    found = []
    for number, frame in enumerate(frames):
        points = [(frame, 1.0)]
        if number > 0:
            points.insert(0, (frames[number - 1], 0.0))
        if number + 1 < len(frames):
            points.append((frames[number + 1], 0.0))
        found.append(Blend(tuple(points)))
    return found
