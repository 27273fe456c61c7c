"""The sound at the guitar's jack: a clip in volts, at the board's rate, with room for tails."""

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from simchain import clips, units
from simchain.board import Board, BoardWarning, clip_path, missing_clips
from simchain.chain.hiss import is_noisy
from simchain.chain.timeline import (
    Timeline,
    timeline_of_passage,
    timeline_of_song,
    timeline_remarks,
)
from simchain.electrics import hum
from simchain.errors import ClipError, Problem, RequestError
from simchain.measure.level import level_of
from simchain.signal import SILENT_BELOW, Signal, Volts, read_clip, resampled

PASSIVE_PICKUP_VOLTS = (0.03, 2.5)


@dataclass(eq=False)
class Source:
    """The volts of one passage or song before the first block, on a number of channels.

    `clip_frames` is where its clips end and the tail begins. With `noisy` the guitar hums, and all
    that follows is to hiss. `key` stands for these volts in the keys of the steps behind them.
    `warnings` say that the level is unlikely, or what is odd about its events.
    """

    signal: Signal | None
    timeline: Timeline
    channels: int
    clip_frames: int
    noisy: bool
    key: bytes
    warnings: tuple[str, ...] = ()

    def taken(self) -> Volts:
        """Return the volts, for once: a long sound is held by nobody who does not need it."""
        if self.signal is None:
            raise ValueError("the sound of a source is taken once")
        volts, self.signal = self.signal.volts, None
        return volts


def source_of(board: Board, name: str, *, song: bool = False, noise: bool = False) -> Source:
    """Read the clips of passage or song `name`, give them their volts, and add a tail's silence.

    A song's clips lie end to end. With `noise`, and where a unit that works on noise is ever on,
    there is hum. Raises ClipError for a clip that is missing or cannot be used, RequestError for a
    name that the board lacks and for a loop that is played before it is recorded.
    """
    passages = board.song(name).passages if song else (name,)
    if not passages:
        raise RequestError(f"song '{name}' has no passages")
    lines: list[Volts] = []
    warnings: list[str] = []
    for passage in passages:
        clip = clip_in_volts(board, clip_name(board, passage))
        warnings += _remarks(board, passage, clip)
        lines.append(resampled(clip, board.rate).volts)
        del clip
    lengths = [line.shape[1] for line in lines]
    timeline = timeline_of_song(board, name, lengths) if song else timeline_of_passage(board, name)
    volts = _end_to_end(lines, round(tail_s(board, passages[-1]) * board.rate))
    noisy = noise or is_noisy(timeline)
    if noisy:
        volts += hum_of(board, volts.shape[1])
    key = key_of(volts)
    warnings += _loops_in_vain(timeline, song=song)
    signal = Signal(volts, board.rate)
    told = tuple(dict.fromkeys(warnings))
    return Source(signal, timeline, signal.channels, sum(lengths), noisy, key, told)


def key_of(volts: Volts) -> bytes:
    """Return what stands for the volts at the source in the keys of steps."""
    return hashlib.blake2b(volts.data, digest_size=16).digest()


def _end_to_end(lines: list[Volts], silence: int) -> Volts:
    """Return all `lines` one after another with `silence` behind them; the list is emptied."""
    channels = max(line.shape[0] for line in lines)
    whole = np.zeros((channels, sum(line.shape[1] for line in lines) + silence))
    start = 0
    while lines:
        line = lines.pop(0)
        whole[:, start : start + line.shape[1]] = line
        start += line.shape[1]
    return whole


def tail_s(board: Board, passage: str) -> float:
    """Return the seconds rendered after a passage's clip."""
    own = board.passage(passage).tail_s
    return board.tail_s if own is None else own


def _remarks(board: Board, passage: str, clip: Signal) -> list[str]:
    level = level_warning(board, passage, clip)
    seconds = clip.seconds + tail_s(board, passage)
    return ([level] if level else []) + timeline_remarks(board, passage, seconds)


def _loops_in_vain(timeline: Timeline, *, song: bool) -> list[str]:
    """Return what loops are asked in vain, as warnings for a passage that may follow another.

    Raises RequestError with the first of them for a song, and for a passage of no song.
    """
    what = "song" if song else "passage"
    found = [f"{what} '{timeline.name}': {problem}" for problem in timeline.problems()]
    follows = any(timeline.name in each.passages for each in timeline.board.songs.values())
    if found and (song or not follows):
        raise RequestError(found[0])
    return found


def hum_of(board: Board, frames: int) -> Volts:
    """Return the hum at the guitar's jack, shape (1, frames)."""
    hum_dbu, mains_hz = board.source.hum_dbu, board.source.hum_hz
    return hum(hum_dbu, mains_hz, frames, board.rate)[np.newaxis]


def clip_name(board: Board, passage: str) -> str:
    """Return the name of a passage's clip; raises ClipError when [source] has none either."""
    name = board.passage(passage).clip or board.source.clip
    if name is None:
        raise ClipError(f"passage '{passage}' has no clip: name one in [source] or in the passage")
    return name


