"""How long each block of a board is on, and how often it is switched, in passages and songs."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from simchain.board import Board
from simchain.chain.source import source_of
from simchain.chain.timeline import Timeline


@dataclass(frozen=True)
class InUse:
    """What is done with one block.

    `on_share` is the share of time that it is on, 0 to 1, with each passage counted by its weight
    and its clip's length, and once for each time that a song plays it. `switched` counts how often
    it is switched on or off: in each song as it is played through, and in passages of no song.
    """

    on_share: float
    switched: int


@dataclass(frozen=True)
class Played:
    """Passages as they are played: their timelines, how long their clips are, how much each counts.

    `songs` are the timelines of the songs of these passages.
    """

    timelines: Mapping[str, Timeline]
    frames: Mapping[str, int]
    weights: Mapping[str, float]
    songs: Sequence[tuple[Timeline, int]]

    def in_use(self, block: str) -> InUse:
        """Return what is done with `block`."""
        shares = {
            name: on_frames(timeline, block, self.frames[name]) / max(1, self.frames[name])
            for name, timeline in self.timelines.items()
        }
        counted = {
            name: self.weights[name] * self.frames[name] * max(1, self._times(name))
            for name in self.timelines
        }
        alone = [
            (timeline, self.frames[name])
            for name, timeline in self.timelines.items()
            if not self._times(name)
        ]
        switched = sum(len(switches(*one, block)) for one in (*self.songs, *alone))
        total = sum(counted.values())
        on = sum(shares[name] * counted[name] for name in shares)
        return InUse(on / total if total else 0.0, switched)

    def _times(self, passage: str) -> int:
        return sum(part.passage == passage for timeline, _ in self.songs for part in timeline.parts)


def played(board: Board, passages: Sequence[str]) -> Played:
    """Read what is played: the passages, and each song that has no others.

    Raises RequestError for a passage that the board does not have, ClipError for clips.
    """
    sources = {name: source_of(board, name) for name in passages}
    songs = [
        source_of(board, name, song=True)
        for name, song in board.songs.items()
        if song.passages and set(song.passages) <= set(passages)
    ]
    return Played(
        {name: source.timeline for name, source in sources.items()},
        {name: source.clip_frames for name, source in sources.items()},
        {name: board.passage(name).weight for name in passages},
        [(song.timeline, song.clip_frames) for song in songs],
    )


def switches(timeline: Timeline, frames: int, block: str) -> list[tuple[int, bool]]:
    """Return when `block` is switched within `frames`, and to what; a loop's take counts too.

    A loop is on from where it is recorded to where it stops.
    """
    if timeline.block(block).always_passes:
        state, found = False, []
        for take in timeline.takes(block):
            if state != (take.do != "stop"):
                state = not state
                found.append((take.frame, state))
    else:
        found = list(timeline.gate(block).switches)
    return [(frame, state) for frame, state in found if frame < frames]


def on_frames(timeline: Timeline, block: str, frames: int) -> int:
    """Return for how many of the first `frames` the block is on."""
    passes = timeline.block(block).always_passes
    state, since, total = not passes and timeline.gate(block).on, 0, 0
    for frame, now in (*switches(timeline, frames, block), (frames, False)):
        total += frame - since if state else 0
        state, since = now, frame
    return total


def is_heard(timeline: Timeline, block: str) -> bool:
    """Whether a block is on at some time, or its loop is recorded or played."""
    if timeline.block(block).always_passes:
        return bool(timeline.takes(block))
    return not timeline.gate(block).is_never_on
