"""What happens when: a passage, or a song of them, as one timeline of switches and movements.

A passage's events are put in order of time; those of one moment keep the order of the file. A
song's passages follow one another without a gap, and what a passage has on and set becomes
events too. Those are done just before its first note, so that fades are over when it comes.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any, Literal

from simchain.blocks import Block, Curve, Take
from simchain.board import Board, Event, Passage, with_settings
from simchain.board.gear import Pickup
from simchain.chain.gates import Blend, Gate, blends
from simchain.settings import Settings, movable_in, unit_of

# A movement of what belongs to a link passes through this many circuits.
STEPS_OF_A_MOVEMENT = 16

# A control turned at once takes this long, as a knob's own smoothing does: a step would click.
SHORTEST_MOVEMENT_MS = 5.0
SOURCE = "source"

Done = Literal["on", "off", "record", "play", "overdub", "stop"]


@dataclass(frozen=True)
class Part:
    """One passage on the timeline; it ends where the next one starts."""

    passage: str
    start: int


@dataclass(frozen=True)
class Happening:
    """An event at a frame of the timeline; a movement is over `frames` later."""

    frame: int
    block: str
    do: Done | None
    set: dict[str, Any] = field(default_factory=dict)
    frames: int = 0


@dataclass(frozen=True, eq=False)
class Timeline:
    """The switches and movements of a passage or a song, at the board's rate."""

    board: Board
    name: str
    parts: tuple[Part, ...]
    happenings: tuple[Happening, ...]

    @property
    def first(self) -> Passage:
        """The passage it begins with."""
        return self.board.passage(self.parts[0].passage)

    @property
    def ever_on(self) -> tuple[str, ...]:
        """Blocks that are on at some time, in the order in which the board first names them."""
        switched = [each.block for each in self.happenings if each.do == "on"]
        return tuple(dict.fromkeys((*self.first.on, *switched)))

    def block(self, name: str) -> Block:
        """Return block `name` with the settings that it begins with."""
        return self.board.block_in(self.parts[0].passage, name)

    def gate(self, name: str) -> Gate:
        """Return the switch of block `name`; switchings that change nothing are left out."""
        block = self.block(name)
        if block.always_passes:
            return Gate(on=True)
        state = first = name in self.first.on
        switches = []
        for each in self.happenings:
            if each.block == name and each.do in ("on", "off") and state != (each.do == "on"):
                state = not state
                switches.append((each.frame, state))
        return Gate(first, tuple(switches), _frames(block.fade_ms, self.board.rate))

    def takes(self, name: str) -> tuple[Take, ...]:
        """Return what is done to the loop of block `name`; to switch it off stops a loop."""
        block = self.block(name)
        if block.loop is None:
            return ()
        stops_when_off = not block.has_trails
        takes = []
        for each in self.happenings:
            if each.block != name or each.do is None or each.do == "on":
                continue
            if each.do != "off":
                takes.append(Take(each.frame, each.do))
            elif stops_when_off:
                takes.append(Take(each.frame, "stop"))
        return tuple(takes) if any(take.do != "stop" for take in takes) else ()

    def curves(self, name: str) -> tuple[tuple[str, Curve], ...]:
        """Return the movements of the controls of block `name`, or of the source's pots."""
        settings = self._settings(name)
        moved = {
            control: None for each in self.happenings if each.block == name for control in each.set
        }
        return tuple((control, self._curve(name, control, settings)) for control in moved)

    def versions(self, name: str) -> tuple[tuple[Block, Gate], ...]:
        """Return the block's settings in turn, where a song changes what cannot move.

        Each with its weight over time; they sum to 1.
        """
        wanted = [
            (part.start, _resting(self.board.block_in(part.passage, name), self.block(name)))
            for part in self.parts
        ]
        changes = [(0, wanted[0][1])]
        changes += [(start, now) for (_, before), (start, now) in pairwise(wanted) if now != before]
        fade = _frames(self.block(name).fade_ms, self.board.rate)
        found: list[Block] = []
        for _, version in changes:
            if version not in found:
                found.append(version)
        return tuple((version, _turns(changes, version, fade)) for version in found)

    def pickups(self) -> tuple[tuple[Pickup, Blend | Gate], ...]:
        """Return the pickup in the states that its pots pass through, each with its weight."""
        pickup = self.board.pickup_in(self.parts[0].passage)
        return tuple(_states(pickup, self.curves(SOURCE)))

    def pots(self, name: str) -> tuple[tuple[Block, Blend | Gate], ...]:
        """Return a bare pot in the states that it passes through, each with its weight."""
        return tuple(_states(self.block(name), self.curves(name)))

    def at_rest(self) -> "Timeline":
        """Return the timeline on which all stays as it begins."""
        return replace(self, parts=self.parts[:1], happenings=())

    def problems(self) -> list[str]:
        """Return what is asked of loops and cannot be, a sentence each with its time."""
        found = []
        for name in self.board.blocks:
            loop = self.block(name).loop
            if loop is not None:
                told = loop.problems(self.takes(name), self.board.rate)
                found += [f"'{name}': {sentence}" for sentence in told]
        return found

    def _settings(self, name: str) -> Settings:
        if name == SOURCE:
            return self.board.pickup_in(self.parts[0].passage)
        return self.block(name)

    def _curve(self, name: str, control: str, settings: Settings) -> Curve:
        in_log = unit_of(type(settings).model_fields[control]) == "Hz"
        points = [(0, settings.standing(control))]
        for each in self.happenings:
            if each.block != name or control not in each.set:
                continue
            here = Curve(tuple(points), in_log).value(each.frame)
            points = [point for point in points if point[0] < each.frame]
            points += [(each.frame, here), (each.frame + each.frames, float(each.set[control]))]
        return Curve(tuple(points), in_log)


