"""What a path is made of: units, the feeds that drive them, and the places of test points."""

from dataclasses import dataclass
from typing import ClassVar, Literal, NamedTuple, Protocol

from simchain.amp.settings import INPUT_NV, Amp
from simchain.blocks import Block, Moment
from simchain.board import Order
from simchain.chain.gates import Gate, Share
from simchain.chain.timeline import Timeline
from simchain.electrics import Link
from simchain.signal import Volts

PAIR = "+"

Fold = Literal["mean", "left"]


class Unit(Protocol):
    """Anything that turns volts into volts; it hisses at its input, and makes more at its output.

    `noise_nv` is in nV/sqrt(Hz), `noise_out_uv` in microvolts RMS over 20 kHz.
    """

    @property
    def noise_nv(self) -> float:
        """Noise at its input."""

    @property
    def noise_out_uv(self) -> float:
        """Noise made at its output."""

    def process(self, volts: Volts, now: Moment) -> Volts:
        """Return the unit's output for `volts`, which are not written to."""

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """Return the same from `volts` that may be written over."""


@dataclass(frozen=True)
class AmpUnit:
    """One part of an amplifier, or of the two of a stereo pair, as a unit on the path.

    One amplifier takes the mean of the channels that reach it, two take a channel each.
    """

    amps: tuple[Amp, ...]
    part: Literal["preamp", "power", "cabinet"]
    noise_out_uv: ClassVar[float] = 0.0

    @property
    def noise_nv(self) -> float:
        """Noise at the input of the preamp."""
        return INPUT_NV if self.part == "preamp" else 0.0

    def process(self, volts: Volts, now: Moment) -> Volts:
        """Return a channel for each amplifier; `volts` has as many."""
        return self.process_over(volts.copy(), now)

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """Return the same, written over `volts`."""
        from simchain import amp

        play = getattr(amp, self.part)
        for number, one in enumerate(self.amps):
            volts[number] = play(one, volts[number : number + 1], now.rate)[0]
        return volts


class Place(NamedTuple):
    """Where a voltage is read: on the wire to step number `wire`, at one of its nodes.

    Node 0 is the output jack that the wire starts from, as its unit makes it; from node 1 on it is
    the wire under load, one more behind each pot or each unit that passes one of two channels; the
    last one is the input of the step. The wire behind the last step has node 0 alone.
    """

    wire: int
    node: int


@dataclass(frozen=True)
class Feed:
    """An output that drives a step's input, through one state of the switches between them.

    `origin` numbers the wire that starts at the output: 0 is the source. `links` has one link, or
    one for each channel. `fold` is how a bypassed unit on the way takes one channel of two, or
    None. The `shares` multiply to the feed's weight; none is 1. `places` are passed on the way:
    each with the node of the link, and whether it lies behind the fold.
    """

    origin: int
    links: tuple[Link, ...]
    fold: Fold | None
    shares: tuple[Share, ...]
    places: tuple[tuple[Place, int, bool], ...]

    @property
    def is_wire(self) -> bool:
        """Whether what it drives gets the output's volts as they are, at all times."""
        return not self.shares and self.fold is None and all(link.is_wire for link in self.links)


@dataclass(frozen=True)
class Step:
    """One active unit on the path.

    `feeds` drive its input, one for each state of the switches before it that the passage meets;
    their weights sum to 1. Where it `ends` the wire nothing passes by: all that drives what
    follows is its own output. `joins_dry` is the share of the loop in the sum at each amplifier's
    return, or None. A `noisy` one adds its own hiss and that of the wires before it. `versions`
    are the settings that a song gives the unit in turn, if it does, each with its weight. `key` is
    a hash of all that leads here: an equal key is an equal sound.
    """

    name: str
    unit: Unit | None
    moment: Moment
    gate: Gate
    feeds: tuple[Feed, ...]
    input: Place
    out: Place
    ends: bool
    noisy: bool
    key: bytes
    joins_dry: tuple[float, ...] | None = None
    versions: tuple[tuple[Block, Gate], ...] = ()

    @property
    def out_is_send(self) -> bool:
        """Whether its output is the amplifier's send."""
        return isinstance(self.unit, AmpUnit) and self.unit.part == "preamp"


@dataclass(frozen=True)
class Path:
    """What one passage runs through in one order.

    `amp_name` is that of the amplifier, of both joined by `PAIR` for a stereo pair, or None.
    `points` says where each test point is read, in the order of the path.
    """

    order_name: str
    order: Order
    timeline: Timeline
    amp_name: str | None
    steps: tuple[Step, ...]
    points: dict[str, Place]
    left_out: tuple[str, ...]
