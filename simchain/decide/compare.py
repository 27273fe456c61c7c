"""Two or more orders over passages and songs, on one amplifier or several, fairly matched."""

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from threading import Event

import numpy as np

from simchain.board import Board, Order
from simchain.chain.floors import with_floors
from simchain.chain.loop import Loop, parallel_loop
from simchain.chain.path import named_order, path_from
from simchain.chain.render import amp_name
from simchain.chain.source import source_of
from simchain.chain.stereo import HeardStereo, may_fold, stereo_heard
from simchain.chain.walk import Output, Rendering, twice, walk
from simchain.decide.causes import Cause, Name, causes
from simchain.decide.character import characters
from simchain.decide.difference import Difference, difference
from simchain.decide.judge import Judge, Sound
from simchain.decide.levels import loop_warnings
from simchain.decide.parallel import in_parallel
from simchain.decide.score import Score
from simchain.decide.songs import SongStep, song_steps
from simchain.decide.where import Where
from simchain.errors import RequestError
from simchain.measure.bands import third_octaves_db
from simchain.measure.stereo import Stereo, stereo_of
from simchain.signal import Signal, Volts, twins

AUDITION_LUFS = -20.0
CEILING_DBTP = -1.1
NO_AMPS: tuple[None] = (None,)
WAYS = ("passage", "order", "as_is")

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Music:
    """A passage of the board, or a song of passages; the two have names of their own."""

    name: str
    is_song: bool = False

    @property
    def label(self) -> str:
        """The name that stands for it among passages and songs: no passage is called so."""
        return f"{self.name} (song)" if self.is_song else self.name


@dataclass(frozen=True, eq=False)
class Heard:
    """One order in one passage or song on one amplifier, and how it is played beside the others.

    The rendering's output is kept in float32 and its test points as levels. `bands_db` is the
    long-term third-octave spectrum at the centres `measure.bands` gives. `gains_db` maps each way
    of listening to the gain that plays the output in it: ``passage`` (every sound equally loud),
    ``order`` (one gain for the order, so that a solo's lift stays), ``as_is`` (one gain for all).
    `loops` holds the order's parallel loop, where there is one, by the passage it is measured in.
    `steps` are those of a song. `sides` says how far the two channels of the output are apart,
    `stereo` where on the path there are two.
    """

    music: Music
    rendering: Rendering
    bands_db: Volts
    loops: dict[str, Loop]
    steps: tuple[SongStep, ...]
    sides: Stereo
    stereo: tuple[HeardStereo, ...]
    gains_db: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Pair:
    """Two orders in one passage on one amplifier; `b` is measured against `a`.

    `passage` is the label of a passage or a song. `score` and `causes` are None where it was not
    judged, `where` also where no one part of the music holds most of the difference.
    """

    a: str
    b: str
    passage: str
    amp: str | None
    difference: Difference
    score: Score | None = None
    causes: dict[Name, Cause] | None = None
    where: Where | None = None

    @property
    def trim_lu(self) -> float:
        """Loudness of `b` less that of `a`: what must be turned down afterwards."""
        return self.difference.trim_lu

    @property
    def null_db(self) -> float:
        """What is left of `a` when the best-fitting copy of `b` is taken away."""
        return self.difference.null_db

    @property
    def max_band_change_db(self) -> float:
        """Largest long-term third-octave change from `a` to `b`, matched in loudness."""
        return self.difference.max_band_change_db


@dataclass(frozen=True, eq=False)
class Comparison:
    """Orders compared: every sound, and every unordered pair once, a before b as given."""

    board: Board
    orders: tuple[str, ...]
    music: tuple[Music, ...]
    amps: tuple[str | None, ...]
    heard: tuple[Heard, ...]
    pairs: tuple[Pair, ...]
    warnings: tuple[str, ...]

    @property
    def passages(self) -> tuple[str, ...]:
        """Labels of the passages, and of the songs behind them."""
        return tuple(each.label for each in self.music)


