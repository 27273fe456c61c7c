"""What happens when, as facts for JSON and the page: rows of what is on, events, passages."""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

from simchain.blocks import Block, Curve, Take
from simchain.board import Board, Event
from simchain.board.gear import Pickup
from simchain.chain.timeline import SHORTEST_MOVEMENT_MS, SOURCE, Timeline
from simchain.report.wording import listed, number_text, spoken, with_unit
from simchain.settings import Settings, unit_of

Stretch = dict[str, Any]


def timeline_facts(timeline: Timeline, seconds: float, *, is_song: bool) -> dict[str, Any]:
    """Return what happens in a passage or song of `seconds`, times in seconds from its start.

    `begins` says what is on at 0 s. `parts` are a song's passages: passage, at, to, and in `text`
    what changes there. `events` are those of the board: at, text. `rows` hold one thing each:

    - kind ``on``: `stretches` (from, to, text) in which the block is on
    - kind ``loop``: the stretches in which the block's loop does what `text` says
    - kind ``control``: a control that moves: `line` of (time, height from 0 to 1) between its
      lowest and highest value, and `values` (at, text) that it comes to rest at

    What would happen behind the end is left out.
    """
    parts = list(_parts(timeline, seconds))
    return {
        "begins": _begins(timeline),
        "parts": parts if is_song else [],
        "rows": [row for row in _rows(timeline, seconds) if row["stretches"] or row["line"]],
        "events": list(_events(timeline, parts)),
    }


def event_text(event: Event, settings: Settings) -> str:
    """Say what an event does: "push off", "push.gain_db to 9 dB over 0.5 s"."""
    if event.do is not None:
        return f"{event.block} {event.do}"
    changes = listed([_set(control, value, settings) for control, value in event.set.items()])
    over = f" over {event.over_ms / 1e3:g} s" if event.over_ms > 0.0 else ""
    return f"{event.block}.{changes}{over}"


