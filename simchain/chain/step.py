"""One step on volts: rails, the block itself, level, and its switch, once for all kinds.

    on its input -> input rail -> block -> output rail -> level -> switch of a buffered bypass

Inputs and buffers clip at the rails before the circuit, the output stage after it, and a buffer
clips in bypass too. `level_db` comes after the rails. True bypass is a matter of the wires: see
`chain.wires`.
"""

import math
from dataclasses import dataclass
from time import perf_counter

import numpy as np

from simchain import units
from simchain.blocks import Block
from simchain.chain.gates import Gate
from simchain.chain.hiss import with_input_noise, with_output_noise
from simchain.chain.steps import AmpUnit, Step, Unit
from simchain.signal import Volts, pieces


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
    `joins_dry` of the loop and the rest of `dry`. It is `volts` themselves where it can be.
    """
    if isinstance(step.unit, Block):
        return folded(volts, step.unit.inputs, step.unit.mono)
    if not isinstance(step.unit, AmpUnit):
        return volts
    reached = folded(volts, len(step.unit.amps))
    if step.joins_dry is None or dry is None:
        return reached
    share = np.array(step.joins_dry)[:, np.newaxis]
    joined = np.empty(reached.shape)
    for part in pieces(reached.shape[1]):
        joined[:, part] = share * reached[:, part] + (1.0 - share) * dry[:, part]
    return joined


@dataclass
class Tally:
    """How many units were run, and for how many seconds of one core."""

    units: int = 0
    seconds: float = 0.0


def run(step: Step, volts: Volts, *, free: bool = False, tally: Tally | None = None) -> Passed:
    """Run `step` on the `volts` on its input, which are written over only if they are `free`.

    `tally` counts units; the input at the end of the path is none.
    """
    begun = perf_counter()
    passed = _run(step, volts, free)
    if tally and step.unit is not None:
        tally.units += 1
        tally.seconds += perf_counter() - begun
    return passed


def _run(step: Step, volts: Volts, free: bool) -> Passed:
    if isinstance(step.unit, Block):
        return _run_block(step, step.unit, volts, free)
    if isinstance(step.unit, AmpUnit):
        hissing = with_input_noise(volts, step) if step.noisy else volts
        return Passed(_processed(step.unit, hissing, step, free or hissing is not volts))
    return Passed(volts)


def entering(
    step: Step, block: Block, arriving: Volts, *, free: bool = False
) -> tuple[Volts, bool]:
    """Return what the block's own circuit gets of what is `arriving`: hiss added, railed.

    And whether it may be written over.
    """
    inside = with_input_noise(arriving, step) if step.noisy else arriving
    return _railed(inside, block.ceiling_volts, step.moment.rate, free or inside is not arriving)


def folded(volts: Volts, inputs: int, mono: str = "mean") -> Volts:
    """Return `volts` with a channel for each input; `mono` says what one input takes of two."""
    if volts.shape[0] == inputs:
        return volts
    if inputs == 2:
        return np.repeat(volts, 2, axis=0)
    return volts[:1] if mono == "left" else volts.mean(axis=0, keepdims=True)


def _run_block(step: Step, block: Block, arriving: Volts, free: bool) -> Passed:
    rate, ceiling, gate = step.moment.rate, block.ceiling_volts, step.gate
    while_on = None if gate.is_constant else gate
    # A buffer's input stays in while the unit is off; on true bypass nothing reaches it then.
    headroom_in = _headroom(arriving, ceiling, while_on if block.bypass == "true" else None)
    inside, free = entering(step, block, arriving, free=free)
    if gate.is_never_on:
        return Passed(_spread(inside, block.outputs), headroom_in, headroom_in)
    passes_by = not gate.is_constant and block.bypass == "buffered"
    if passes_by and block.has_trails:
        made = _made(step, block, _weighted(inside.copy(), gate), free=True)
    else:
        made = _made(step, block, inside, free=free and not passes_by)
    made = with_output_noise(made, step) if step.noisy else made
    level = units.db_to_ratio(block.level_db)
    headroom_out = _headroom(made, ceiling, None if block.has_trails else while_on, level)
    made, _ = _railed(made, ceiling, rate, free=True)
    _turn_to_level(made, step, block, level)
    if passes_by:
        _switch(made, inside, block, gate)
    return Passed(made, headroom_in, headroom_out)


def _made(step: Step, block: Block, inside: Volts, *, free: bool) -> Volts:
    """Return what the block makes, a new array, in whichever settings are in force."""
    if not step.versions:
        return _processed(block, inside, step, free)
    last = len(step.versions) - 1
    lines = (
        version.process_over(_weighted(inside.copy(), gate), step.moment)
        if version.has_trails
        else _weighted(_processed(version, inside, step, free and number == last), gate)
        for number, (version, gate) in enumerate(step.versions)
    )
    total = next(lines)
    for line in lines:
        total += line
    return total


def _processed(unit: Unit, volts: Volts, step: Step, free: bool) -> Volts:
    return (unit.process_over if free else unit.process)(volts, step.moment)


def _weighted(volts: Volts, gate: Gate) -> Volts:
    """Return `volts` under the weights of `gate`, in their place."""
    for part in pieces(volts.shape[1]):
        volts[:, part] *= gate.weights(part.stop - part.start, part.start)
    return volts


def _turn_to_level(made: Volts, step: Step, block: Block, level: float) -> None:
    """Give `made`, in place, the block's level, moving or at rest, and its polarity."""
    if not block.invert and level == 1.0 and "level_db" not in dict(step.moment.curves):
        return
    for part in pieces(made.shape[1]):
        moving = step.moment.moving("level_db", part.stop - part.start, part.start)
        gain = level if moving is None else 10.0 ** (moving / 20.0)
        made[:, part] *= -gain if block.invert else gain


