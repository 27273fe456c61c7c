"""A path while it is being laid: which outputs drive the wire, through what, and when.

Walking along an order, each output that still drives the wire is kept with the cables, pots and
bypassed units that lie behind it. A unit that is switched on true bypass doubles nothing: what
drove its input goes on past it while it is off, and its own output drives the wire while it is on.
So n of them in a row make n + 1 feeds for the next input, not 2^n.
"""

import copy
import hashlib
from collections.abc import Hashable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple, cast
from zlib import crc32

from simchain.blocks import Block, Moment
from simchain.board.gear import GuitarPickup, Pickup, PiezoPickup
from simchain.chain.gates import Gate, Share
from simchain.chain.steps import AmpUnit, Feed, Fold, Place, Step, Unit
from simchain.chain.timeline import Timeline
from simchain.electrics import Cable, Guitar, Link, Output, Part, Piezo, Pot, Terminal
from simchain.files import digest_of

# What stands on the sheets only, and so makes no other sound.
_ON_PAPER = {
    "purpose",
    "size_mm",
    "at_mm",
    "input_side",
    "output_side",
    "controls_side",
    "reach",
    "box",
    "polarity",
    "supply_range_volts",
    "current_ma",
}

ALWAYS_ON = Gate(on=True)
LINE_OHM = 1e3


class _Driver(NamedTuple):
    """An output that drives the wire being laid, and what lies between. See `Feed`.

    A tuple: thousands are made while orders are planned.
    """

    origin: int
    terminals: tuple[Terminal, ...]
    channels: int
    recorded: tuple[float, float] | None = None
    parts: tuple[Part, ...] = ()
    fold: Fold | None = None
    shares: tuple[Share, ...] = ()
    places: tuple[tuple[Place, int, bool], ...] = ()

    def laid(self, pf: float) -> "_Driver":
        """Return it with more cable at its end."""
        if self.parts and isinstance(self.parts[-1], Cable):
            return self._replace(parts=(*self.parts[:-1], Cable(self.parts[-1].pf + pf)))
        return self._replace(parts=(*self.parts, Cable(pf)))

    def through(self, pot: Pot) -> "_Driver":
        """Return it with a pot at its end."""
        return self._replace(parts=(*self.parts, pot))

    def folded(self, inputs: int, fold: Fold) -> "_Driver":
        """Return it where no more than `inputs` channels go on."""
        if self.channels <= inputs:
            return self
        return self._replace(channels=inputs, fold=fold)

    def while_(self, share: Share) -> "_Driver":
        """Return it where it drives the wire only with the weight of `share` too."""
        return self if share.is_always_on else self._replace(shares=(*self.shares, share))

    def passing(self, place: Place) -> "_Driver":
        """Return it with `place` on its way."""
        pots = sum(isinstance(part, Pot) for part in self.parts)
        return self._replace(places=(*self.places, (place, pots, self.fold is not None)))

    def into(self, loads: Sequence[float], ideal: bool) -> Feed:
        """Return it as it drives an input, or one for each channel."""
        count = max(len(self.terminals), len(loads))
        terminals, ohms = (self.terminals * count)[:count], (tuple(loads) * count)[:count]
        links = [
            Link(terminal, self.parts, ohm, self.recorded, ideal)
            for terminal, ohm in zip(terminals, ohms, strict=True)
        ]
        if all(link == links[0] for link in links):
            links = links[:1]
        return Feed(self.origin, tuple(links), self.fold, self.shares, self.places)


