"""Warnings about levels beyond rails and converters, or near a unit's noise, without any sound.

A level is followed along the path: through each link as it passes 1 kHz, and through each unit by
its `nominal_gain_db`. What filters make of a clip's spectrum is left out: `simchain levels`
measures it.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from simchain import units
from simchain.blocks import Block
from simchain.board import Board, BoardWarning
from simchain.chain.electrical.worst import Worst, where
from simchain.chain.steps import PAIR, Path, Step
from simchain.electrics import Hiss, Link

# An estimate that is over by less is not told.
OVER_DB = 0.5
MIDDLE_HZ = np.array([1e3])
HIGHEST_USUAL_SUPPLY = 18.0
# What a preamp that clips gives at most, above the loop's level: common practice, no source.
CLIPPING_ABOVE_LOOP_DB = 14.0
# Between a guitar's note and its hum lie 48 dB: a unit that hisses louder than that is heard in
# every rest. Common practice, no source.
LEAST_ABOVE_NOISE_DB = 50.0


@dataclass(frozen=True)
class Asked:
    """Peak volts on a block's input, and those its output is asked for before `level_db`.

    `made` is None where the block's gain depends on the signal, or it is off.
    """

    step: Step
    block: Block
    reached: float
    made: float | None

    @property
    def most(self) -> float:
        """The larger of both."""
        return max(self.reached, self.made or 0.0)

    @property
    def over_db(self) -> float:
        """How far the larger of both lies above the block's ceiling."""
        return units.ratio_to_db(self.most / self.block.ceiling_volts)


def rail_warnings(paths: Iterable[Path], peaks: Mapping[str, float]) -> Iterator[BoardWarning]:
    """Warn of blocks that a passage's clip drives beyond their rails, once for each block.

    `peaks` holds the clip's loudest sample in volts, by passage. A row of blocks is followed as
    far as gains are known: up to the first compressor or drive.
    """
    worst = Worst()
    for path in paths:
        for asked in _along(path, 0, peaks.get(path.timeline.name, 0.0)):
            if asked.over_db > OVER_DB:
                warning = BoardWarning("near_rail", asked.step.name, _clips(asked, path))
                worst.keep(asked.step.name, asked.over_db, warning)
    return worst.warnings()


def loop_level_warnings(board: Board, paths: Iterable[Path]) -> Iterator[BoardWarning]:
    """Warn of blocks in a loop that get more than they take, or little more than their own noise.

    The most a send gives is a sine 14 dB above the loop's level: one warning for all the blocks
    that it is too much for. Too little is a loop's level less than 50 dB above a block's noise
    over 20 kHz. Gains that depend on the signal count as 0 dB here.
    """
    over: dict[str, Asked] = {}
    under = Worst()
    for path in paths:
        if not path.order.loop or path.amp_name is None:
            continue
        send = next(number for number, step in enumerate(path.steps, 1) if step.out_is_send)
        levels = [board.amps[name].loop_level_dbu for name in path.amp_name.split(PAIR)]
        most = units.dbu_to_peak_volts(max(levels) + CLIPPING_ABOVE_LOOP_DB)
        for asked in _along(path, send, most, follow=True):
            known = over.get(asked.step.name)
            if asked.over_db > max(OVER_DB, known.over_db if known else 0.0):
                over[asked.step.name] = asked
        for asked in _along(path, send, units.dbu_to_peak_volts(min(levels)), follow=True):
            above_db = _above_noise_db(asked)
            if above_db < LEAST_ABOVE_NOISE_DB:
                warning = BoardWarning("loop_level", asked.step.name, _too_soft(asked, path))
                under.keep(asked.step.name, -above_db, warning)
    if over:
        yield _too_hot(sorted(over.values(), key=lambda asked: -asked.over_db))
    yield from under.warnings()


def _along(path: Path, start: int, volts: float, *, follow: bool = False) -> Iterator[Asked]:
    """Follow `volts` from output number `start` to every block whose level can be told.

    With `follow` a gain that depends on the signal counts as 0 dB; without, what the block makes
    is not followed.
    """
    levels = {start: volts}
    for number, step in enumerate(path.steps, start=1):
        driven = [
            levels[feed.origin] * _passed(link)
            for feed in step.feeds
            if feed.origin in levels
            for link in feed.links
        ]
        if not driven or not isinstance(step.unit, Block):
            continue
        block, reached = step.unit, max(driven)
        inside = min(reached, block.ceiling_volts)
        gain = 0.0 if step.gate.is_never_on else _gain(step, block, 1.0 if follow else None)
        made = None if gain is None else inside * gain
        yield Asked(step, block, reached, None if step.gate.is_never_on else made)
        left = [] if made is None else [min(made, block.ceiling_volts) * _level(step, block)]
        if block.bypass == "buffered" and not step.gate.is_always_on:
            left.append(inside)
        if left:
            levels[number] = max(left)


