"""One step on volts: rails, the block itself, level, and its switch, once for all kinds.

    on its input -> input rail -> block -> output rail -> level -> switch of a buffered bypass

Inputs and buffers clip at the rails before the circuit, the output stage after it, and a buffer
clips in bypass too. `level_db` comes after the rails. True bypass is a matter of the wires: see
`chain.wires`.
"""

import math
from dataclasses import dataclass

import numpy as np

from simchain import units
from simchain.blocks import Block
from simchain.chain.hiss import with_input_noise, with_output_noise
from simchain.chain.steps import AmpUnit, Step
from simchain.signal import Volts


@dataclass(frozen=True)
class Headroom:
    """A ceiling in peak volts at a test point, and how far the peak asked for stays below it.

    `db` is 20 log10(ceiling / peak asked for): negative where it clips, infinite for silence.
    """

    ceiling_volts: float
    db: float


@dataclass(frozen=True)
class Passed:
    """What a step made: the volts that leave it, and the headroom at its input and output.

    Headroom is None for what has no ceiling: wires, and the amplifier's parts.
    """

    volts: Volts
    headroom_in: Headroom | None = None
    headroom_out: Headroom | None = None


def reach(step: Step, volts: Volts, dry: Volts | None = None) -> Volts:
    """Return what stands on the input of `step` when `volts`, (channels, frames), come by wire.

    `dry` is the signal that stands beside an amplifier's loop: what reaches the return is
    `joins_dry` of the loop and the rest of `dry`.
    """
    if isinstance(step.unit, Block):
        return folded(volts, step.unit.inputs, step.unit.mono)
    if not isinstance(step.unit, AmpUnit):
        return volts
    reached = folded(volts, len(step.unit.amps))
    if step.joins_dry is None or dry is None:
        return reached
    share = np.array(step.joins_dry)[:, np.newaxis]
    return share * reached + (1.0 - share) * dry


def run(step: Step, volts: Volts) -> Passed:
    """Run `step` on the `volts` on its input, which are not written to."""
    if isinstance(step.unit, Block):
        return _run_block(step, step.unit, volts)
    if isinstance(step.unit, AmpUnit):
        hissing = with_input_noise(volts, step) if step.noisy else volts
        return Passed(step.unit.process(hissing, step.moment))
    return Passed(volts)


def folded(volts: Volts, inputs: int, mono: str = "mean") -> Volts:
    """Return `volts` with a channel for each input; `mono` says what one input takes of two."""
    if volts.shape[0] == inputs:
        return volts
    if inputs == 2:
        return np.repeat(volts, 2, axis=0)
    return volts[:1] if mono == "left" else volts.mean(axis=0, keepdims=True)


def _run_block(step: Step, block: Block, arriving: Volts) -> Passed:
    rate, ceiling, gate = step.moment.rate, block.ceiling_volts, step.gate
    headroom_in = _headroom(arriving, ceiling)
    inside = with_input_noise(arriving, step) if step.noisy else arriving
    inside = _railed(inside, ceiling, rate)
    if gate.is_never_on:
        return Passed(_spread(inside, block.outputs), headroom_in, headroom_in)
    weights = gate.weights(arriving.shape[1])
    trails = not gate.is_constant and _has_trails(block)
    made = _made(step, block, inside * weights if trails else inside)
    made = with_output_noise(made, step) if step.noisy else made
    level = units.db_to_ratio(block.level_db)
    headroom_out = _headroom(made, ceiling, level)
    made = _railed(made, ceiling, rate)
    moving = step.moment.moving("level_db", made.shape[1])
    gain = level if moving is None else 10.0 ** (moving / 20.0)
    if block.invert or moving is not None or level != 1.0:
        made = (-gain if block.invert else gain) * made
    if gate.is_constant or block.bypass == "true":
        return Passed(made, headroom_in, headroom_out)
    bypassed = _spread(inside, made.shape[0])
    switched = (made if trails else made * weights) + bypassed * (1.0 - weights)
    return Passed(switched, headroom_in, headroom_out)


def _made(step: Step, block: Block, inside: Volts) -> Volts:
    """Return what the block makes, in whichever settings are in force."""
    if not step.versions:
        return block.process(inside, step.moment)
    frames = inside.shape[1]
    lines = [
        version.process(inside * gate.weights(frames), step.moment)
        if _has_trails(version)
        else gate.weights(frames) * version.process(inside, step.moment)
        for version, gate in step.versions
    ]
    return np.asarray(sum(lines[1:], start=lines[0]))


def _has_trails(block: Block) -> bool:
    return getattr(block, "has_trails", False)


def _spread(volts: Volts, channels: int) -> Volts:
    """Give a mono signal to both outputs; two channels stay as they are."""
    return np.repeat(volts, 2, axis=0) if volts.shape[0] < channels else volts


def _railed(volts: Volts, ceiling: float, rate: int) -> Volts:
    """Clip at the rails; the very same array when no sample touches them."""
    if not math.isfinite(ceiling):
        return volts
    from simchain.kernels.rails import clipped

    out = volts
    for place, line in enumerate(volts):
        railed = clipped(line, ceiling, rate)
        if not np.shares_memory(railed, line):
            out = volts.copy() if out is volts else out
            out[place] = railed
    return out


def _headroom(asked: Volts, ceiling: float, level: float = 1.0) -> Headroom | None:
    """Headroom of the volts `asked` for, at a point that `level` follows; None below no ceiling."""
    if not math.isfinite(ceiling):
        return None
    peak = float(np.abs(asked).max(initial=0.0))
    return Headroom(ceiling * level, -units.ratio_to_db(peak / ceiling))