def compare(
    board: Board,
    orders: Sequence[str | Order],
    *,
    passages: Sequence[str] | None = None,
    songs: Sequence[str] | None = None,
    amps: Sequence[str] | None = None,
    noise: bool = False,
    judged: bool = True,
    progress: Progress | None = None,
) -> Comparison:
    """Render `orders` over `passages` and `songs` on `amps` (default the board's) and compare.

    Without passages and songs it is every passage; with songs alone it is those alone.

    With `noise`, and in passages with a gate switched on, hum and hiss are in the sounds; test
    points always tell their noise floor. Unless `judged` is false, every pair is judged, without
    noise and with all phases of what sways by itself.
    `progress` is called with the number of passages done, the number there are, and what was done.

    Raises RequestError when fewer than two orders are given, one is given twice, or a name is not
    on the board; ClipError for clips.
    """
    if len(orders) < 2:
        raise RequestError(f"two orders or more are compared; {len(orders)} given")
    chosen = _chosen(board, passages, songs)
    names = _distinct_names(board, orders)
    wanted_amps = tuple(amp_name(board, amp) for amp in amps or NO_AMPS)
    jobs = list(itertools.product(chosen, wanted_amps))
    results = _all_heard(board, orders, jobs, noise, judged, progress)
    heard = _with_gains([one for part, _ in results for one in part])
    pairs = tuple(pair for _, part in results for pair in part)
    return Comparison(board, names, chosen, wanted_amps, heard, pairs, _warnings(heard))


def _warnings(heard: Sequence[Heard]) -> tuple[str, ...]:
    """Say once what the renderings warn of, and which order's loop meets too much or too little."""
    said = dict.fromkeys(text for one in heard for text in one.rendering.warnings)
    for one in heard:
        end = f"{one.rendering.order} on {one.rendering.amp}: "
        said |= dict.fromkeys(end + text for text in loop_warnings(one.rendering))
    return tuple(said)


def _chosen(
    board: Board, passages: Sequence[str] | None, songs: Sequence[str] | None
) -> tuple[Music, ...]:
    """Return what is played, each once: passages, then songs. Raises RequestError for names."""
    names = tuple(passages or (() if songs else board.passages))
    for name in names:
        board.passage(name)
    for name in songs or ():
        board.song(name)
    music = [Music(name) for name in names] + [Music(name, True) for name in songs or ()]
    return tuple(dict.fromkeys(music))


def _distinct_names(board: Board, orders: Sequence[str | Order]) -> tuple[str, ...]:
    names = tuple(named_order(board, order)[0] for order in orders)
    for name in names:
        if names.count(name) > 1:
            raise RequestError(f"order '{name}' is given twice; each is compared once")
    return names


def _all_heard(
    board: Board,
    orders: Sequence[str | Order],
    jobs: Sequence[tuple[Music, str | None]],
    noise: bool,
    judged: bool,
    progress: Progress | None,
) -> list[tuple[list[Heard], list[Pair]]]:
    """Run each passage and song on each amplifier, as many at once as there are cores."""
    stop = Event()

    def work(job: tuple[Music, str | None]) -> tuple[list[Heard], list[Pair]]:
        return _heard_in(board, orders, *job, noise, judged, stop)

    def told(done: int, job: tuple[Music, str | None]) -> None:
        if progress:
            music, amp = job
            progress(done, len(jobs), music.label + (f" on {amp}" if amp else ""))

    return in_parallel(work, jobs, stop=stop, each=told)


def _heard_in(
    board: Board,
    orders: Sequence[str | Order],
    music: Music,
    amp: str | None,
    noise: bool,
    judged: bool,
    stop: Event,
) -> tuple[list[Heard], list[Pair]]:
    source = source_of(board, music.name, song=music.is_song, noise=noise)
    paths = [path_from(source, board, order, amp) for order in orders]
    walked = walk(board, paths, source, points=may_fold(board), stop=stop)
    renderings = with_floors(board, walked)
    pairs = _pairs(music, renderings)
    if judged:
        judge = Judge(board, music.name, amp, is_song=music.is_song, stop=stop)
        sounds = judge.sounds(orders) if noise else [Sound(one) for one in renderings]
        pairs = _judged(judge, sounds, renderings, pairs, known=not noise)
    heard = [
        _heard(board, music, rendering, _loops(board, order, rendering))
        for order, rendering in zip(orders, renderings, strict=True)
    ]
    return heard, pairs


