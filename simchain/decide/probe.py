"""The dirt that an order adds to tones: every chain dry, held still and without noise.

Nine tones, one after another in one sound, are sent down the same path that the passage takes, on
a board whose echoes are taken away and whose modulators are held still. What comes out beside the
tones is what the order distorts, and nothing else.

What is a wire when it is dry and still, as a reverb is, is left out: the place it stands at makes
no dirt, and orders that differ in it alone share one sound. It stays in where the passage drives it
into its rails.
"""

from collections.abc import Iterable, Iterator, Sequence
from threading import Event
from typing import NamedTuple

import numpy as np

from simchain.blocks import Block, Moment
from simchain.board import Board, Order
from simchain.chain.path import path_of
from simchain.chain.source import clip_in_volts, clip_name, key_of
from simchain.chain.steps import AmpUnit, Path
from simchain.chain.timeline import SOURCE, timeline_of_passage
from simchain.chain.walk import at_ends, full_scale_volts
from simchain.chain.walker import Walker
from simchain.decide.dirt import TONES_HZ, more_dirt_db, residual_share, tone_peaks
from simchain.decide.parallel import in_parallel
from simchain.signal import Volts, resampled, tone, twins

# Each tone sounds for so long; its last second is looked at, after slow states have come to rest.
TONE_S = 1.25
_IMPULSE_FRAMES = 256

Shares = tuple[float, ...]


class Driven(NamedTuple):
    """An order, and the blocks that the passage drives into their rails in it."""

    order: Order
    clipping: frozenset[str] = frozenset()


