"""A passage from some moment on, as if it began there: for someone who wants to hear it at once.

Switches stand and controls rest where the passage has brought them by then, modulators have turned
as far. What rang before is lost but for a run-in, and so are loops: those are not cut.
"""

from typing import Any, NamedTuple

from simchain.board import Board, Event
from simchain.chain.source import Source, key_of
from simchain.chain.timeline import Timeline, timeline_of_passage
from simchain.signal import Signal, Volts

RUN_IN_S = 1.0


class Excerpt(NamedTuple):
    """A part of a passage: a board on which it is the whole, its source, and what comes before.

    `before_s` is how much of the passage lies before its first frame, `run_in` how many frames it
    has before what was asked for.
    """

    board: Board
    source: Source
    before_s: float
    run_in: int


def excerpt(
    board: Board, passage: str, source: Source, volts: Volts, start_s: float, seconds: float
) -> Excerpt | None:
    """Return so many seconds of a passage, with a run-in; None where a loop is recorded.

    `volts` are those of the whole passage's `source`, shape (channels, frames).
    """
    whole = timeline_of_passage(board, passage)
    if any(whole.takes(name) for name in whole.ever_on):
        return None
    rate = board.rate
    asked = min(max(round(start_s * rate), 0), volts.shape[1])
    first = max(asked - round(RUN_IN_S * rate), 0)
    end = min(asked + round(seconds * rate), volts.shape[1])
    cut = volts[:, first:end].copy()  # what walks along a path writes over its source
    part = _beginning_at(board, passage, whole, first)
    made = Source(
        Signal(cut, rate),
        timeline_of_passage(part, passage),
        source.channels,
        max(min(source.clip_frames, end) - first, 0),
        source.noisy,
        key_of(cut),
    )
    return Excerpt(part, made, first / rate, asked - first)


def _beginning_at(board: Board, passage: str, whole: Timeline, first: int) -> Board:
    """Return the board with a passage that begins where the whole one is at frame `first`."""
    table, rate = board.passage(passage), board.rate
    on = tuple(name for name in board.blocks if _is_on(whole, name, first))
    told: dict[str, dict[str, Any]] = {name: dict(changes) for name, changes in table.set.items()}
    events: list[Event] = []
    for each in table.events:
        frame = round(each.at * rate)
        if frame >= first:
            events.append(each.model_copy(update={"at": (frame - first) / rate}))
        elif each.do is None:
            told.setdefault(each.block, {}).update(_now(whole, each, first))
            if (left_ms := each.over_ms - (first - frame) / rate * 1e3) > 0.0:
                events.append(each.model_copy(update={"at": 0.0, "over_ms": left_ms}))
    begun = table.model_copy(update={"on": on, "set": told, "events": tuple(events)})
    return board.model_copy(update={"passages": {**board.passages, passage: begun}})


def _is_on(whole: Timeline, name: str, frame: int) -> bool:
    """Whether a block's switch stands at on just before a frame."""
    gate = whole.gate(name)
    states = [gate.on, *(state for at, state in gate.switches if at < frame)]
    return states[-1] and (name in whole.ever_on)


def _now(whole: Timeline, event: Event, frame: int) -> dict[str, float]:
    """Return where the controls that an event moves stand at a frame."""
    curves = dict(whole.curves(event.block))
    return {control: curves[control].value(frame) for control in event.set if control in curves}
