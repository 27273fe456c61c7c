"""One unit alone: fed from a low impedance, on throughout, and into a resistance."""

from simchain.blocks import Block, Moment
from simchain.chain.draft import ALWAYS_ON
from simchain.chain.step import run
from simchain.chain.steps import Place, Step
from simchain.signal import Volts

INTO_OHM = 1e6


def alone(
    block: Block,
    volts: Volts,
    rate: int,
    *,
    turn: float = 0.0,
    before_s: float = 0.0,
    into_ohm: float = INTO_OHM,
) -> Volts:
    """Return what `block` makes of `volts`, shape (inputs, frames), without hum and hiss.

    Modulators begin `turn` of a turn, 0 to 1, from where they stand at rest, after `before_s`
    seconds of running. The output is that across `into_ohm`, fed by the unit's own impedance.
    """
    moment = Moment(rate=rate, turn=turn, before_s=before_s)
    here, there = Place(0, 0), Place(1, 0)
    step = Step("alone", block, moment, ALWAYS_ON, (), here, there, True, False, b"")
    made = run(step, volts).volts
    ratio = _under_load(block, into_ohm)
    return made if ratio == 1.0 else made * ratio


def _under_load(block: Block, into_ohm: float) -> float:
    """Return the share of its open-circuit voltage that a unit's output keeps into a resistance."""
    if block.pot is None:
        return into_ohm / (into_ohm + block.output_ohm)
    whole, share = block.pot
    # Thevenin of a pot fed from nothing: its two halves side by side.
    return into_ohm / (into_ohm + whole * share * (1.0 - share))
