"""What happens in a passage over time: events, what is turned down and by how much, repeats."""

import math
from collections.abc import Callable, Mapping, Sequence
from threading import Event
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block
from simchain.blocks.compressor import Compressor
from simchain.blocks.gate import Gate
from simchain.board import Board
from simchain.chain.reductions import reductions_db, turns_down
from simchain.chain.source import Source
from simchain.chain.steps import Path, Step
from simchain.chain.walk import stop_if_told
from simchain.measure.excitation import HOP_S
from simchain.measure.tail import Mask, moments_of
from simchain.report.timeline import timeline_facts
from simchain.report.wording import capital, listed, spoken
from simchain.signal import Volts

Floats = NDArray[np.float64]
Stopping = Event | None

COLUMNS = 600
# Less is not shown: nobody reads it off a chart.
LEAST_DB = 0.05
DEPTHS_DB = (2, 4, 6, 12, 24, 48, 60, 96, 120)


def traces_document(
    path: Path, source: Source, volts: Volts, arriving: Callable[[int], Volts], stop: Stopping
) -> dict[str, Any]:
    """Return the events of a passage, and what each compressor and gate of a path takes.

    `volts` are those of the `source`, `arriving` tells the volts on the input of a step by its
    number. `turned_down` holds one for each that is ever on, in the playing order: `block`, `kind`,
    `says`, `most_db`, `at_s` (of the most), `median_db` while notes are played (null where none are
    while it is on), `depth_db` of a chart (0 where nothing is taken), and `columns`: the lowest and
    the highest of each of 600 stretches in dB, null where it is off. `moments` are what happens by
    time, each with `at` and `text`. Raises StoppedError once `stop` is set.
    """
    rate = source.timeline.board.rate
    seconds = volts.shape[1] / rate
    told = timeline_facts(source.timeline, seconds, is_song=False)
    notes: Mask | None = None
    found = []
    for number, step in enumerate(path.steps):
        stop_if_told(stop)
        if turns_down(step):
            taken_db = reductions_db(step, arriving(number))
            notes = _notes(volts[:, : source.clip_frames], rate) if notes is None else notes
            found.append(_turned_down(step, taken_db, notes, rate))
    return {
        "order": path.order_name,
        "passage": source.timeline.name,
        "amp": path.amp_name,
        "seconds": seconds,
        "says": " ".join(each["says"] for each in found),
        "events": told["events"],
        "moments": _moments(told, found),
        "turned_down": found,
    }


def _moments(told: Mapping[str, Any], turned: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return what happens, by time: what is on first, events, where a compressor takes most."""
    begins = {"at": 0.0, "text": f"{spoken(told['begins'])} at the beginning"}
    most = [
        {"at": each["at_s"], "text": f"{each['block']} takes most, {each['most_db']:.1f} dB"}
        for each in turned
        if each["depth_db"] and each["kind"] == Compressor.kind
    ]
    return sorted([begins, *told["events"], *most], key=lambda moment: moment["at"])


def _notes(clip: Volts, rate: int) -> Mask:
    """Return which pieces of 10 ms of a clip have notes in them."""
    return moments_of(clip, rate, int(clip.shape[1] / rate / HOP_S)).notes


def _turned_down(step: Step, taken_db: Floats, notes: Mask, rate: int) -> dict[str, Any]:
    most_db = float(np.nanmax(taken_db, initial=0.0))
    at = int(np.nanargmax(taken_db)) if most_db > 0.0 else 0
    hop = round(HOP_S * rate)
    while_played = taken_db[: notes.size * hop : hop][notes]
    while_played = while_played[np.isfinite(while_played)]
    median_db = float(np.median(while_played)) if while_played.size else None
    depth_db = next((depth for depth in DEPTHS_DB if depth >= most_db), math.ceil(most_db))
    half_shut_s = np.count_nonzero(taken_db > 0.5 * most_db) / rate
    return {
        "block": step.name,
        "kind": step.unit.kind if isinstance(step.unit, Block) else "",
        "says": _says(step, most_db, median_db, half_shut_s),
        "most_db": most_db,
        "at_s": at / rate,
        "median_db": median_db,
        "depth_db": depth_db if most_db >= LEAST_DB else 0,
        "columns": _columns(taken_db),
    }


def _says(step: Step, most_db: float, median_db: float | None, half_shut_s: float) -> str:
    """Return "Press takes up to 9.3 dB, 4.1 dB in the median while notes are played."."""
    name = capital(spoken(step.name))
    if most_db < LEAST_DB:
        return f"{name} turns nothing down here."
    blended = isinstance(step.unit, Compressor) and step.unit.blend < 1.0
    start = f"{name} takes up to {most_db:.1f} dB{' of its compressed share' if blended else ''}"
    if isinstance(step.unit, Gate):
        return f"{start}, half of that or more for {half_shut_s:.1f} s in all."
    if median_db is None:
        return f"{start}."
    return f"{start}, {median_db:.1f} dB in the median while notes are played."


def _columns(taken_db: Floats) -> list[list[float] | None]:
    edges = np.linspace(0, taken_db.size, min(COLUMNS, taken_db.size) + 1).astype(int)[:-1]
    lows, highs = (one.reduceat(taken_db, edges) for one in (np.fmin, np.fmax))
    return [
        None if math.isnan(low) else [round(low, 2), round(high, 2)]
        for low, high in zip(lows.tolist(), highs.tolist(), strict=True)
    ]


def repeats_document(
    board: Board, order: str, passage: str, amp: str | None, stop: Stopping
) -> dict[str, Any] | None:
    """Return what the delays of an order repeat of one short note; None where none is on.

    `says` tells of all, `repeats` holds each: `after_s`, `db` against the note, `prominence_db`
    (how far it stands out of what is beside it) and `text`. Raises StoppedError once `stop` is set.
    """
    from simchain.decide.repeats import repeats_of

    heard = repeats_of(board, order, passage, amp, stop=stop)
    if heard is None:
        return None
    count, names = len(heard.found), listed([spoken(name) for name in heard.blocks])
    stand = {0: "no repeat stands out", 1: "one repeat stands out"}.get(
        count, f"{count} repeats stand out"
    )
    return {
        "blocks": list(heard.blocks),
        "says": "Of a short note, as loud as this passage is played and with another held behind "
        f"it, {stand}, made by {names}.",
        "repeats": [
            {
                "after_s": each.after_s,
                "db": each.level_db,
                "prominence_db": each.prominence_db,
                "text": f"{1e3 * each.after_s:.0f} ms after the note, "
                f"{abs(each.level_db):.1f} dB {'softer' if each.level_db < 0.0 else 'louder'}",
            }
            for each in heard.found
        ],
    }
