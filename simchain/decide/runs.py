"""What a search listens to: passages, shorter and at a lower rate for a first pass, and tests.

The coarse pass is the same chain at half the rate, with the first seconds of each passage: never a
model of it. An excerpt goes on until half a second after the last switch, so that all are in it.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from simchain.board import Board
from simchain.chain.floors import FLOOR_S, SETTLING_S
from simchain.chain.source import Source, clip_in_volts, clip_name, hum_of, key_of, source_of
from simchain.chain.timeline import timeline_of_passage
from simchain.chain.tree import Ground, Heard, Tokens
from simchain.decide.dirt import tone_peaks
from simchain.decide.ear import Ear
from simchain.decide.found import Quality
from simchain.decide.judge import TAKES, after_silence, silence_before
from simchain.decide.kept_ear import Row, row_bytes, row_of
from simchain.measure.clarity import burst, clarity_db
from simchain.measure.loudness import loudness_or_rms, ungated_lufs
from simchain.measure.stereo import stereo_of
from simchain.signal import Signal, Volts, resampled, twins

COARSE_RATE = 24_000
COARSE_S, COARSE_TAIL_S = 4.0, 0.5
AFTER_LAST_SWITCH_S = 0.5


class Pass(NamedTuple):
    """How passages are listened to: at a `rate` and so long, None as they are; with `takes`."""

    quality: Quality
    rate: int | None
    longest_s: float | None
    takes: int

    def board(self, board: Board) -> Board:
        """Return the board as it is rendered in this pass."""
        if self.rate is None or self.rate >= board.rate:
            return board
        return board.model_copy(update={"rate": self.rate})


COARSE = Pass("coarse", COARSE_RATE, COARSE_S, 3)
FULL = Pass("full", None, None, TAKES)


@dataclass(frozen=True, eq=False)
class Run:
    """One sound that is sent down all orders: `volts` of shape (channels, frames) on a ground.

    `passage` is the one it belongs to, `what` says which sound of it; `takes` is how many takes of
    it are listened to in all.
    """

    passage: str
    what: str
    ground: Ground
    volts: Volts
    takes: int = 1

    @property
    def name(self) -> str:
        """Its name for people."""
        return f"{self.passage}, {self.what}" if self.what else self.passage

    def ear_bytes(self) -> int:
        """Return how much memory is needed for what the ear has of all takes, if that is kept."""
        read = self.ground.read
        if not (isinstance(read, Listener) and read.keeps_ear):
            return 0
        rate = self.ground.timeline.board.rate
        return self.takes * row_bytes(self.volts.shape[1] + silence_before(rate), rate)

    def without_ears(self) -> "Run":
        """Return a run that keeps figures only."""
        read = self.ground.read
        if not isinstance(read, Listener):
            return self
        return replace(self, ground=replace(self.ground, read=replace(read, keeps_ear=False)))


class Figures(NamedTuple):
    """What is read of one order in one passage.

    `lufs` is against digital full scale; `room_db` the least headroom on the path; `width` the
    side's share of the energy. `clipping` has a bit for each block of the board that touches its
    rails. `is_gated` is 1 where the sound has an integrated loudness, `channels` 1 or 2.
    """

    lufs: float
    room_db: float
    width: float
    clipping: float
    is_gated: float
    channels: float


# Figures, and what the ear has of the sound where that is kept.
Reading = tuple[tuple[float, ...], Row | None]


@dataclass(frozen=True)
class Listener:
    """Reads a passage at the end of an order: `Figures`, and what the ear has of it."""

    blocks: tuple[str, ...]
    listening_db_spl: float
    keeps_ear: bool = True

    def __call__(self, heard: Heard) -> Reading:
        """Return what is kept."""
        lines = heard.samples[:1] if twins(heard.samples) else heard.samples
        lufs, is_rms = loudness_or_rms(heard.samples, heard.rate)
        clipping = sum(1 << self.blocks.index(name) for name in heard.clipping)
        width = 0.0 if len(lines) == 1 else stereo_of(heard.samples).width
        figures = Figures(lufs, heard.room_db, width, clipping, not is_rms, len(lines))
        if not self.keeps_ear:
            return figures, None
        ear = Ear(after_silence(heard.samples, heard.rate), heard.rate, self.listening_db_spl)
        return figures, row_of(ear)


def read_quiet(heard: Heard) -> Reading:
    """Return the loudness of what is there while nobody plays, in LUFS without a gate."""
    measured = heard.samples[:, -round(FLOOR_S * heard.rate) :]
    return (ungated_lufs(measured, heard.rate),), None


def read_clarity(heard: Heard) -> Reading:
    """Return by how much a burst's repeats stand out, in dB."""
    return (clarity_db(heard.samples, heard.rate),), None