def timeline_of_passage(board: Board, name: str) -> Timeline:
    """Return the timeline of one passage. Raises RequestError for one that the board lacks."""
    passage = board.passage(name)
    happenings = [_happening(event, 0, board) for event in passage.events]
    return Timeline(board, name, (Part(name, 0),), _sorted(happenings))


def timeline_of_song(board: Board, name: str, lengths: Sequence[int]) -> Timeline:
    """Return the timeline of a song whose passages' clips are `lengths` frames long.

    Raises RequestError for a song that the board lacks.
    """
    song = board.song(name)
    starts = [sum(lengths[:number]) for number in range(len(lengths))]
    parts = tuple(
        Part(passage, start) for passage, start in zip(song.passages, starts, strict=True)
    )
    happenings: list[Happening] = []
    for number, part in enumerate(parts):
        if number > 0:
            so_far = Timeline(board, name, parts[:1], _sorted(happenings))
            happenings += _changes(so_far, part)
        events = board.passage(part.passage).events
        own = [_happening(event, part.start, board) for event in events]
        end = part.start + lengths[number]
        happenings += [each for each in _sorted(own) if each.frame < end]
    return Timeline(board, name, parts, _sorted(happenings))


def _changes(so_far: Timeline, part: Part) -> Iterator[Happening]:
    """Yield what makes a passage's switches and settings of what has gone before."""
    board, rate = so_far.board, so_far.board.rate
    passage = board.passage(part.passage)
    for name, block in board.blocks.items():
        fade = _frames(block.fade_ms, rate)
        on = name in passage.on
        gate = so_far.gate(name)
        if (gate.switches[-1][1] if gate.switches else gate.on) != on and not block.always_passes:
            yield Happening(max(0, part.start - fade), name, "on" if on else "off")
        yield from _movements(so_far, name, board.block_in(part.passage, name), part)
    yield from _movements(so_far, SOURCE, board.pickup_in(part.passage), part)


def _movements(so_far: Timeline, name: str, wanted: Settings, part: Part) -> Iterator[Happening]:
    """Yield the movement to what is `wanted` of the controls that can move."""
    began, curves = so_far._settings(name), dict(so_far.curves(name))
    new = {}
    for control in movable_in(type(wanted)):
        value = wanted.standing(control)
        now = curves[control].points[-1][1] if control in curves else began.standing(control)
        if value != now:
            new[control] = value
    if new:
        frames = _frames(SHORTEST_MOVEMENT_MS, so_far.board.rate)
        yield Happening(max(0, part.start - frames), name, None, dict(sorted(new.items())), frames)


def _happening(event: Event, start: int, board: Board) -> Happening:
    rate = board.rate
    over_ms = max(event.over_ms, SHORTEST_MOVEMENT_MS)
    frames = _frames(over_ms, rate) if event.do is None else 0
    return Happening(start + round(event.at * rate), event.block, event.do, event.set, frames)


def _sorted(happenings: Sequence[Happening]) -> tuple[Happening, ...]:
    return tuple(sorted(happenings, key=lambda each: each.frame))


def _resting(block: Block, like: Block) -> Block:
    """Return `block` with every control that can move as `like` has it."""
    same = {control: getattr(like, control) for control in type(block).movable()}
    changed = {key: value for key, value in same.items() if getattr(block, key) != value}
    return with_settings(block, changed) if changed else block


def _turns(changes: Sequence[tuple[int, Block]], version: Block, fade: int) -> Gate:
    """Return when `version` is the one of `changes` in force; a fade ends where it begins."""
    switches = [(max(0, start - fade), now == version) for start, now in changes[1:]]
    on = changes[0][1] == version
    turning = [
        (frame, state)
        for (_, before), (frame, state) in pairwise([(0, on), *switches])
        if state != before
    ]
    return Gate(on, tuple(turning), fade)


def _states(
    settings: Any, curves: Sequence[tuple[str, Curve]]
) -> Iterator[tuple[Any, Blend | Gate]]:
    """Yield `settings` at the frames where a straight line between two of them is close enough."""
    if not curves:
        yield settings, Gate(on=True)
        return
    frames = _stops([curve for _, curve in curves])
    for frame, blend in zip(frames, blends(frames), strict=True):
        now = {control: curve.value(frame) for control, curve in curves}
        yield with_settings(settings, now), blend


def _stops(curves: Sequence[Curve]) -> list[int]:
    """Return the frames between which every one of `curves` is near enough to a straight line."""
    corners = sorted({0, *(frame for curve in curves for frame, _ in curve.points)})
    stops = {0}
    for start, end in pairwise(corners):
        moves = any(curve.value(start) != curve.value(end) for curve in curves)
        count = STEPS_OF_A_MOVEMENT if moves else 1
        stops |= {start + (end - start) * step // count for step in range(count + 1)}
    return sorted(stops)


def _frames(milliseconds: float, rate: int) -> int:
    return max(1, round(milliseconds / 1e3 * rate)) if milliseconds > 0 else 0


def timeline_remarks(board: Board, name: str, seconds: float) -> list[str]:
    """Return what is odd about the events of passage `name`, which ends after `seconds`."""
    events = board.passage(name).events
    times = [event.at for event in events]
    found = []
    if times != sorted(times):
        found.append(f"passage '{name}': events are not in order of time; they are done in it")
    found += [
        f"passage '{name}': the event at {event.at:g} s on '{event.block}' lies beyond the end, "
        f"{seconds:.3g} s, and never happens"
        for event in events
        if event.at >= seconds
    ]
    return found
