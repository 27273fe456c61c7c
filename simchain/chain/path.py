"""From board, order and passage to the steps on the signal's path. No sound is touched here."""

import hashlib
from dataclasses import dataclass
from typing import Literal, Protocol
from zlib import crc32

import numpy as np

from simchain.amp.settings import Amp
from simchain.blocks import Block, Moment
from simchain.board import Board, Order, Passage
from simchain.chain.gates import Gate, block_gate
from simchain.errors import RequestError
from simchain.signal import Volts

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

PAIR = "+"
ALWAYS_ON = Gate(on=True)


class Unit(Protocol):
    """Anything that turns volts into volts."""

    def process(self, volts: Volts, now: Moment) -> Volts:
        """Return the unit's output for `volts`, which are not written to."""


@dataclass(frozen=True)
class AmpUnit:
    """One part of an amplifier, or of the two of a stereo pair, as a unit on the path.

    One amplifier takes the mean of the channels that reach it, two take a channel each.
    """

    amps: tuple[Amp, ...]
    part: Literal["preamp", "power", "cabinet"]

    def process(self, volts: Volts, now: Moment) -> Volts:
        """Return a channel for each amplifier; `volts` has as many."""
        from simchain import amp

        play = getattr(amp, self.part)
        lines = [
            play(one, line[np.newaxis], now.rate)
            for one, line in zip(self.amps, volts, strict=True)
        ]
        return np.concatenate(lines)


@dataclass(frozen=True)
class Step:
    """One active unit on the path.

    `wire` names the test points on the wire that leads to its input, in path order; the last is
    the unit's own input, where it has one. `out` is the test point of its output. `joins_dry` is
    the share of the loop in the sum at each amplifier's return, or None. `key` is a hash of all
    that leads here: an equal key is an equal sound.
    """

    name: str
    unit: Unit | None
    moment: Moment
    gate: Gate
    wire: tuple[str, ...]
    out: str
    key: bytes
    joins_dry: tuple[float, ...] | None = None


@dataclass(frozen=True)
class Path:
    """What one passage runs through in one order.

    `amp_name` is that of the amplifier, of both joined by `PAIR` for a stereo pair, or None.
    """

    order_name: str
    order: Order
    passage_name: str
    passage: Passage
    amp_name: str | None
    steps: tuple[Step, ...]
    left_out: tuple[str, ...]


def path_of(
    board: Board,
    order: str | Order,
    passage: str,
    amp: str | None,
    *,
    source_key: bytes,
    channels: int = 1,
    turn: float = 0.0,
) -> Path:
    """Return the path of `passage` in `order`.

    `amp` names the amplifier at the end, or both of a stereo pair joined by `PAIR` (None: the
    board's mixer input). `source_key` stands for
    the sound at the source, `channels` is its number of channels, `turn` shifts free-running
    modulators.

    Raises RequestError for a name that the board does not have and for a loop without an
    amplifier.
    """
    order_name, wanted = named_order(board, order)
    played = board.passage(passage)
    if wanted.loop and amp is None:
        raise RequestError(
            f"order '{order_name}' has a loop ({', '.join(wanted.loop)}) but there is no amplifier "
            "to hold it; name one in [output] amps or with --amp"
        )
    draft = _Draft(board, passage, turn, source_key, channels)
    draft.add_blocks(wanted.front)
    if amp is not None:
        amps = tuple(board.amps[name] for name in amp.split(PAIR))
        _add_amplifiers(draft, amps, wanted.loop)
    else:
        draft.add_step("out", None, ALWAYS_ON, "out")
    left_out = tuple(name for name in played.on if name not in wanted.blocks)
    return Path(order_name, wanted, passage, played, amp, tuple(draft.steps), left_out)


def named_order(board: Board, order: str | Order) -> tuple[str, Order]:
    """Return an order with its name; an Order that the board does not name gets its blocks'.

    Raises RequestError for what the board does not have.
    """
    wanted = board.order(order)
    if isinstance(order, str):
        return order, wanted
    for name, known in board.orders.items():
        if known == order:
            return name, wanted
    loop = f" | {' '.join(order.loop)}" if order.loop else ""
    return " ".join(order.front) + loop, wanted


def _add_amplifiers(draft: "_Draft", amps: tuple[Amp, ...], loop: tuple[str, ...]) -> None:
    draft.add_step("preamp", AmpUnit(amps, "preamp"), ALWAYS_ON, "amp.send", wire=("amp.in",))
    draft.channels = len(amps)
    draft.add_blocks(loop)
    shares = tuple(amp.loop_mix for amp in amps)
    mix = shares if loop and min(shares) < 1.0 else None
    draft.add_step(
        "power", AmpUnit(amps, "power"), ALWAYS_ON, "speaker", wire=("amp.return",), joins_dry=mix
    )
    draft.add_step("cabinet", AmpUnit(amps, "cabinet"), ALWAYS_ON, "out")


class _Draft:
    """Collects steps, the test points of wires between them, channels, and the running key."""

    def __init__(self, board: Board, passage: str, turn: float, key: bytes, channels: int):
        self.board, self.passage_name, self.turn = board, passage, turn
        self.passage = board.passage(passage)
        self.key, self.channels = key, channels
        self.steps: list[Step] = []
        self.wire: list[str] = ["source"]

    def add_blocks(self, names: tuple[str, ...]) -> None:
        for name in names:
            block = self.board.block_in(self.passage_name, name)
            gate = block_gate(name, self.passage, block.fade_ms, self.board.rate)
            folds = block.inputs < self.channels
            if block.bypass == "true" and gate.is_never_on and not folds:
                self.wire += [f"{name}.in", f"{name}.out"]
            else:
                self.add_step(name, block, gate, f"{name}.out", wire=(f"{name}.in",))
            if not (block.bypass == "true" and gate.is_never_on) or folds:
                self.channels = max(block.outputs, min(self.channels, block.inputs))

    def add_step(
        self,
        name: str,
        unit: Unit | None,
        gate: Gate,
        out: str,
        wire: tuple[str, ...] = (),
        joins_dry: tuple[float, ...] | None = None,
    ) -> None:
        moment = Moment(self.board.rate, crc32(name.encode()), self.turn)
        self.key = _hash(self.key, unit, moment, gate, joins_dry)
        points = (*self.wire, *wire)
        self.steps.append(Step(name, unit, moment, gate, points, out, self.key, joins_dry))
        self.wire = []


def _hash(
    key: bytes,
    unit: Unit | None,
    moment: Moment,
    gate: Gate,
    joins_dry: tuple[float, ...] | None,
) -> bytes:
    if isinstance(unit, Block):
        kind, settings = unit.kind, unit.model_dump_json(exclude=_ON_PAPER)
    else:
        kind, settings = type(unit).__name__, repr(unit)
    parts = (kind, settings, repr(moment), repr(gate), repr(joins_dry))
    return hashlib.blake2b(key + "\0".join(parts).encode(), digest_size=16).digest()
