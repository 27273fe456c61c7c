"""Orders judged against one another in one passage or song: renders, takes, tones, score, word.

Where an order holds units that sway by themselves it is rendered `TAKES` times, each with another
phase, the same in every order: on stage the phase is random, so what another phase changes too is
not the order's. Sounds that are the same already as they are first rendered need no more.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import astuple, dataclass, field
from threading import Event

import numpy as np

from simchain.blocks import Block
from simchain.board import Board, Order
from simchain.chain.path import path_from
from simchain.chain.source import Source, source_of
from simchain.chain.steps import Path
from simchain.chain.walk import Rendering, walk
from simchain.decide.difference import Difference, difference
from simchain.decide.ear import Ear, Samples
from simchain.decide.parts import distribution_db, event_phon
from simchain.decide.probe import Driven, Probe, is_linear
from simchain.decide.score import Part, Score, Verdict, scored
from simchain.decide.where import When, Where, when, where
from simchain.signal import Volts, twins

TAKES = 5
SILENCE_BEFORE_S = 0.3
# Frames of output that are held at once while takes are rendered: 270 MB in one channel.
FRAMES_AT_ONCE = 1 << 25

VERDICTS: tuple[Verdict, ...] = ("same", "free", "subtle", "clear")
FREE_WORDS, HEARD_WORDS = VERDICTS[:2], VERDICTS[2:]


@dataclass(frozen=True)
class Cost:
    """What was rendered: passages in an order, further takes of them, nine tones, stills.

    Stills are sounds without echoes or with what sways held still: see `decide.still`.
    """

    renders: int = 0
    takes: int = 0
    probes: int = 0
    still: int = 0

    def __add__(self, other: "Cost") -> "Cost":
        return Cost(*map(sum, zip(astuple(self), astuple(other), strict=True)))


@dataclass(frozen=True, eq=False)
class Judged:
    """Two orders in one passage: the plain difference, and how far it is expected to be heard.

    `more_dirt_db` says by how much the second is dirtier, below 0 cleaner; its size is the score's
    `dirt_db`. Where a difference is expected, `where` says in which part of the music most of it
    lies if tone and evenness decided, `when` at which moment if a single one did.
    """

    difference: Difference
    score: Score
    more_dirt_db: float
    where: Where | None = None
    when: When | None = None


@dataclass(eq=False)
class Sound:
    """One order in one passage or song: its takes, the first one rendered by whoever asks.

    `ears` holds what the takes are to the ear, the first one first; the others are kept rounded to
    float32.
    """

    rendering: Rendering
    ears: list[Ear] = field(default_factory=list)

    @property
    def order(self) -> Order:
        """The order that is heard."""
        return self.rendering.path.order

    @property
    def modulates(self) -> bool:
        """Whether a unit on its path sways by itself."""
        return modulates(self.rendering.path)

    @property
    def driven(self) -> Driven:
        """The order, and the blocks that clip at their rails in it."""
        return Driven(
            self.order,
            frozenset(
                name.removesuffix(".in").removesuffix(".out")
                for name, point in self.rendering.points.items()
                if point.headroom is not None and point.headroom.db < 0.0
            ),
        )

    @property
    def distorts(self) -> bool:
        """Whether a unit on its path is not linear, or clips at a rail."""
        return bool(self.driven.clipping) or not is_linear(self.rendering.path)


class Judge:
    """Judges orders in one passage or song of a board, on one amplifier (None: into the mixer).

    `music` names it, `is_song` says which of the two it is. `probe` plays tones down the same
    orders; several judges may share one, as long as they work one after another. `cost` counts
    what was rendered so far.

    Noise is off, but in a passage in which a unit that works on noise is ever on.
    """

    def __init__(
        self,
        board: Board,
        music: str,
        amp: str | None,
        *,
        is_song: bool = False,
        probe: Probe | None = None,
        stop: Event | None = None,
    ) -> None:
        self.board, self.music, self.amp, self.is_song = board, music, amp, is_song
        self.probe = probe or Probe(board, amp, stop)
        self.stop = stop
        self.cost = Cost()
        self._by_key: dict[bytes, Sound] = {}

    def sounds(self, orders: Sequence[str | Order]) -> list[Sound]:
        """Render each order once."""
        source = self._source()
        paths = [self._path(source, order, 0.0) for order in orders]
        self.cost += Cost(renders=len(paths))
        return [Sound(one) for one in walk(self.board, paths, source, stop=self.stop)]

    def judged(
        self,
        pairs: Sequence[tuple[Sound, Sound]],
        *,
        known: Sequence[Difference] | None = None,
        each: Callable[[int, Judged], None] | None = None,
    ) -> list[Judged]:
        """Judge the second sound of each pair against the first.

        Pairs that are the same as they were first rendered need neither takes nor tones. The
        sounds are those of `sounds`, or others of this passage at the modulators' own phase.
        `known` are the pairs' plain differences, where they were measured before. `each` is
        called with every pair's number as soon as it is judged.
        """
        pairs = [(self.first_like(a), self.first_like(b)) for a, b in pairs]
        plain = known or [self.difference(a, b) for a, b in pairs]
        short = {number for number, found in enumerate(plain) if self._is_same(found)}
        longer = _each_once(
            sound for number, pair in enumerate(pairs) if number not in short for sound in pair
        )
        self._more_takes([sound for sound in longer if sound.modulates and len(sound.ears) < TAKES])
        self._play_tones([sound for sound in longer if sound.distorts])
        results = []
        for number, ((a, b), found) in enumerate(zip(pairs, plain, strict=True)):
            results.append(self._judged(a, b, found, alone=number in short))
            if each:
                each(number, results[-1])
        return results

    def difference(self, a: Sound, b: Sound) -> Difference:
        """Return the plain difference of two sounds as they were first rendered."""
        first, second = (sound.rendering.output.samples for sound in (a, b))
        return difference(first, second, self.board.rate)

    def first_like(self, sound: Sound) -> Sound:
        """Return the first sound that the very same steps made: orders can differ in name only."""
        return self._by_key.setdefault(sound.rendering.path.steps[-1].key, sound)

    def _is_same(self, found: Difference) -> bool:
        judging = self.board.judging
        deep = found.null_db <= judging.same_null_db
        return deep and abs(found.trim_lu) <= judging.same_trim_lu

    def _judged(self, a: Sound, b: Sound, found: Difference, *, alone: bool) -> Judged:
        """Score a pair; `alone` by the first takes, and without tones."""
        takes = 1 if alone else None
        more_dirt_db = 0.0
        if not alone and (a.distorts or b.distorts):
            before = self.probe.probes
            more_dirt_db = self.probe.more_dirt_db(self._passages(), a.driven, b.driven)
            self.cost += Cost(probes=self.probe.probes - before)
        score = scored(
            self.ears(a)[:takes],
            self.ears(b)[:takes],
            found,
            dirt_db=abs(more_dirt_db),
            judging=self.board.judging,
        )
        told: Where | When | None = None
        if score.verdict in HEARD_WORDS and math.isfinite(score.score):
            told = self._place(a, b, score.decided_by)
        return Judged(
            found,
            score,
            more_dirt_db,
            where=told if isinstance(told, Where) else None,
            when=told if isinstance(told, When) else None,
        )

    def _place(self, a: Sound, b: Sound, decided_by: Part) -> Where | When | None:
        """Tell where or when two sounds differ most, in the channel that differs more."""
        takes_a, takes_b = ([ear.heard() for ear in self.ears(sound)] for sound in (a, b))
        channels = max(len(takes_a[0]), len(takes_b[0]))
        pairs = [
            tuple([take[c % len(take)] for take in takes] for takes in (takes_a, takes_b))
            for c in range(channels)
        ]
        if decided_by == "distribution":
            return where(*max(pairs, key=lambda pair: distribution_db(*pair)))
        if decided_by == "event":
            found = when(*max(pairs, key=lambda pair: event_phon(*pair)))
            return found._replace(at_s=max(0.0, found.at_s - SILENCE_BEFORE_S))
        return None

    def ears(self, sound: Sound) -> list[Ear]:
        """Return what the takes of a sound, as many as there are, are to the ear."""
        if not sound.ears:
            sound.ears.append(self.ear(sound.rendering.output.samples))
        return sound.ears

    def ear(self, samples: Volts, dtype: type[np.floating] = np.float64) -> Ear:
        """Return a sound with 0.3 s of silence before it: silence in gives silence out."""
        rate, listening_db_spl = self.board.rate, self.board.judging.listening_db_spl
        return Ear(after_silence(samples, rate, dtype), rate, listening_db_spl)

    def _more_takes(self, sounds: Sequence[Sound]) -> None:
        """Render the other phases, as many of them at once as memory allows."""
        wanted = [(sound, number) for number in range(1, TAKES) for sound in sounds]
        for sound in sounds:
            self.ears(sound)
        while wanted:
            frames = sounds[0].rendering.output.samples.shape[1]
            batch = wanted[: max(1, FRAMES_AT_ONCE // max(1, frames))]
            wanted = wanted[len(batch) :]
            source = self._source()
            paths = [self._path(source, one.order, number / TAKES) for one, number in batch]
            rendered = walk(self.board, paths, source, stop=self.stop)
            self.cost += Cost(takes=len(rendered))
            rendered.reverse()
            for sound, _ in batch:
                take = rendered.pop().output.samples
                sound.ears.append(self.ear(take, np.float32))

    def _play_tones(self, sounds: Sequence[Sound]) -> None:
        if sounds:
            before = self.probe.probes
            self.probe.play(self._passages(), [sound.driven for sound in sounds])
            self.cost += Cost(probes=self.probe.probes - before)

    def _passages(self) -> tuple[str, ...]:
        return self.board.song(self.music).passages if self.is_song else (self.music,)

    def _source(self) -> Source:
        return source_of(self.board, self.music, song=self.is_song)

    def _path(self, source: Source, order: str | Order, turn: float) -> Path:
        return path_from(source, self.board, order, self.amp, turn=turn)


def silence_before(rate: int) -> int:
    """Return how many samples of silence the ear hears first."""
    return round(SILENCE_BEFORE_S * rate)


def after_silence(samples: Volts, rate: int, dtype: type[np.floating] = np.float64) -> Samples:
    """Return a sound with 0.3 s of silence before it; channels that are alike as one."""
    lines = samples[:1] if twins(samples) else samples
    before = silence_before(rate)
    padded = np.zeros((len(lines), before + lines.shape[1]), dtype)
    padded[:, before:] = lines
    return padded


def modulates(path: Path) -> bool:
    """Whether a unit on `path` sways by itself, at a phase that is another one each time."""
    return any(
        isinstance(step.unit, Block)
        and not step.gate.is_never_on
        and any(unit.modulates() for unit in (step.unit, *(block for block, _ in step.versions)))
        for step in path.steps
    )


def _each_once(sounds: Iterable[Sound]) -> list[Sound]:
    return list({id(sound): sound for sound in sounds}.values())
