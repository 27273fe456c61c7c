"""What stands on a step's input and on the wires that lead there.

Each output that drives the wire is filtered once for each state of the switches, by the one
circuit of that state, and added under the switches' weights. All of it is done piece after piece,
and what the places on a wire read only when the wire ends, from the outputs that drive it: so a
unit that is switched takes the room of two sounds, its own and the one that passes by, which is put
aside when it is long.
"""

import contextlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from simchain.chain.aside import LARGE_BYTES, Aside
from simchain.chain.gates import Share
from simchain.chain.hiss import with_thermal_noise
from simchain.chain.step import folded, reach
from simchain.chain.steps import Feed, Place, Step
from simchain.filters.analogue import Running
from simchain.measure.level import Level, LevelMeter, level_of
from simchain.signal import Volts, pieces

Way = Callable[[Volts], Volts]


@dataclass(frozen=True, eq=False)
class Reading:
    """What a place reads: levels, measured as the sound passes, and the sound itself if kept."""

    channels: tuple[Level, ...]
    volts: Volts | None

    @classmethod
    def of(cls, volts: Volts, keep: bool) -> "Reading":
        """Return what a place reads where `volts` stand."""
        return cls(level_of(volts), volts if keep else None)


@dataclass(frozen=True, eq=False)
class Arrival:
    """What stands at a step's input, and whether it may be written over.

    `readings` are those of the places on the wire that ends there, its end included.
    """

    volts: Volts
    free: bool
    readings: dict[Place, Reading] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Wires:
    """The outputs that still drive something.

    `outputs` maps the number of the wire that starts at an output to its volts; nobody else needs
    those in `free`. `passed` are the steps that the wire has gone on from since it last ended.
    """

    outputs: Mapping[int, Volts | Aside]
    free: frozenset[int] = frozenset()
    passed: tuple[Step, ...] = ()

    def shared(self) -> "Wires":
        """Return the wires for one of several who need their outputs."""
        return replace(self, free=frozenset())

    def waiting(self) -> "Wires":
        """Return the wires with long outputs that are free put aside, as far as there is room.

        Their arrays are then nobody's.
        """
        outputs = dict(self.outputs)
        for number in self.free:
            volts = outputs[number]
            if not isinstance(volts, Aside) and volts.nbytes >= LARGE_BYTES:
                with contextlib.suppress(OSError):
                    outputs[number] = Aside(volts)
        return replace(self, outputs=outputs)

    def arriving(
        self, step: Step, read: Mapping[Place, Reading] | None = None, keep: bool = False
    ) -> Arrival:
        """Return what stands on the input of `step` while it is on.

        Where the wire ends, all its places are read, and what arrives may take the place of an
        output that drives nothing more. `read` are the readings so far, None where no place is to
        be read; `keep` asks for the sound.
        """
        flows = list(_flows(self.outputs, step))
        if step.ends and read is not None:
            flows += [flow for each in self.passed for flow in _flows_past(self.outputs, each)]
        spots = _spots(flows)
        end = spots[step.input]
        readings: dict[Place, Reading] = {}
        unread: list[_Spot] = []
        for spot in dict.fromkeys(spots.values()) if step.ends and read is not None else ():
            known = read.get(Place(spot.wire, 0)) if read and spot.wire is not None else None
            if known is None:
                unread.append(spot)
            else:
                readings |= dict.fromkeys(spot.places, known)
        arrived = self._passing(end, unread, step.ends, keep)
        for spot in unread:
            readings |= dict.fromkeys(spot.places, spot.reading(keep))
        free = end.wire is None or (step.ends and end.wire in self.free)
        return Arrival(arrived, free, readings)

    def output(self, number: int) -> Volts:
        """Return the whole of an output."""
        volts = self.outputs[number]
        return volts.whole() if isinstance(volts, Aside) else volts

    def holds(self, volts: Volts) -> bool:
        """Whether `volts` lie where one of the outputs does."""
        held = (each for each in self.outputs.values() if not isinstance(each, Aside))
        return any(np.may_share_memory(volts, each) for each in held)

    def behind(self, step: Step, made: Volts, *, free: bool = False) -> "Wires":
        """Return the wires behind `step`, whose output is `made`; `free` as in the class."""
        number = step.out.wire
        ours = frozenset({number} if free else ())
        if step.ends:
            return Wires({number: made}, ours)
        return Wires({**self.outputs, number: made}, self.free | ours, (*self.passed, step))

    def _passing(self, end: "_Spot", unread: "list[_Spot]", ends: bool, keep: bool) -> Volts:
        """Let all pieces pass by those that are `unread`; return what stands at the `end`."""
        frames = next(iter(self.outputs.values())).shape[1]
        arrived = None if end.wire is None else self.output(end.wire)
        is_wire = arrived is not None
        for part in pieces(frames if unread or not is_wire else 0):
            for spot in unread:
                spot.read(part, frames if keep and spot is not end else 0)
            if not is_wire:
                here = end.at(part)
                if arrived is None:
                    arrived = self._room(here.shape[0], frames, ends)
                arrived[:, part] = here
        if arrived is None:
            raise ValueError("a sound of 0 frames")
        end.kept = arrived
        return arrived

    def _room(self, channels: int, frames: int, ends: bool) -> Volts:
        """Return an array for what arrives: that of an output that is free and drives no more."""
        for number in sorted(self.free) if ends else ():
            volts = self.outputs[number]
            if not isinstance(volts, Aside) and volts.shape[0] == channels:
                return volts
        return np.empty((channels, frames))


