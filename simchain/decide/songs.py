"""A song's steps: how much louder each of its passages is than the one before, and should be."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from simchain.board import Board
from simchain.chain.walk import Rendering
from simchain.measure.loudness import loudness_or_rms


@dataclass(frozen=True)
class SongStep:
    """One passage of a song, `seconds` long from `at_s` on.

    `lufs` is the loudness of its stretch, with what rings over from before; `change_lu` is that
    less the stretch before, and `wanted_lu` the same as the passages' `above` have it, or None
    where they say nothing of the two.
    """

    passage: str
    at_s: float
    seconds: float
    lufs: float
    change_lu: float | None = None
    wanted_lu: float | None = None


def song_steps(board: Board, rendering: Rendering) -> tuple[SongStep, ...]:
    """Return the steps of a rendered song, or the one of a passage; the last has the tail."""
    steps = list(_alone(rendering))
    for number, (before, step) in enumerate(pairwise(steps), start=1):
        steps[number] = SongStep(
            step.passage,
            step.at_s,
            step.seconds,
            step.lufs,
            step.lufs - before.lufs,
            _wanted(board, before.passage, step.passage),
        )
    return tuple(steps)


def _alone(rendering: Rendering) -> Iterator[SongStep]:
    rate, samples = rendering.rate, rendering.output.samples
    parts = rendering.path.timeline.parts
    ends = [*(part.start for part in parts[1:]), samples.shape[1]]
    for part, end in zip(parts, ends, strict=True):
        lufs, _ = loudness_or_rms(samples[:, part.start : end], rate)
        yield SongStep(part.passage, part.start / rate, (end - part.start) / rate, lufs)


def _wanted(board: Board, before: str, after: str) -> float | None:
    """Return how far `after` should be above `before`, along their `above`."""
    heights_before, heights_after = _heights(board, before), _heights(board, after)
    for root, height in heights_before.items():
        if root in heights_after:
            return heights_after[root] - height
    return None


def _heights(board: Board, name: str) -> dict[str, float]:
    """Return how far a passage should be above itself, and above each that it is held against."""
    heights, height = {name: 0.0}, 0.0
    while (above := board.passage(name).above) is not None and above.passage not in heights:
        height += above.lu
        name = above.passage
        heights[name] = height
    return heights