class Draft:
    """Collects the steps and test points of one path; see `chain.path.path_of`."""

    def __init__(
        self,
        timeline: Timeline,
        turn: float,
        key: bytes,
        channels: int,
        noisy: bool,
        before_s: float = 0.0,
    ):
        self.timeline, self.turn, self.key, self.noisy = timeline, turn, key, noisy
        self.before_s = before_s
        self.board = timeline.board
        self.ideal = self.board.links == "ideal"
        self.steps: list[Step] = []
        # What is the same wherever a block stands; shared by all that go on from here.
        self._kept: dict[object, object] = {}
        self.points = {"source": Place(0, 0)}
        self.node = 0
        self.drivers = [
            _Driver(
                0, (_terminal(pickup),), channels, (pickup.recorded_ohm, pickup.recorded_pf)
            ).while_(share)
            for pickup, share in timeline.pickups()
        ]
        self._next_node()

    @property
    def channels(self) -> int:
        """Channels on the wire."""
        return max(driver.channels for driver in self.drivers)

    def only_driver(self) -> Hashable | None:
        """Return what drives the wire here but for where it stands; None for several in turn.

        Where links are ideal it does not matter what it is, pots apart.
        """
        if len(self.drivers) > 1 or self.drivers[0].shares:
            return None
        (driver,) = self.drivers
        if self.ideal and not any(isinstance(part, Pot) for part in driver.parts):
            return driver.channels, driver.fold
        return driver._replace(origin=0, places=())

    def all_drivers(self) -> Hashable:
        """Return all that drives the wire here, and how far the path has come."""
        only = self.only_driver()
        return len(self.steps), tuple(self.drivers) if only is None else only

    def lay(self, metres: float) -> None:
        """Lay cable from where the wire now ends."""
        pf = metres * self.board.cables.pf_per_m
        if pf > 0.0:
            self.drivers = [driver.laid(pf) for driver in self.drivers]

    def start_from(self, outputs: Sequence[Output], channels: int) -> None:
        """Let the last step's output be `outputs`, one for each channel, or one for all."""
        self.drivers = [
            driver._replace(terminals=tuple(outputs), channels=channels) for driver in self.drivers
        ]

    def fork(self) -> "Draft":
        """Return another one that goes on from here."""
        other = copy.copy(self)
        other.steps, other.points = self.steps.copy(), self.points.copy()
        return other

    def add_block(self, name: str, *, behind: str | None) -> None:
        """Add a block, with a patch cable from the one it stands `behind` unless they share a box.

        None: there is no block before it on its side of the split.
        """
        block, gate = self._settings(name)
        if behind is not None and not self._share_a_box(behind, block):
            self.lay(self.board.cables.patch_m)
        if block.pot is not None or (block.bypass == "true" and gate.is_never_on):
            self._pass_through(name, block, gate)
        else:
            self._add_block(name, block, gate)

    def add_amplifier(
        self,
        name: str,
        unit: AmpUnit,
        into: str | None,
        out: str,
        loads: Sequence[float],
        joins_dry: tuple[float, ...] | None = None,
    ) -> None:
        """Add a part of the amplifier; one with no point `into` is wired inside."""
        ideal = self.ideal or not loads
        self._add_step(name, unit, ALWAYS_ON, loads or (1.0,), ideal=ideal, joins_dry=joins_dry)
        if into is not None:
            self.points[into] = self.steps[-1].input
        self.points[out] = self.steps[-1].out
        self._drive_from_last(Output(1.0), len(unit.amps), ALWAYS_ON)

    def add_end(self, point: str, load_ohm: float) -> None:
        """Add the input at the end of the path."""
        self._add_step(point, None, ALWAYS_ON, (load_ohm,), ideal=self.ideal)
        self.points[point] = self.steps[-1].out

    def _share_a_box(self, before: str, block: Block) -> bool:
        return block.box is not None and self.board.blocks[before].box == block.box

    @property
    def _here(self) -> Place:
        return Place(len(self.steps), self.node)

    def _next_node(self) -> None:
        self.node += 1
        self.drivers = [driver.passing(self._here) for driver in self.drivers]

    def _pass_through(self, name: str, block: Block, gate: Gate) -> None:
        """Add a unit that is nothing but wire, or a pot, at all times."""
        self.points[f"{name}.in"] = self._here
        if block.inputs < self.channels:
            self.drivers = [driver.folded(block.inputs, block.mono) for driver in self.drivers]
            self._next_node()
        if block.pot is not None and not gate.is_never_on:
            off = gate.inverted
            passed = [] if gate.is_always_on else [each.while_(off) for each in self.drivers]
            self.drivers = [
                each.through(Pot(*state.pot)).while_(gate).while_(share)
                for state, share in self.timeline.pots(name)
                for each in self.drivers
                if state.pot is not None
            ] + passed
            self._next_node()
        self.points[f"{name}.out"] = self._here

    def _add_block(self, name: str, block: Block, gate: Gate) -> None:
        channels = max(block.outputs, min(self.channels, block.inputs))
        ends = gate.is_always_on or block.bypass == "buffered"
        fold = (block.inputs, block.mono)
        self._add_step(
            name, block, gate, (block.input_ohm,), ideal=self.ideal, ends=ends, fold=fold
        )
        self.points[f"{name}.in"] = self.steps[-1].input
        self.points[f"{name}.out"] = self.steps[-1].out
        self._drive_from_last(Output(block.output_ohm), channels, gate)

    def _add_step(
        self,
        name: str,
        unit: Unit | None,
        gate: Gate,
        loads: Sequence[float],
        *,
        ideal: bool,
        ends: bool = True,
        fold: tuple[int, Fold] = (2, "mean"),
        joins_dry: tuple[float, ...] | None = None,
    ) -> None:
        self.drivers = [driver.folded(*fold) for driver in self.drivers]
        self._next_node()
        moment, versions = self._playing(name, unit)
        feeds = tuple(driver.into(loads, ideal) for driver in self.drivers)
        step = Step(
            name,
            unit,
            moment,
            gate,
            feeds,
            input=self._here,
            out=Place(len(self.steps) + 1, 0),
            ends=ends,
            noisy=self.noisy,
            key=self.key,
            joins_dry=joins_dry,
            versions=versions,
        )
        self.key = _key(step, self._told_of(step))
        self.steps.append(replace(step, key=self.key))

    def _settings(self, name: str) -> tuple[Block, Gate]:
        """Return a block as it begins, and its switch."""
        known = ("settings", name)
        if known not in self._kept:
            self._kept[known] = self.timeline.block(name), self.timeline.gate(name)
        return cast(tuple[Block, Gate], self._kept[known])

    def _playing(
        self, name: str, unit: Unit | None
    ) -> tuple[Moment, tuple[tuple[Block, Gate], ...]]:
        """Return what a unit may know, and the settings that a song gives it in turn."""
        known = ("playing", name)
        if known not in self._kept:
            moment = Moment(self.board.rate, crc32(name.encode()))
            versions: tuple[tuple[Block, Gate], ...] = ()
            if isinstance(unit, Block):
                curves, takes = self.timeline.curves(name), self.timeline.takes(name)
                # Steps before the first one that modulates are the same at any phase.
                sways = unit.modulates()
                turn, before_s = (self.turn, self.before_s) if sways else (0.0, 0.0)
                moment = replace(moment, turn=turn, curves=curves, takes=takes, before_s=before_s)
                versions = self.timeline.versions(name)
            self._kept[known] = moment, versions if len(versions) > 1 else ()
        return cast(tuple[Moment, tuple[tuple[Block, Gate], ...]], self._kept[known])

    def _told_of(self, step: Step) -> bytes:
        """Return what a unit's part of a key is made of."""
        known = ("told", step.name, step.joins_dry)
        if known not in self._kept:
            self._kept[known] = _told_of(step)
        return cast(bytes, self._kept[known])

    def _drive_from_last(self, output: Output, channels: int, gate: Gate) -> None:
        """Let the last step's output drive the wire, and what passes by while it is off."""
        own = _Driver(len(self.steps), (output,), channels)
        self.node = 0
        if self.steps[-1].ends:
            self.drivers = [own]
        else:
            passed = [each.while_(gate.inverted).passing(self._here) for each in self.drivers]
            self.drivers = [own.while_(gate), *passed]
        self._next_node()


