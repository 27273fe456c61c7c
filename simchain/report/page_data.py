"""What the audition page is made from, as one tree of names, numbers and sounds."""

import base64
import hashlib
from collections.abc import Mapping
from typing import Any

import simchain
from simchain.decide.comparison import Comparison, Heard, Music, Pair
from simchain.decide.match import IDENTICAL_DB
from simchain.report.documents import (
    Files,
    Key,
    figures,
    free_facts,
    key_of,
    loop_facts,
    output_facts,
    pair_facts,
    step_facts,
)
from simchain.report.measures import measures_facts
from simchain.report.numbers import number
from simchain.report.stereo import stereo_facts
from simchain.report.timeline import timeline_facts
from simchain.signal import Volts

WAVEFORM_COLUMNS = 600
FINGERPRINT_DIGITS = 16


def page_data(comparison: Comparison, files: Files, sounds: Mapping[Key, str]) -> dict[str, Any]:
    """Return what the audition page is built from; `sounds` holds each FLAC as base64 text."""
    return {
        **without_sounds(comparison),
        "sounds": [_sound(one, files, sounds) for one in comparison.heard],
    }


def without_sounds(comparison: Comparison) -> dict[str, Any]:
    """Return what the sentences of a comparison are made of: all of `page_data` but its sounds."""
    from simchain.measure.bands import CENTRES_HZ

    return {
        "simchain": simchain.__version__,
        "title": comparison.board.title,
        "rate": comparison.board.rate,
        "listening_db_spl": comparison.board.judging.listening_db_spl,
        "amps": [amp for amp in comparison.amps if amp],
        "orders": [_order(comparison, name) for name in comparison.orders],
        "passages": [_passage(comparison, music) for music in comparison.music],
        "bands_hz": [number(hz) for hz in CENTRES_HZ],
        "pairs": [
            {
                **pair_facts(pair),
                "max_band_hz": number(pair.difference.max_band_hz),
                "band_change_db": _changes(pair),
            }
            for pair in comparison.pairs
        ],
        "free": free_facts(comparison.free),
    }


def _order(comparison: Comparison, name: str) -> dict[str, Any]:
    path = next(one.rendering.path for one in comparison.heard if one.rendering.order == name)
    return {"name": name, "front": list(path.order.front), "loop": list(path.order.loop)}


def _changes(pair: Pair) -> list[float | None]:
    """Return the change of each band; null where both sounds are too quiet for it to matter."""
    if pair.null_db == IDENTICAL_DB:
        return [number(db) for db in pair.difference.band_change_db]
    return [number(db) if db != 0.0 else None for db in pair.difference.band_change_db]


def _passage(comparison: Comparison, music: Music) -> dict[str, Any]:
    """Return a passage or a song; a song's `above` is null, its parts have theirs."""
    rendering = next(one.rendering for one in comparison.heard if one.music == music)
    timeline = rendering.path.timeline
    above = None if music.is_song else timeline.first.above
    seconds = rendering.output.samples.shape[1] / rendering.rate
    facts = timeline_facts(timeline, seconds, is_song=music.is_song)
    return {
        "name": music.label,
        "is_song": music.is_song,
        "on": list(dict.fromkeys(row["block"] for row in facts["rows"] if row["stretches"])),
        "seconds": seconds,
        "timeline": facts,
        "above": above.model_dump() if above else None,
    }


def _sound(one: Heard, files: Files, sounds: Mapping[Key, str]) -> dict[str, Any]:
    matched = one.gains_db["passage"]
    order, passage, amp = key_of(one)
    return {
        "order": order,
        "passage": passage,
        "amp": amp,
        "file": files[order, passage, amp],
        "flac_base64": sounds[order, passage, amp],
        "fingerprint": fingerprint(sounds[order, passage, amp]),
        "gains_db": {way: gain - matched for way, gain in one.gains_db.items()},
        **output_facts(one),
        "measures": measures_facts(one.measured),
        "steps": [step_facts(step) for step in one.steps],
        "stereo": stereo_facts(one.stereo),
        "waveform": waveform(one.rendering.output.samples, matched),
        "bands_db": [number(db + matched) for db in one.bands_db],
        "points": [
            {"name": name, **figures(point)} for name, point in one.rendering.points.items()
        ],
        "loops": {passage: loop_facts(loop) for passage, loop in one.loops.items()},
    }


def fingerprint(flac_base64: str) -> str:
    """Return the first hexadecimal digits of the SHA-256 of a sound's FLAC.

    A result of the page's blind test keeps it, to be told from one of sounds that have changed.
    """
    return hashlib.sha256(base64.b64decode(flac_base64)).hexdigest()[:FINGERPRINT_DIGITS]


def waveform(samples: Volts, gain_db: float) -> list[list[float]]:
    """Return lowest and highest sample of each of a few hundred stretches, at a gain.

    `samples` has shape (channels, frames); the first channel is shown.
    """
    import numpy as np

    from simchain.units import db_to_ratio

    sound = samples[0] * db_to_ratio(gain_db)
    edges = np.linspace(0, sound.size, min(WAVEFORM_COLUMNS, sound.size) + 1).astype(int)[:-1]
    lows, highs = np.minimum.reduceat(sound, edges), np.maximum.reduceat(sound, edges)
    return [
        [round(float(low), 4), round(float(high), 4)] for low, high in zip(lows, highs, strict=True)
    ]