def _events(timeline: Timeline, parts: Sequence[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    board = timeline.board
    for part in parts:
        passage = part["passage"]
        for event in sorted(board.passage(passage).events, key=lambda event: event.at):
            at = part["at"] + event.at
            if at < part["to"]:
                text = event_text(event, _settings(board, passage, event.block))
                yield {"at": at, "text": text}


def _parts(timeline: Timeline, seconds: float) -> Iterator[dict[str, Any]]:
    rate = timeline.board.rate
    starts = [part.start / rate for part in timeline.parts]
    ends = [*starts[1:], seconds]
    for number, (part, at, to) in enumerate(zip(timeline.parts, starts, ends, strict=True)):
        changes = "; ".join(_changes(timeline, number))
        start = f"{spoken(part.passage)} begins"
        text = f"{start}: {changes}" if changes else start
        yield {"passage": part.passage, "at": at, "to": to, "text": text}


def _begins(timeline: Timeline) -> str:
    return f"{listed(timeline.first.on) or 'nothing'} on"


def _changes(timeline: Timeline, number: int) -> Iterator[str]:
    """Say what is switched and set where part `number` begins; of the first, what is on."""
    if number == 0:
        yield _begins(timeline)
        return
    start = timeline.parts[number].start
    switched: dict[str, list[str]] = {"on": [], "off": []}
    for name in timeline.board.blocks:
        gate = timeline.gate(name)
        before, after = (
            [gate.on, *(state for frame, state in gate.switches if frame <= until)][-1]
            for until in (start - gate.fade_frames - 1, start)
        )
        if before != after:
            switched["on" if after else "off"].append(name)
    told = [f"{listed(names)} {state}" for state, names in switched.items() if names]
    if told:
        yield ", ".join(told)
    changed = [*_moved(timeline, start), *_replaced(timeline, number)]
    if changed:
        yield listed(changed)


def _moved(timeline: Timeline, start: int) -> Iterator[str]:
    """Yield the controls that come to a new place at frame `start`."""
    before = start - round(SHORTEST_MOVEMENT_MS / 1e3 * timeline.board.rate) - 1
    for name in _named(timeline.board):
        settings = _settings(timeline.board, timeline.parts[0].passage, name)
        for control, curve in timeline.curves(name):
            value = curve.value(start)
            if curve.value(before) != value:
                yield f"{name}.{_set(control, value, settings)}"


def _replaced(timeline: Timeline, number: int) -> Iterator[str]:
    """Yield the settings that cannot move and are others in this part than in the one before."""
    board = timeline.board
    names = [part.passage for part in timeline.parts[number - 1 : number + 1]]
    for name in board.blocks:
        before, after = (board.block_in(passage, name) for passage in names)
        for control in sorted(type(after).model_fields.keys() - type(after).movable()):
            value = getattr(after, control)
            if getattr(before, control) != value:
                yield f"{name}.{_set(control, value, after)}"


def _rows(timeline: Timeline, seconds: float) -> Iterator[dict[str, Any]]:
    board = timeline.board
    for name in _named(board):
        if name in timeline.ever_on:
            yield _row("on", name, name, stretches=_on(timeline, name, seconds))
        if name != SOURCE and (takes := timeline.takes(name)):
            loop = list(_loop(timeline.block(name), takes, board.rate, seconds))
            yield _row("loop", name, f"{name} loop", stretches=loop)
        settings = _settings(board, timeline.parts[0].passage, name)
        for control, curve in timeline.curves(name):
            line = _line(curve, board.rate, seconds)
            values = list(_values(control, curve, settings, board.rate, seconds))
            yield _row("control", name, f"{name} {control}", line=line, values=values)


def _row(
    kind: str,
    block: str,
    label: str,
    *,
    stretches: Sequence[Stretch] = (),
    line: Sequence[Sequence[float]] = (),
    values: Sequence[dict[str, Any]] = (),
) -> dict[str, Any]:
    return {
        "kind": kind,
        "block": block,
        "label": label,
        "stretches": list(stretches),
        "line": list(line),
        "values": list(values),
    }


def _on(timeline: Timeline, name: str, seconds: float) -> list[Stretch]:
    gate, rate = timeline.gate(name), timeline.board.rate
    states = [(0.0, gate.on), *((frame / rate, state) for frame, state in gate.switches)]
    spans = pairwise([*states, (seconds, False)])
    return [
        {"from": start, "to": min(end, seconds), "text": ""}
        for (start, state), (end, _) in spans
        if state and start < seconds
    ]


def _loop(block: Block, takes: Sequence[Take], rate: int, seconds: float) -> Iterator[Stretch]:
    """Yield the stretches in which a loop records, plays and overdubs."""
    longest_s = block.loop.max_s if block.loop else 0.0
    times = [(take.frame / rate, take.do) for take in takes]
    doing, since, holds = "stop", 0.0, False
    for at, do in [*times, (seconds, "")]:
        if at >= seconds and do:
            continue
        if doing != "stop" and (do != doing or do == "record"):
            end = min(at, since + longest_s) if doing == "record" else at
            if end > since:
                yield {"from": since, "to": end, "text": doing}
        if do == doing and do != "record":
            continue
        holds = (holds or (doing == "record" and at > since)) and do != "record"
        doing, since = (do if holds or do == "record" else "stop"), at


def _line(curve: Curve, rate: int, seconds: float) -> list[list[float]]:
    """Return a control's way as times and heights: straight lines between them."""
    from math import log

    read = log if curve.in_log else float
    frames = [frame for frame, _ in curve.points if frame / rate < seconds]
    places = [(frame / rate, read(curve.value(frame))) for frame in frames]
    places.append((seconds, read(curve.value(round(seconds * rate)))))
    low, high = (chosen(value for _, value in places) for chosen in (min, max))
    span = high - low
    return [[at, (value - low) / span if span else 0.5] for at, value in places]


def _values(
    control: str, curve: Curve, settings: Settings, rate: int, seconds: float
) -> Iterator[dict[str, Any]]:
    """Yield where a control begins, and each place that it then comes to."""
    unit = unit_of(type(settings).model_fields[control])
    before = None
    for frame, value in curve.points:
        if frame / rate >= seconds:
            return
        if value != before and value == curve.value(frame + 1):
            yield {"at": frame / rate, "text": with_unit(number_text(value), unit)}
            before = value


def _named(board: Board) -> list[str]:
    return [SOURCE, *board.blocks]


def _settings(board: Board, passage: str, name: str) -> Block | Pickup:
    return board.pickup_in(passage) if name == SOURCE else board.block_in(passage, name)


def _set(control: str, value: Any, settings: Settings) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return f"{control} to {value}"
    unit = unit_of(type(settings).model_fields[control])
    return f"{control} to {with_unit(number_text(value), unit)}"