class Probe:
    """Plays the nine tones at the levels of each passage's clip, and keeps what came of it.

    `amp` is the amplifier, or None. It plays so many sounds at once as it is given `threads`.
    `probes` counts the sounds that were rendered: nine tones down one path are one.
    """

    def __init__(
        self, board: Board, amp: str | None, stop: Event | None = None, *, threads: int = 1
    ) -> None:
        self.board, self.amp, self.stop, self.threads = board, amp, stop, threads
        self.probes = 0
        self._states: dict[str, list[Board]] = {}
        self._sources: dict[str, tuple[Volts, bytes]] = {}
        self._left_out: dict[int, frozenset[str]] = {}
        self._shares: dict[bytes, Shares] = {}
        self._orders: dict[tuple[int, Driven], Order] = {}
        self._lasts: dict[tuple[int, Order], bytes] = {}

    def play(self, passages: Iterable[str], orders: Sequence[Driven]) -> None:
        """Render what `more_dirt_db` will need of these orders, those that share steps at once."""
        for passage in dict.fromkeys(passages):
            volts, key = self._source(passage)
            for board in self._boards(passage):
                wanted: dict[bytes, Path] = {}
                for driven in orders:
                    if self._last_key(board, driven, passage) in self._shares:
                        continue
                    path = self._path(board, driven, passage, key)
                    last = path.steps[-1].key
                    if is_linear(path) and not driven.clipping:
                        self._shares[last] = (0.0,)
                    elif last not in self._shares:
                        wanted[last] = path
                if wanted:
                    self._render(board, list(wanted.values()), volts)

    def more_dirt_db(self, passages: Iterable[str], a: Driven, b: Driven) -> float:
        """By how many dB B is dirtier than A (below 0: cleaner), where they differ most.

        Of a passage each set of blocks that is on at one time is tried, of a song each passage.
        """
        found = [0.0]
        for passage in dict.fromkeys(passages):
            both = zip(*(self.shares(passage, driven) for driven in (a, b)), strict=True)
            found += [more_dirt_db(*pair) for pair in both]
        return max(found, key=abs)

    def shares(self, passage: str, driven: Driven) -> list[Shares]:
        """Return the shares of the nine tones that are residual, for each set of blocks on."""
        lasts = [self._last_key(board, driven, passage) for board in self._boards(passage)]
        if any(last not in self._shares for last in lasts):
            self.play([passage], [driven])
        return [self._shares[last] for last in lasts]

    def _render(self, board: Board, paths: Sequence[Path], volts: Volts) -> None:
        needs_dry = any(step.joins_dry for path in paths for step in path.steps)
        full_scale = full_scale_volts(board, self.amp)

        def shares(path: Path, here: Walker) -> tuple[bytes, Shares]:
            return path.steps[-1].key, _shares(here.samples(full_scale), board.rate)

        def walked(part: Sequence[Path]) -> list[tuple[bytes, Shares]]:
            walker = Walker(volts, needs_dry=needs_dry, metered=False)
            walker.share()
            return at_ends(part, walker, shares, self.stop)

        # Those that begin alike are neighbours, and share steps.
        alike = sorted(paths, key=lambda path: [step.key for step in path.steps])
        size = -(-len(alike) // self.threads)
        parts = [alike[begin : begin + size] for begin in range(0, len(alike), size)]
        for found in in_parallel(walked, parts):
            self._shares |= dict(found)
            self.probes += len(found)

    def _last_key(self, board: Board, driven: Driven, passage: str) -> bytes:
        """Return the key of the last step of a path; worked out once for all that sound alike."""
        known = (id(board), self._reduced(board, driven))
        if known not in self._lasts:
            path = self._path(board, driven, passage, self._source(passage)[1])
            self._lasts[known] = path.steps[-1].key
        return self._lasts[known]

    def _path(self, board: Board, driven: Driven, passage: str, key: bytes) -> Path:
        order = self._reduced(board, driven)
        return path_of(board, order, timeline_of_passage(board, passage), self.amp, source_key=key)

    def _reduced(self, board: Board, driven: Driven) -> Order:
        """Return the order without what is a wire here."""
        known = (id(board), driven)
        if known not in self._orders:
            left_out = self._wires(board) - driven.clipping
            front, loop = (
                tuple(name for name in part if name not in left_out)
                for part in (driven.order.front, driven.order.loop)
            )
            self._orders[known] = Order(front=front, loop=loop)
        return self._orders[known]

    def _source(self, passage: str) -> tuple[Volts, bytes]:
        """Return the tones for a passage, and what stands for them in the keys of steps."""
        if passage not in self._sources:
            clip = clip_in_volts(self.board, clip_name(self.board, passage))
            volts = tones(resampled(clip, self.board.rate).volts, self.board.rate)
            key = key_of(volts)
            self._sources[passage] = volts, key
        return self._sources[passage]

    def _wires(self, board: Board) -> frozenset[str]:
        """Return the blocks that are wires on a board that is dry and still."""
        key = id(board)
        if key not in self._left_out:
            wires = (name for name, block in board.blocks.items() if _is_wire(block, board.rate))
            self._left_out[key] = frozenset(wires)
        return self._left_out[key]

    def _boards(self, passage: str) -> list[Board]:
        if passage not in self._states:
            self._states[passage] = list(_at_rest(self.board, passage))
        return self._states[passage]


def tones(clip: Volts, rate: int) -> Volts:
    """Return nine tones one after another, shape (1, frames), as loud as `clip` is played.

    Softer ones come first: what lets go slowly has nothing to let go of.
    """
    frames = round(TONE_S * rate)
    parts = [tone(hz, peak, frames, rate) for peak in tone_peaks(clip, rate) for hz in TONES_HZ]
    return np.concatenate(parts, axis=1)


def is_linear(path: Path) -> bool:
    """Whether nothing on `path` is known to distort, rails apart."""
    for step in path.steps:
        if isinstance(step.unit, AmpUnit):
            return False
        if isinstance(step.unit, Block) and not step.gate.is_never_on and not step.unit.is_lti():
            return False
    return True


def _is_wire(block: Block, rate: int) -> bool:
    """Whether a block that is linear passes an impulse on as it comes, and nothing after it."""
    if not block.is_lti() or block.level_db != 0.0 or block.pot is not None:
        return False
    impulse = np.zeros((block.inputs, _IMPULSE_FRAMES))
    impulse[:, 0] = 1e-3
    made = block.process(impulse, Moment(rate))
    return bool(np.all(made == impulse[:1]))


def _shares(samples: Volts, rate: int) -> Shares:
    """Return `residual_share` of each of the nine tones."""
    lines = samples[:1] if twins(samples) else samples
    frames = round(TONE_S * rate)
    return tuple(
        residual_share(lines[:, number * frames : (number + 1) * frames], rate, hz)
        for number, hz in enumerate(TONES_HZ * 3)
    )


def _at_rest(board: Board, passage: str) -> Iterator[Board]:
    """Yield the board, dry and still, for each set of blocks that is on at one time.

    What belongs to the passage's settings is written into the blocks; nothing moves.
    """
    still = {name: board.block_in(passage, name).dry().frozen() for name in board.blocks}
    table = board.passage(passage)
    kept = {name: changes for name, changes in table.set.items() if name == SOURCE}
    for on in _sets_of_on(board, passage):
        resting = table.model_copy(update={"on": on, "events": (), "set": kept})
        passages = {**board.passages, passage: resting}
        yield board.model_copy(update={"blocks": still, "passages": passages})


def _sets_of_on(board: Board, passage: str) -> list[tuple[str, ...]]:
    """Return which blocks are on together, each set once, in order of time."""
    timeline = timeline_of_passage(board, passage)
    now = list(timeline.first.on)
    found = [tuple(now)]
    for happening in timeline.happenings:
        if happening.do == "on" and happening.block not in now:
            now.append(happening.block)
        elif happening.do == "off" and happening.block in now:
            now.remove(happening.block)
        found.append(tuple(name for name in board.blocks if name in now))
    return list(dict.fromkeys(tuple(sorted(on)) for on in found))