def clip_in_volts(board: Board, name: str) -> Signal:
    """Read clip `name` at its own rate, its samples turned to volts as [source] says.

    Raises ClipError for a clip that is missing, cannot be used, or is silent where its loudest
    sample is to set the volts.
    """
    clip = read_clip(clip_path(board, name))
    if board.source.loudest_peak_volts is None:
        full_scale = units.dbu_to_peak_volts(board.source.full_scale_dbu)
    else:
        peak = _peak(clip)
        if peak < SILENT_BELOW:
            raise ClipError(f"clip {name}: is silent, so loudest_peak_volts cannot set its level")
        full_scale = board.source.loudest_peak_volts / peak
    np.multiply(clip.volts, full_scale, out=clip.volts)
    return clip


def _peak(clip: Signal) -> float:
    return max(level.peak_volts for level in level_of(clip.volts))


def level_warning(board: Board, passage: str, clip: Signal) -> str:
    """Say when a passive pickup could not have made this level: a normalised file, most often."""
    low, high = PASSIVE_PICKUP_VOLTS
    peak = _peak(clip)
    if peak == 0.0:
        return f"clip {clip_name(board, passage)} is silent"
    if board.source.kind != "guitar" or low <= peak <= high:
        return ""
    return (
        f"clip {clip_name(board, passage)} peaks at {peak:.3g} V; a passive pickup gives {low:g} "
        f"to {high:g} V. If the file was normalised, set [source] full_scale_dbu to your "
        "interface's figure, or loudest_peak_volts to the loudest peak: every later answer "
        "depends on it"
    )


def _bad_responses(board: Board) -> Iterator[Problem]:
    """Return a problem for each impulse response that cannot be used."""
    for family in ("blocks", "amps"):
        for name, table in getattr(board, family).items():
            try:
                table.check_files(board.rate)
            except ClipError as error:
                key, file = next(iter(table.named_files().items()))
                allowed = "a short mono sound file"
                yield Problem(board.file, f"{family}.{name}", key, file, allowed, str(error))


def _loops_played_in_vain(board: Board) -> Iterator[Problem]:
    for passage in board.passages:
        try:
            _loops_in_vain(timeline_of_passage(board, passage), song=False)
        except RequestError as error:
            allowed = "play and overdub after record"
            yield Problem(board.file, f"passages.{passage}", "events", "", allowed, str(error))


def _level_assumed(board: Board, name: str) -> str:
    return (
        f"nothing says how many volts clip {name} stands for: full_scale_dbu = "
        f"{board.source.full_scale_dbu:g} is assumed; write your interface's figure in "
        "[source], or loudest_peak_volts: every later answer depends on it"
    )


def check_clips(board: Board) -> tuple[list[Problem], list[BoardWarning], dict[str, float]]:
    """Read every sound file of the board: what cannot be used, and levels that are unlikely.

    The third result is the loudest sample of each clip that can be used, in volts.
    """
    problems = [*missing_clips(board), *_bad_responses(board), *_loops_played_in_vain(board)]
    warnings: list[BoardWarning] = []
    tried = {problem.value.strip("'\"") for problem in problems}
    seconds: dict[str, float] = {}
    peaks: dict[str, float] = {}
    for passage in board.passages:
        name = board.passage(passage).clip or board.source.clip
        if name is None or name in tried:
            continue
        if name not in seconds:
            try:
                clip = clip_in_volts(board, name)
            except ClipError as error:
                tried.add(name)
                problems.append(_bad_clip(board, passage, name, error))
                continue
            seconds[name] = clip.seconds
            peaks[name] = float(max(clip.volts.max(), -clip.volts.min()))
            warnings += _about_level(board, passage, name, clip)
        ends = seconds[name] + tail_s(board, passage)
        warnings += [
            BoardWarning("events", "", text) for text in timeline_remarks(board, passage, ends)
        ]
    if len(seconds) and not problems:
        problems += _songs_in_vain(board, seconds)
    return problems, warnings, peaks


def _songs_in_vain(board: Board, seconds: Mapping[str, float]) -> Iterator[Problem]:
    """Return a problem for each song in which a loop is played before it is recorded."""
    for name, song in board.songs.items():
        clips_of = [board.passage(each).clip or board.source.clip for each in song.passages]
        known = [seconds[clip] for clip in clips_of if clip is not None and clip in seconds]
        lengths = [round(each * board.rate) for each in known]
        if not lengths or len(lengths) < len(clips_of):
            continue
        try:
            _loops_in_vain(timeline_of_song(board, name, lengths), song=True)
        except RequestError as error:
            allowed = "play and overdub after record"
            yield Problem(board.file, f"songs.{name}", "passages", "", allowed, str(error))


def _bad_clip(board: Board, passage: str, name: str, error: ClipError) -> Problem:
    allowed = "WAV, FLAC, AIFF or Ogg, one or two channels, up to 10 minutes"
    where = f"passages.{passage}" if board.passage(passage).clip else "source"
    return Problem(board.file, where, "clip", name, allowed, str(error))


def _about_level(board: Board, passage: str, name: str, clip: Signal) -> Iterator[BoardWarning]:
    if text := level_warning(board, passage, clip):
        yield BoardWarning("clip_level", "", text)
    calibrated = {"full_scale_dbu", "loudest_peak_volts"} & board.source.model_fields_set
    if not calibrated and name not in clips.names():
        yield BoardWarning("level_assumed", "", _level_assumed(board, name))