def _switch(made: Volts, inside: Volts, block: Block, gate: Gate) -> None:
    """Fade, in place, between what the block `made` and what passes its buffer; trails ring on."""
    trails = block.has_trails
    for part in pieces(made.shape[1]):
        weights = gate.weights(part.stop - part.start, part.start)
        own = made[:, part] if trails else made[:, part] * weights
        made[:, part] = own + _spread(inside[:, part], made.shape[0]) * (1.0 - weights)


def _spread(volts: Volts, channels: int) -> Volts:
    """Give a mono signal to both outputs; two channels stay as they are."""
    return np.repeat(volts, 2, axis=0) if volts.shape[0] < channels else volts


def _railed(volts: Volts, ceiling: float, rate: int, free: bool) -> tuple[Volts, bool]:
    """Clip at the rails, in place if `free`; say whether the result may be written over.

    It is the very same array when no sample touches them.
    """
    if not math.isfinite(ceiling):
        return volts, free
    from simchain.kernels.rails import clipped

    for place in range(volts.shape[0]):
        line = volts[place]
        railed = clipped(line, ceiling, rate)
        if railed is not line:
            volts = volts if free else volts.copy()
            free = True
            volts[place] = railed
    return volts, free


def _headroom(
    asked: Volts, ceiling: float, gate: Gate | None, level: float = 1.0
) -> Headroom | None:
    """Headroom of the volts `asked` for, at a point that `level` follows; None below no ceiling.

    With a `gate` only what is asked for while it lets something through counts.
    """
    if not math.isfinite(ceiling):
        return None
    peak = 0.0
    for part in pieces(asked.shape[1]):
        there = asked[:, part]
        if gate is not None:
            there = there[:, gate.weights(part.stop - part.start, part.start) > 0.0]
        peak = max(peak, float(there.max(initial=0.0)), -float(there.min(initial=0.0)))
    return Headroom(ceiling * level, -units.ratio_to_db(peak / ceiling))