def _passed(link: Link) -> float:
    return 1.0 if link.is_wire else float(np.abs(link.at(MIDDLE_HZ))[0])


def _gain(step: Step, block: Block, unknown: float | None) -> float | None:
    """Return the highest gain that the block has in the passage, as a ratio, or `unknown`."""
    gains = [each.nominal_gain_db() for each in _settings_met(step, block)]
    known = [gain for gain in gains if gain is not None]
    return units.db_to_ratio(max(known)) if len(known) == len(gains) else unknown


def _level(step: Step, block: Block) -> float:
    return units.db_to_ratio(max(each.level_db for each in _settings_met(step, block)))


def _settings_met(step: Step, block: Block) -> list[Block]:
    """Return the block as set, and with each value that a movement brings a control to."""
    moved = [
        block.model_copy(update={name: value})
        for name, curve in step.moment.curves
        for _, value in curve.points
    ]
    return [block, *moved]


def _clips(asked: Asked, path: Path) -> str:
    block = asked.block
    what = "is fed" if asked.most == asked.reached else "is asked for"
    takes = block.supply_range_volts
    more_supply = (
        not _has_converters(block)
        and block.rail_volts is None
        and block.supply_volts < HIGHEST_USUAL_SUPPLY
        and (takes is None or takes[1] > block.supply_volts)
    )
    cure = "more supply volts where the unit takes them, " if more_supply else ""
    return (
        f"'{asked.step.name}' {what} {asked.most:.2g} V peak and its "
        f"{'converters take' if _has_converters(block) else 'rail is'} {block.ceiling_volts:.2g} V:"
        f" it clips by {asked.over_db:.0f} dB ({where(path)}); {cure}less gain, or a lower level "
        "before it"
    )


def _too_hot(found: Sequence[Asked]) -> BoardWarning:
    worst = found[0]
    others = ", ".join(f"'{asked.step.name}' by {asked.over_db:.0f} dB" for asked in found[1:])
    text = (
        f"'{worst.step.name}' in the loop gets up to {_dbu(worst.most)} when the preamp clips and "
        f"takes {_dbu(worst.block.ceiling_volts)}: it clips by {worst.over_db:.0f} dB"
        f"{' (' + others + ')' if others else ''}; a lower loop level at the amplifier "
        "(loop_level_dbu), or a level control at the send"
    )
    return BoardWarning("loop_level", worst.step.name, text)


def _too_soft(asked: Asked, path: Path) -> str:
    noise_dbu = units.volts_to_dbu(_noise_volts(asked))
    return (
        f"'{asked.step.name}' in the loop gets {_dbu(asked.reached)}, only "
        f"{_above_noise_db(asked):.0f} dB above its own noise of {noise_dbu:+.0f} dBu "
        f"({where(path)}): its hiss is heard in rests; a higher loop level at the amplifier "
        "(loop_level_dbu), or more level before it and less after it"
    )


def _above_noise_db(asked: Asked) -> float:
    """How far a sine that is `asked` lies above the block's own noise; silence is no matter."""
    noise = _noise_volts(asked)
    heard = noise > 0.0 and asked.reached > 0.0
    return units.ratio_to_db(asked.reached / units.SQRT2 / noise) if heard else math.inf


def _noise_volts(asked: Asked) -> float:
    """Return the block's own noise over 20 kHz, RMS, as if all of it were at its input."""
    block = asked.block
    at_input = Hiss.white(block.noise_nv).rms_volts()
    if not asked.made:
        return at_input
    inside = min(asked.reached, block.ceiling_volts)
    at_output = Hiss.of_total(block.noise_out_uv).rms_volts()
    return math.hypot(at_input, at_output * inside / asked.made)


def _has_converters(block: Block) -> bool:
    return block.is_digital or block.max_dbu is not None


def _dbu(peak_volts: float) -> str:
    return f"{units.peak_volts_to_dbu(peak_volts):+.0f} dBu"
