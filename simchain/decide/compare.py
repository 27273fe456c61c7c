"""Two or more orders over passages and songs, on one amplifier or several, fairly matched."""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace
from threading import Event

import numpy as np

from simchain.board import Board, Order
from simchain.chain.electrical.loading import first_input_warnings, long_cable_warnings
from simchain.chain.floors import with_floors
from simchain.chain.loop import Loop, parallel_loop
from simchain.chain.path import named_order, path_from
from simchain.chain.render import amp_name
from simchain.chain.source import source_of
from simchain.chain.stereo import may_fold, stereo_heard
from simchain.chain.unchanged import of_unchanged_sounds
from simchain.chain.walk import Rendering, stop_if_told, walk
from simchain.chain.walker import twice
from simchain.decide.causes import causes
from simchain.decide.character import characters
from simchain.decide.comparison import Comparison, Heard, Music, Pair, music_of
from simchain.decide.difference import difference
from simchain.decide.free_pairs import free_pairs
from simchain.decide.gains import audition_gains_db
from simchain.decide.judge import Judge, Sound
from simchain.decide.levels import loop_warnings
from simchain.decide.measured import Measured, measured
from simchain.decide.parallel import Stop, in_parallel
from simchain.decide.songs import song_steps
from simchain.errors import RequestError
from simchain.measure.bands import third_octaves_db
from simchain.measure.stereo import stereo_of
from simchain.signal import Signal, twins

NO_AMPS: tuple[None] = (None,)

Progress = Callable[[int, int, str], None]


@of_unchanged_sounds
def compare(
    board: Board,
    orders: Sequence[str | Order],
    *,
    passages: Sequence[str] | None = None,
    songs: Sequence[str] | None = None,
    amps: Sequence[str] | None = None,
    noise: bool = False,
    judged: bool = True,
    holds: bool = False,
    measures: bool = False,
    progress: Progress | None = None,
    stop: Event | None = None,
) -> Comparison:
    """Render `orders` over `passages` and `songs` on `amps` (default the board's) and compare.

    Without passages and songs it is every passage; with songs alone it is those alone.

    With `noise`, and in passages with a gate switched on, hum and hiss are in the sounds; test
    points always tell their noise floor. Unless `judged` is false, every pair is judged, without
    noise and with all phases of what sways by itself. With `holds`, orders that are free of one
    another throughout are tried played and set otherwise (see `decide.holding`). With `measures`,
    distortion and decay are measured too, by tones and an impulse (see `decide.injected`).
    `progress` is called with parts done, parts there are, and what was done.

    Raises RequestError when fewer than two orders are given, one is given twice, or a name is not
    on the board; ClipError for clips; StoppedError once `stop` is set.
    """
    if len(orders) < 2:
        raise RequestError(f"two orders or more are compared; {len(orders)} given")
    chosen = music_of(board, passages, songs)
    names = _distinct_names(board, orders)
    wanted_amps = tuple(amp_name(board, amp) for amp in amps or NO_AMPS)
    jobs = list(itertools.product(chosen, wanted_amps))
    results = _all_heard(board, orders, jobs, noise, judged, measures, progress, stop)
    stop_if_told(stop)
    heard = _with_gains([one for part, _ in results for one in part])
    pairs = tuple(pair for _, part in results for pair in part)
    free = None
    if holds:
        known = {name: board.order(order) for name, order in zip(names, orders, strict=True)}
        free = free_pairs(board, known, chosen, pairs, progress, stop)
    return Comparison(
        board, names, chosen, wanted_amps, heard, pairs, _warnings(board, heard), free
    )


def _warnings(board: Board, heard: Sequence[Heard]) -> tuple[str, ...]:
    """Say once what the renderings warn of, and which order's loop meets too much or too little.

    And what the guitar is loaded with: a block that leaves the front can take its buffer with it,
    and what is heard then is the cable.
    """
    said = dict.fromkeys(text for one in heard for text in one.rendering.warnings)
    paths = [one.rendering.path for one in heard]
    loads = (*first_input_warnings(paths), *long_cable_warnings(board, paths))
    said |= dict.fromkeys(warning.text for warning in loads)
    for one in heard:
        end = f"{one.rendering.order} on {one.rendering.amp}: "
        said |= dict.fromkeys(end + text for text in loop_warnings(one.rendering))
    return tuple(said)


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
    measures: bool,
    progress: Progress | None,
    told_to: Event | None,
) -> list[tuple[list[Heard], list[Pair]]]:
    """Run each passage and song on each amplifier, as many at once as there are cores."""
    stop = Stop(told_to)

    def work(job: tuple[Music, str | None]) -> tuple[list[Heard], list[Pair]]:
        return _heard_in(board, orders, *job, noise, judged, measures, stop)

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
    measures: bool,
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
    figures = measured(board, renderings, tones=measures, stop=stop)
    heard = [
        _heard(board, music, rendering, _loops(board, order, rendering), told)
        for order, rendering, told in zip(orders, renderings, figures, strict=True)
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
    loops = any(step.moment.takes for one in renderings for step in one.path.steps)
    return [
        replace(
            pair,
            score=one.score,
            causes=causes(
                a, b, trim_lu=pair.trim_lu, more_dirt_db=None if loops else one.more_dirt_db
            ),
            where=one.where,
            when=one.when,
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


def _heard(
    board: Board, music: Music, rendering: Rendering, loops: dict[str, Loop], told: Measured
) -> Heard:
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
        measured=told,
    )


def _with_gains(heard: Sequence[Heard]) -> tuple[Heard, ...]:
    gains = audition_gains_db([(one.rendering.order, one.rendering.output) for one in heard])
    return tuple(replace(one, gains_db=each) for one, each in zip(heard, gains, strict=True))