def _terminal(pickup: Pickup) -> Terminal:
    """Return what stands at the guitar's jack."""
    if isinstance(pickup, GuitarPickup):
        return Guitar(
            pickup.inductance_h,
            pickup.resistance_ohm,
            pickup.capacitance_pf,
            pickup.volume_ohm,
            pickup.tone_ohm,
            pickup.tone_nf,
            pickup.volume,
            pickup.tone,
        )
    if isinstance(pickup, PiezoPickup):
        return Piezo(pickup.capacitance_pf)
    return Output(LINE_OHM)


def _key(step: Step, told_of_unit: bytes) -> bytes:
    """Return the hash of a step whose `key` is still that of the step before it."""
    driven = [
        (feed.origin, feed.fold, feed.shares, feed.places, _told(feed, step.noisy))
        for feed in step.feeds
    ]
    told = b"\0".join((step.key, told_of_unit, repr(driven).encode()))
    return hashlib.blake2b(told, digest_size=16).digest()


def _told_of(step: Step) -> bytes:
    """Return all that a unit brings to a key, wherever it stands."""
    unit = step.unit
    if isinstance(unit, Block):
        kind, settings = unit.kind, unit.model_dump_json(exclude=_ON_PAPER)
    else:
        kind, settings = type(unit).__name__, repr(unit)
    versions = [(block.model_dump_json(), gate) for block, gate in step.versions]
    tables = unit.amps if isinstance(unit, AmpUnit) else [block for block, _ in step.versions]
    if isinstance(unit, Block):
        tables = [unit, *tables]
    named = [digest_of(Path(file)) for each in tables for file in each.named_files().values()]
    rest = (step.moment, step.gate, step.joins_dry, step.noisy, versions, named)
    return "\0".join((kind, settings, repr(rest))).encode()


def _told(feed: Feed, noisy: bool) -> tuple[Link, ...]:
    """Return the links as far as they are heard: two wires sound the same, and hiss apart."""
    return feed.links if noisy or not all(link.is_wire for link in feed.links) else ()