def music(
    board: Board,
    passage: str,
    tokens: Tokens,
    amp: str | None,
    how: Pass,
    *,
    take: int = 0,
    takes: int = 1,
) -> Run:
    """Return a passage to be sent down all orders.

    `take` numbers the phase of modulators, `takes` is how many phases are listened to in all.
    """
    rendered = how.board(board)
    source = excerpt(rendered, passage, how)
    listener = Listener(tuple(board.blocks), board.judging.listening_db_spl)
    volts = source.taken()
    ground = Ground.of(source, tokens, amp, listener, turn=take / how.takes)
    return Run(passage, f"take {take + 1}" if take else "", ground, volts, takes)


def quiet(board: Board, passage: str, tokens: Tokens, amp: str | None, how: Pass) -> Run:
    """Return a passage's beginning while nobody plays: hum, and all that hisses."""
    rendered = how.board(board)
    hum = hum_of(rendered, round((SETTLING_S + FLOOR_S) * rendered.rate))
    return _at_rest(rendered, passage, tokens, amp, hum, "quiet", read_quiet)


def bursts(board: Board, passage: str, tokens: Tokens, amp: str | None, how: Pass) -> Run:
    """Return a burst, as loud as the passage is played, into what is on at its beginning."""
    rendered = how.board(board)
    clip = clip_in_volts(rendered, clip_name(rendered, passage))
    loud = tone_peaks(resampled(clip, rendered.rate).volts, rendered.rate)[1]
    volts = burst(loud, rendered.rate)
    return _at_rest(rendered, passage, tokens, amp, volts, "repeats", read_clarity)


def whole_s(board: Board, passage: str) -> float:
    """Return how long a whole passage is, its tail included."""
    signal = source_of(board, passage).signal
    return signal.seconds if signal is not None else 0.0


def excerpt(board: Board, passage: str, how: Pass) -> Source:
    """Return the source of a passage, cut to what the pass listens to."""
    source = source_of(board, passage)
    if how.longest_s is None or source.signal is None:
        return source
    frames = source.signal.volts.shape[1]
    last = max((each.frame for each in source.timeline.happenings), default=0) / board.rate
    longest = max(how.longest_s, last + AFTER_LAST_SWITCH_S)
    clip_frames = min(source.clip_frames, round(longest * board.rate))
    tail = min(frames - source.clip_frames, round(COARSE_TAIL_S * board.rate))
    volts = np.zeros((source.channels, clip_frames + tail))
    volts[:, :clip_frames] = source.signal.volts[:, :clip_frames]
    key = key_of(volts)
    return replace(source, signal=Signal(volts, board.rate), clip_frames=clip_frames, key=key)


def _at_rest(
    board: Board,
    passage: str,
    tokens: Tokens,
    amp: str | None,
    volts: Volts,
    what: str,
    read: Callable[[Heard], Reading],
) -> Run:
    timeline = timeline_of_passage(board, passage).at_rest()
    key = key_of(volts)
    noisy = what == "quiet"
    source = Source(Signal(volts, board.rate), timeline, 1, volts.shape[1], noisy, key)
    return Run(passage, what, Ground.of(source, tokens, amp, read), source.taken())