class _Flow:
    """The part of a voltage that one output drives, in one state of the switches.

    Its pieces come from `source`, go through `way`, and get the weight of all `shares`.
    """

    def __init__(
        self,
        origin: int,
        places: list[Place],
        source: Callable[[slice], Volts],
        shares: tuple[Share, ...],
        way: Way | None = None,
        *,
        is_wire: bool = False,
    ):
        self.origin, self.places, self.is_wire = origin, places, is_wire
        self._source, self._shares, self._way = source, shares, way
        self._last: tuple[slice, Volts] | None = None

    def piece(self, part: slice) -> Volts:
        """Return the next piece, or the same again."""
        if self._last is None or self._last[0] != part:
            here = self._source(part)
            here = here if self._way is None else self._way(here)
            if self._shares:
                here = here * _weight(self._shares, part)
            self._last = part, here
        return self._last[1]


class _Spot:
    """Places on the wire at which the same voltage stands, and the flows that add up to it."""

    def __init__(self, flows: tuple[_Flow, ...]):
        self.flows, self.places = flows, list[Place]()
        self.kept: Volts | None = None
        self._meter = LevelMeter()

    @property
    def wire(self) -> int | None:
        """The output whose volts stand here as they are, or None."""
        return self.flows[0].origin if len(self.flows) == 1 and self.flows[0].is_wire else None

    def at(self, part: slice) -> Volts:
        """Return the next piece of the voltage, or the same again."""
        total = self.flows[0].piece(part)
        for flow in self.flows[1:]:
            total = total + flow.piece(part)
        return total

    def read(self, part: slice, frames: int) -> None:
        """Read the next piece; keep it, too, where all `frames` are to be kept."""
        here = self.at(part)
        self._meter.read(here)
        if frames:
            self.kept = np.empty((here.shape[0], frames)) if self.kept is None else self.kept
            self.kept[:, part] = here

    def reading(self, keep: bool) -> Reading:
        """Return what was read."""
        return Reading(self._meter.levels(), self.kept if keep else None)


def _spots(flows: Iterable[_Flow]) -> dict[Place, _Spot]:
    """Return the spot of each place; those with the same flows share it."""
    driven: dict[Place, tuple[_Flow, ...]] = {}
    for flow in flows:
        for place in flow.places:
            driven[place] = (*driven.get(place, ()), flow)
    alike = {each: _Spot(each) for each in driven.values()}
    for place, each in driven.items():
        alike[each].places.append(place)
    return {place: alike[each] for place, each in driven.items()}


def _flows(outputs: Mapping[int, Volts | Aside], step: Step) -> Iterator[_Flow]:
    """Yield what drives the wire to `step`: each feed at each of its nodes."""
    for feed in step.feeds:
        volts = outputs[feed.origin]
        nodes: dict[tuple[int, bool], list[Place]] = {}
        for place, node, behind_fold in feed.places:
            nodes.setdefault((node, behind_fold), []).append(place)
        for (node, behind_fold), places in nodes.items():
            way = _way(feed, node, behind_fold, step.moment.rate)
            is_wire = way is None and not feed.shares and not step.noisy
            heard = volts
            if step.noisy:
                there = volts.whole() if isinstance(volts, Aside) else volts
                there = there if way is None else way(there)
                heard, way = with_thermal_noise(there, feed, step.moment), None
            source = partial(_cut, heard)
            yield _Flow(feed.origin, places, source, feed.shares, way, is_wire=is_wire)


def _flows_past(outputs: Mapping[int, Volts | Aside], step: Step) -> Iterator[_Flow]:
    """Yield what stands on the wire to a step that it goes on from, and behind it, while on."""
    on = (step.gate,)
    for flow in _flows(outputs, step):
        beside = [place for place in flow.places if place != step.input]
        if beside:
            yield _Flow(flow.origin, beside, flow.piece, on)
        if step.input in flow.places:
            yield _Flow(flow.origin, [step.input], flow.piece, on, partial(reach, step))
    made = outputs[step.out.wire]
    yield _Flow(step.out.wire, [step.out], partial(_cut, made), on)


def _cut(volts: Volts | Aside, part: slice) -> Volts:
    return volts.piece(part) if isinstance(volts, Aside) else volts[:, part]


def _way(feed: Feed, node: int, behind_fold: bool, rate: int) -> Way | None:
    """Return what a feed's link does to its output up to a node, from rest; None for a wire."""
    fold = feed.fold if behind_fold else None
    sections = [link.sections(rate, node) for link in feed.links]
    if fold is None and len(sections) == 1 and sections[0] is None:
        return None
    lines = [Running(np.empty((0, 6)) if each is None else each) for each in sections]

    def way(volts: Volts) -> Volts:
        if len(lines) == 1:
            return lines[0](volts if fold is None else folded(volts, 1, fold))
        rows = np.split(folded(volts, 2), 2)
        both = np.concatenate([line(row) for line, row in zip(lines, rows, strict=True)])
        return both if fold is None else folded(both, 1, fold)

    return way


def _weight(shares: tuple[Share, ...], part: slice) -> Volts:
    """Return the product of all `shares` at each frame of a piece."""
    frames = part.stop - part.start
    weight = shares[0].weights(frames, part.start)
    for share in shares[1:]:
        weight = weight * share.weights(frames, part.start)
    return weight