def _judged(
    judge: Judge,
    sounds: Sequence[Sound],
    renderings: Sequence[Rendering],
    pairs: Sequence[Pair],
    *,
    known: bool,
) -> list[Pair]:
    """Judge every pair of `sounds` and tell the causes apart; what is quiet has been rendered.

    With `known` the pairs' plain differences are those of the sounds.
    """
    differences = [pair.difference for pair in pairs] if known else None
    found = judge.judged(list(itertools.combinations(sounds, 2)), known=differences)
    told = characters(judge, sounds, [one.quiet for one in renderings])
    return [
        replace(
            pair,
            score=one.score,
            causes=causes(a, b, trim_lu=pair.trim_lu, more_dirt_db=one.more_dirt_db),
            where=one.where,
        )
        for pair, one, (a, b) in zip(pairs, found, itertools.combinations(told, 2), strict=True)
    ]


def _pairs(music: Music, renderings: Sequence[Rendering]) -> list[Pair]:
    return [
        Pair(
            a.order,
            b.order,
            music.label,
            a.amp,
            difference(a.output.samples, b.output.samples, a.rate),
        )
        for a, b in itertools.combinations(renderings, 2)
    ]


def _loops(board: Board, order: str | Order, rendering: Rendering) -> dict[str, Loop]:
    """Measure an order's parallel loop in each passage of a rendering."""
    passages = dict.fromkeys(part.passage for part in rendering.path.timeline.parts)
    found = {name: parallel_loop(board, order, name, rendering.amp) for name in passages}
    return {name: loop for name, loop in found.items() if loop is not None}


def _heard(board: Board, music: Music, rendering: Rendering, loops: dict[str, Loop]) -> Heard:
    """Keep what a comparison needs of a rendering: rounded to float32, a mono end once."""
    output, rate = rendering.output, rendering.rate
    lines = output.samples[:1] if twins(output.samples) else output.samples
    kept = replace(output, samples=twice(lines.astype(np.float32)))
    return Heard(
        music,
        replace(rendering.without_sounds(), output=kept),
        bands_db=third_octaves_db(Signal(lines, rate))[1],
        loops=loops,
        steps=song_steps(board, rendering) if music.is_song else (),
        sides=stereo_of(lines),
        stereo=stereo_heard(rendering),
    )


def _with_gains(heard: Sequence[Heard]) -> tuple[Heard, ...]:
    """Work out the three ways of listening.

    All sounds matched per passage play at one loudness, the highest up to AUDITION_LUFS at which
    none passes CEILING_DBTP. The other two ways keep that loudness on average, or what the peaks
    allow.
    """
    sounding = [one for one in heard if math.isfinite(one.rendering.output.integrated_lufs)]
    if not sounding:
        return tuple(replace(one, gains_db=dict.fromkeys(WAYS, 0.0)) for one in heard)
    outputs = [one.rendering.output for one in sounding]
    target = min(AUDITION_LUFS, *(room_lufs(output) for output in outputs))
    overall = _mean_lufs([output.integrated_lufs for output in outputs])
    by_order = {
        name: _mean_lufs([o.integrated_lufs for o, one in zip(outputs, sounding, strict=True)
                          if one.rendering.order == name])
        for name in {one.rendering.order for one in sounding}
    }  # fmt: skip
    gains = {
        "passage": [target - output.integrated_lufs for output in outputs],
        "order": [target - by_order[one.rendering.order] for one in sounding],
        "as_is": [target - overall for _ in sounding],
    }
    lowered = {way: _below_ceiling(gains[way], outputs) for way in WAYS}
    found = {id(one): {way: lowered[way][i] for way in WAYS} for i, one in enumerate(sounding)}
    silent = dict.fromkeys(WAYS, 0.0)
    return tuple(replace(one, gains_db=found.get(id(one), silent)) for one in heard)


def room_lufs(output: Output) -> float:
    """Return how loud `output` may be played before its true peak reaches CEILING_DBTP."""
    return output.integrated_lufs + CEILING_DBTP - output.true_peak_dbtp


def _below_ceiling(gains_db: list[float], outputs: Sequence[Output]) -> list[float]:
    """Lower all gains alike until no sound's true peak passes CEILING_DBTP."""
    peaks = (gain + output.true_peak_dbtp for gain, output in zip(gains_db, outputs, strict=True))
    over = max(0.0, max(peaks) - CEILING_DBTP)
    return [gain - over for gain in gains_db]


def _mean_lufs(levels: Sequence[float]) -> float:
    """Mean of loudness levels by energy."""
    return 10.0 * math.log10(sum(10.0 ** (level / 10.0) for level in levels) / len(levels))
