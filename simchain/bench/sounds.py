"""The sounds of the bench: rendered as they are asked for, from where earlier ones have been."""

import hashlib
from collections import OrderedDict
from dataclasses import dataclass
from functools import partial
from threading import Event, Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simchain.bench.answers import against, free_places, moment_of_most_difference_s
from simchain.bench.figures import bands_facts, quiet_figures, sound_figures
from simchain.bench.traces import repeats_document, traces_document
from simchain.board import Board, Order, clip_path
from simchain.chain.excerpt import excerpt
from simchain.chain.floors import with_floors
from simchain.chain.kept import Kept
from simchain.chain.path import path_from
from simchain.chain.render import amp_name
from simchain.chain.source import Source, clip_name, source_of
from simchain.chain.steps import Path
from simchain.chain.walk import Rendering, full_scale_volts, stop_if_told, walk
from simchain.chain.walker import Output, twice
from simchain.decide.gains import CEILING_DBTP, mean_lufs, room_lufs
from simchain.files import stamp_of
from simchain.measure.loudness import loudness_or_rms, ungated_lufs
from simchain.measure.true_peak import true_peak_dbtp
from simchain.report.documents import figures
from simchain.report.numbers import number
from simchain.report.page_data import waveform
from simchain.signal import Volts, float_wav

Samples = NDArray[np.float32]
Music = tuple[str, str | None]  # a passage on an amplifier

# Sounds are evened out to this loudness: nearly all music has room for its peaks above it.
PLAYED_LUFS = -23.0
MOST_SOUND_BYTES = 250_000_000
MOST_SOURCES = 8


@dataclass(frozen=True, eq=False)
class Heard:
    """One order in one passage: the key of its sound, and what the page is told of it."""

    key: str
    facts: dict[str, Any]


@dataclass(frozen=True, eq=False)
class _Sound:
    """What is played: shape (2, frames), full scale 1."""

    samples: Samples
    rate: int


