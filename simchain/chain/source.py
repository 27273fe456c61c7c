"""The sound at the guitar's jack: a clip in volts, at the board's rate, with room for tails."""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from simchain import clips, units
from simchain.board import Board, BoardWarning, clip_path, missing_clips
from simchain.electrics import hum
from simchain.errors import ClipError, Problem
from simchain.signal import Signal, Volts, read_clip, resampled

PASSIVE_PICKUP_VOLTS = (0.03, 2.5)


@dataclass(frozen=True, eq=False)
class Source:
    """The volts of one passage before the first block.

    `clip_frames` is where the clip ends and the tail begins. `key` stands for these volts in the
    keys of the steps behind them. `warning` says that the level is unlikely, or is empty.
    """

    signal: Signal
    clip_frames: int
    key: bytes
    warning: str


def source_of(board: Board, passage: str, *, noisy: bool = False) -> Source:
    """Read the clip of `passage`, give it its volts, resample it and add the tail's silence.

    With `noisy` the guitar's hum is on it.

    Raises ClipError for a clip that is missing or cannot be used.
    """
    played = board.passage(passage)
    clip = clip_in_volts(board, clip_name(board, passage))
    volts = resampled(clip, board.rate).volts
    tail_s = board.tail_s if played.tail_s is None else played.tail_s
    tail = np.zeros((volts.shape[0], round(tail_s * board.rate)))
    signal = Signal(np.concatenate([volts, tail], axis=1), board.rate)
    if noisy:
        signal = Signal(signal.volts + hum_of(board, signal.frames), board.rate)
    key = hashlib.blake2b(signal.volts.tobytes(), digest_size=16).digest()
    return Source(signal, volts.shape[1], key, level_warning(board, passage, clip))


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
        peak = float(np.abs(clip.volts).max())
        if peak == 0.0:
            raise ClipError(f"clip {name}: is silent, so loudest_peak_volts cannot set its level")
        full_scale = board.source.loudest_peak_volts / peak
    return Signal(clip.volts * full_scale, clip.rate)


def level_warning(board: Board, passage: str, clip: Signal) -> str:
    """Say when a passive pickup could not have made this level: a normalised file, most often."""
    low, high = PASSIVE_PICKUP_VOLTS
    peak = float(np.abs(clip.volts).max())
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


def _level_assumed(board: Board, name: str) -> str:
    return (
        f"nothing says how many volts clip {name} stands for: full_scale_dbu = "
        f"{board.source.full_scale_dbu:g} is assumed; write your interface's figure in "
        "[source], or loudest_peak_volts: every later answer depends on it"
    )


def check_clips(board: Board) -> tuple[list[Problem], list[BoardWarning]]:
    """Read every sound file of the board: what cannot be used, and levels that are unlikely."""
    problems = [*missing_clips(board), *_bad_responses(board)]
    warnings = []
    tried = {problem.value.strip("'\"") for problem in problems}
    for passage in board.passages:
        name = board.passage(passage).clip or board.source.clip
        if name is None or name in tried:
            continue
        tried.add(name)
        try:
            text = level_warning(board, passage, clip_in_volts(board, name))
        except ClipError as error:
            allowed = "WAV, FLAC, AIFF or Ogg, one or two channels, up to 10 minutes"
            where = f"passages.{passage}" if board.passage(passage).clip else "source"
            problems.append(Problem(board.file, where, "clip", name, allowed, str(error)))
            continue
        if text:
            warnings.append(BoardWarning("clip_level", "", text))
        calibrated = {"full_scale_dbu", "loudest_peak_volts"} & board.source.model_fields_set
        if not calibrated and name not in clips.names():
            warnings.append(BoardWarning("level_assumed", "", _level_assumed(board, name)))
    return problems, warnings