class Sounds:
    """Renders orders of a board as it changes, and keeps the latest sounds by their keys.

    Several threads may ask at once.
    """

    def __init__(self) -> None:
        self._kept = Kept()
        self._lock = Lock()
        self._one_at_a_time = Lock()  # what takes all cores by itself
        self._sources: OrderedDict[str, tuple[Source, Volts]] = OrderedDict()
        self._sounds: OrderedDict[str, _Sound] = OrderedDict()
        self._latest: dict[Music, tuple[str, float]] = {}

    def heard(
        self, board: Board, order: str, passage: str, amp: str | None, *, by_order: bool = False
    ) -> Heard:
        """Render a passage in an order, and return what it reads.

        With `by_order` the gain is told that is the same for all passages of the order, which are
        rendered for it. Raises RequestError for names that the board does not have, ClipError for
        clips.
        """
        rendering = self._rendered(board, order, passage, amp)
        output, rate = rendering.output, rendering.rate
        key = _key(board, rendering)
        self._keep(key, _Sound(output.samples.astype(np.float32), rate))
        gains_db = _gains_db(output)
        gain_db = self._gain_of_order_db(board, order, amp) if by_order else None
        self._latest[passage, rendering.amp] = key, gains_db["passage"]
        return Heard(
            key,
            {
                "key": key,
                "order": rendering.order,
                "passage": rendering.passage,
                "amp": rendering.amp,
                "seconds": output.samples.shape[1] / rate,
                "rate": rate,
                "gain_db": {**gains_db, "order": gain_db},
                "integrated_lufs": number(output.integrated_lufs),
                "true_peak_dbtp": number(output.true_peak_dbtp),
                "points": [
                    {"name": name, **figures(point)} for name, point in rendering.points.items()
                ],
                "waveform": waveform(output.samples, gains_db["passage"]),
                **bands_facts(output.samples, rate, gains_db["passage"]),
                "warnings": list(rendering.warnings),
                "engineers": sound_figures(rendering, gains_db["passage"]),
            },
        )

    def wav(
        self, key: str, start_s: float | None = None, seconds: float | None = None
    ) -> bytes | None:
        """Return a sound that was heard, or a part of it, as float32 WAV; None if it is not kept.

        A part that lies outside the sound has no frames.
        """
        with self._lock:
            sound = self._sounds.get(key)
            if sound is None:
                return None
            self._sounds.move_to_end(key)
        frames = sound.samples.shape[1]
        start = min(max(round((start_s or 0.0) * sound.rate), 0), frames)
        end = frames if seconds is None else min(start + round(seconds * sound.rate), frames)
        return float_wav(sound.samples[:, start : max(start, end)], sound.rate)

    def slice_wav(
        self,
        board: Board,
        order: str,
        passage: str,
        amp: str | None,
        start_s: float,
        seconds: float,
    ) -> tuple[bytes, dict[str, float]]:
        """Return a part of an order quickly, and what to play it at in dB, evened out and as is.

        Where the whole is not there it is rendered with a run-in: what rang on before is lost, and
        it is played as loud as the same part of the order that was heard last. Raises as `heard`
        does.
        """
        source, volts = self._source(board, passage)
        end = amp_name(board, amp)
        path = path_from(source, board, order, end)
        part = None
        if not self._kept.knows(path):
            part = excerpt(board, passage, source, volts, start_s, seconds)
        if part is None:
            heard = self.heard(board, order, passage, amp)
            found = self.wav(heard.key, start_s, seconds) or b""
            return found, heard.facts["gain_db"]
        path = path_from(part.source, part.board, order, end, before_s=part.before_s)
        rendered = walk(part.board, [path], part.source)[0]
        samples = rendered.output.samples[:, part.run_in :].astype(np.float32)
        even_db = self._gain_of_part_db((passage, end), samples, start_s, rendered)
        return float_wav(samples, rendered.rate), _gains_db(rendered.output) | {"passage": even_db}

    def _gain_of_part_db(
        self, music: Music, samples: Samples, start_s: float, rendered: Rendering
    ) -> float:
        key, gain_db = self._latest.get(music, ("", 0.0))
        with self._lock:
            sound = self._sounds.get(key)
        if sound is not None:
            start = round(start_s * sound.rate)
            there = sound.samples[:, start : start + samples.shape[1]]
            before, now = (
                ungated_lufs(lines.astype(np.float64), sound.rate) for lines in (there, samples)
            )
            if np.isfinite(before - now):
                return gain_db + before - now
        return _gains_db(rendered.output)["passage"]

    def point(
        self, board: Board, order: str, passage: str, amp: str | None, point: str
    ) -> dict[str, Any]:
        """Return a passage up to a test point, evened out: what it reads, and its key.

        It is taken from what was run for the whole, without running it again.
        Raises as `heard` does, and RequestError for a point that the path does not have.
        """
        path, _, volts = self._path(board, order, passage, amp)
        there, rate = self._kept.at_point(path, volts, point), board.rate
        peak = max(float(np.abs(there).max(initial=0.0)), 1e-12)
        samples = twice(there / peak) if len(there) == 1 else there / peak
        key = hashlib.blake2b(np.ascontiguousarray(samples).data, digest_size=16).hexdigest()
        self._keep(key, _Sound(samples.astype(np.float32), rate))
        lufs, _ = loudness_or_rms(samples, rate)
        true_peak_db = true_peak_dbtp(samples, rate)
        even_db = min(PLAYED_LUFS - lufs, CEILING_DBTP - true_peak_db)
        even_db = even_db if np.isfinite(even_db) else 0.0
        return {
            "key": key,
            "point": point,
            "seconds": samples.shape[1] / rate,
            "rate": rate,
            "gain_db": dict.fromkeys(("passage", "order", "as_is"), even_db),
        }

    def against(
        self,
        board: Board,
        a: str | Order,
        b: str | Order,
        passage: str,
        amp: str | None,
        words: tuple[str, str] = ("A", "B"),
        *,
        stop: Event | None = None,
    ) -> dict[str, Any]:
        """Hold order B against order A in a passage: the sentence, the word and its figures.

        `words` are what the sentence calls them by. Raises as `heard` does, and StoppedError once
        `stop` is set.
        """
        with self._one_at_a_time:
            stop_if_told(stop)
            return against(board, a, b, passage, amp, words, stop)

    def where(
        self, board: Board, a: str | Order, b: str | Order, passage: str, amp: str | None
    ) -> dict[str, Any]:
        """Say in which half second of a passage two orders differ most, evened out.

        `at_s` is its middle, None where they do not differ. Raises as `heard` does.
        """
        one, other = (self._rendered(board, order, passage, amp) for order in (a, b))
        return {"at_s": moment_of_most_difference_s(one.output, other.output, one.rate)}

    def free(
        self,
        board: Board,
        order: str,
        passage: str,
        amp: str | None,
        *,
        stop: Event | None = None,
    ) -> dict[str, Any]:
        """Say where each block may stand in a passage without a difference being expected.

        Raises as `heard` does, and StoppedError once `stop` is set.
        """
        with self._one_at_a_time:
            stop_if_told(stop)
            return free_places(board, order, passage, amp, stop)

    def traces(
        self,
        board: Board,
        order: str,
        passage: str,
        amp: str | None,
        *,
        stop: Event | None = None,
    ) -> dict[str, Any]:
        """Return what happens over time in an order: events, what is turned down, repeats.

        Raises as `heard` does, and StoppedError once `stop` is set.
        """
        path, source, volts = self._path(board, order, passage, amp)
        arriving = partial(self._kept.at_input, path, volts)
        told = traces_document(path, source, volts, arriving, stop)
        repeats = repeats_document(board, order, passage, path.amp_name, stop)
        stop_if_told(stop)
        quiet = with_floors(board, [self._kept.render(board, path, source, volts)])[0]
        return {**told, "repeats": repeats, "engineers": quiet_figures(quiet)}

    def _gain_of_order_db(self, board: Board, order: str, amp: str | None) -> float:
        """Return the gain at which the passages of an order are as loud as all others on average.

        None of them passes full scale at it.
        """
        outputs = [self._rendered(board, order, each, amp).output for each in board.passages]
        heard = [each for each in outputs if np.isfinite(each.integrated_lufs)]
        if not heard:
            return 0.0
        even_db = PLAYED_LUFS - mean_lufs([each.integrated_lufs for each in heard])
        return min(even_db, *(CEILING_DBTP - each.true_peak_dbtp for each in heard))

    def _rendered(
        self, board: Board, order: str | Order, passage: str, amp: str | None
    ) -> Rendering:
        path, source, volts = self._path(board, order, passage, amp)
        return self._kept.render(board, path, source, volts)

    def _path(
        self, board: Board, order: str | Order, passage: str, amp: str | None
    ) -> tuple[Path, Source, Volts]:
        """Return the path of a passage in an order, its source, and the volts of that."""
        board.order(order)
        source, volts = self._source(board, passage)
        return path_from(source, board, order, amp_name(board, amp)), source, volts

    def _source(self, board: Board, passage: str) -> tuple[Source, Volts]:
        """Return a passage at the guitar's jack; read again where anything but orders changed."""
        clip = clip_path(board, clip_name(board, passage))
        told = f"{passage} {clip} {stamp_of(clip)} {board.model_dump_json(exclude={'orders'})}"
        with self._lock:
            if told in self._sources:
                self._sources.move_to_end(told)
                return self._sources[told]
        source = source_of(board, passage)
        volts = source.taken()
        with self._lock:
            self._sources[told] = source, volts
            while len(self._sources) > MOST_SOURCES:
                self._sources.popitem(last=False)
        return source, volts

    def _keep(self, key: str, sound: _Sound) -> None:
        with self._lock:
            self._sounds[key] = sound
            self._sounds.move_to_end(key)
            size = sum(each.samples.nbytes for each in self._sounds.values())
            while size > MOST_SOUND_BYTES and len(self._sounds) > 1:
                _, oldest = self._sounds.popitem(last=False)
                size -= oldest.samples.nbytes


def _key(board: Board, rendering: Rendering) -> str:
    """Return what stands for a sound: all that leads to it, and what full scale is."""
    path = rendering.path
    full_scale = repr(full_scale_volts(board, path.amp_name)).encode()
    return hashlib.blake2b(path.steps[-1].key + full_scale, digest_size=16).hexdigest()


def _gains_db(output: Output) -> dict[str, float]:
    """Return what to play a sound at: as loud as all others, and as it comes.

    Neither lets it pass full scale.
    """
    if not np.isfinite(output.integrated_lufs):
        return {"passage": 0.0, "as_is": 0.0}
    even = min(PLAYED_LUFS, room_lufs(output)) - output.integrated_lufs
    return {"passage": even, "as_is": min(0.0, CEILING_DBTP - output.true_peak_dbtp)}
