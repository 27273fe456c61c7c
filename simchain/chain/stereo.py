"""Where stereo begins on a path, where it ends, and what folding it into one channel costs.

Stereo begins at a unit that is on and makes two channels, at a source of two, or at two amplifiers
that differ. It ends at the input of a unit that takes one channel, on or off: whatever lies on the
wire folds it. A mixer input keeps two channels; so do two amplifiers.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from simchain.blocks import Block
from simchain.board import Board
from simchain.chain.gates import Gate, Share
from simchain.chain.steps import AmpUnit, Feed, Path, Place, Step
from simchain.chain.walk import Rendering
from simchain.measure.stereo import (
    Dip,
    FoldLoss,
    Stereo,
    Taken,
    fold_dips,
    fold_loss,
    stereo_of,
)
from simchain.signal import Volts

How = Literal["mean", "left", "one amplifier"]

SOURCE, AMP, OUT = "source", "amp", "out"
# Sides further apart than this are stereo: the hiss of two outputs is not (common practice, no
# source). It is -60 dB of the energy.
LEAST_WIDTH = 1e-6


@dataclass(frozen=True)
class StereoEnds:
    """A stretch of the path on which there are two channels that may differ.

    It `begins` at a block, at "source", or at "amp". `ends` is the first test point that reads one
    channel, and `before` the last one that reads two; None and "out" where it reaches the end.
    `how` says what is taken there: the "mean" of both channels, the "left" one, or their mean by
    "one amplifier". `from_s` is when it is first there.
    """

    begins: str
    ends: str | None
    how: How | None
    before: str
    from_s: float = 0.0

    @property
    def ends_at(self) -> str | None:
        """The block that takes one channel, or "amp"; None where stereo reaches the end."""
        return self.ends and self.ends.partition(".")[0]


@dataclass(frozen=True)
class FoldCost:
    """What the fold of two channels costs: of level, and at which frequencies most."""

    loss: FoldLoss
    dips: tuple[Dip, ...]


@dataclass(frozen=True)
class HeardStereo:
    """A stretch of stereo as it sounds.

    `sides` tells how far the channels are apart before the fold, or at `out`; None where the sound
    was not kept. `cost` is None then too, where there is no fold, and where the sides are the same.
    """

    stretch: StereoEnds
    sides: Stereo | None = None
    cost: FoldCost | None = None

    @property
    def is_used(self) -> bool:
        """Whether its two sides differ, as far as is known; not so in silence."""
        return self.sides is None or self.sides.width > LEAST_WIDTH


def stereo_on(path: Path, channels: int = 1) -> tuple[StereoEnds, ...]:
    """Return the stretches of stereo that there are at any time, as they come along the path.

    `channels` is the source's number of them. Of several beginnings that end in one place the first
    in time counts. A tail that rings on once its unit is off is stereo of the time before.
    """
    found: dict[str, StereoEnds] = {}
    for frame in _moments(path):
        for stretch in stereo_at(path, frame, channels):
            start_s = frame / path.timeline.board.rate
            found.setdefault(stretch.before, replace(stretch, from_s=start_s))
    return tuple(found[name] for name in path.points if name in found)


def stereo_at(path: Path, frame: int = 0, channels: int = 1) -> tuple[StereoEnds, ...]:
    """Return the stretches of stereo with the switches as they are at `frame`; `from_s` stays 0."""
    begun: dict[int, str | None] = {0: SOURCE if channels == 2 else None}
    sent: str | None = None
    found: dict[StereoEnds, None] = {}
    for step in path.steps:
        arrives = sent if step.joins_dry is not None else None
        for feed in step.feeds:
            begins = begun[feed.origin]
            if begins is None or not all(_is_on(share, frame) for share in feed.shares):
                continue
            fold = _fold(step, feed)
            if fold is None:
                arrives = begins
            else:
                found[_ended(path, begins, *fold)] = None
        if arrives and _narrows(step, frame):
            found[_ended(path, arrives, step.out, "mean")] = None
            arrives = None
        leaves = _leaves(step, arrives, frame)
        begun[step.out.wire] = leaves
        sent = leaves if step.out_is_send else sent
    if leaves is not None:
        found[StereoEnds(leaves, None, None, OUT)] = None
    return tuple(found)


def fold_cost(volts: Volts, rate: int, mono: How = "mean") -> FoldCost:
    """Return what `volts`, shape (2, frames), lose where one input takes them as `mono` says."""
    taken: Taken = "left" if mono == "left" else "mean"
    return FoldCost(fold_loss(volts, rate, taken), fold_dips(volts, rate, taken))


def may_fold(board: Board) -> bool:
    """Tell whether two channels can become one on `board`, so that a fold's cost is wanted."""
    return any(block.outputs == 2 for block in board.blocks.values())


def stereo_heard(rendering: Rendering) -> tuple[HeardStereo, ...]:
    """Return the stretches of stereo in a rendering, their sides and what each fold costs.

    A stretch begins at the first unit whose two outputs differ. Where the sound of the test points
    was not kept only the ends are known.
    """
    seconds = rendering.output.samples.shape[1] / rendering.rate
    stretches = stereo_on(rendering.path, len(rendering.points[SOURCE].channels))
    return tuple(_heard(rendering, each) for each in stretches if each.from_s < seconds)


def _heard(rendering: Rendering, stretch: StereoEnds) -> HeardStereo:
    volts = _volts_at(rendering, stretch.before)
    if volts is None:
        return HeardStereo(stretch)
    sides = stereo_of(volts)
    if not sides.width > LEAST_WIDTH:
        return HeardStereo(stretch, sides)
    cost = None if stretch.how is None else fold_cost(volts, rendering.rate, stretch.how)
    return HeardStereo(_begins_apart(rendering, stretch), sides, cost)


def _begins_apart(rendering: Rendering, stretch: StereoEnds) -> StereoEnds:
    """Let a stretch begin at its first unit whose outputs differ."""
    names = list(rendering.path.points)
    first = SOURCE if stretch.begins == SOURCE else f"{stretch.begins}.out"
    if first not in names:
        return stretch
    for name in names[names.index(first) : names.index(stretch.before) + 1]:
        unit, _, jack = name.partition(".")
        if name != SOURCE and (jack != "out" or unit == AMP):
            continue
        volts = _volts_at(rendering, name)
        if volts is None or stereo_of(volts).width > LEAST_WIDTH:
            return replace(stretch, begins=unit)
    return replace(stretch, begins=AMP)


def _volts_at(rendering: Rendering, name: str) -> Volts | None:
    """Return what a point of the path reads, both amplifiers of a pair together; None: not kept."""
    if name == OUT:
        return rendering.output.samples
    stem, dot, rest = name.partition(".")
    pair = (name, f"{stem}2{dot}{rest}") if stem == AMP else (name,)
    lines = [rendering.points[each].volts for each in pair if each in rendering.points]
    kept = [line for line in lines if line is not None]
    return np.concatenate(kept) if len(kept) > 1 else next(iter(kept), None)


def _moments(path: Path) -> list[int]:
    """Return the frames at which the switches of a path change, 0 first."""
    shares = [share for step in path.steps for feed in step.feeds for share in feed.shares]
    gates = [step.gate for step in path.steps] + [each for each in shares if isinstance(each, Gate)]
    return sorted({0, *(frame for gate in gates for frame, _ in gate.switches)})


def _is_on(share: Share, frame: int) -> bool:
    """Whether a switch is on from `frame` on; the states of a movement are all one wire."""
    if not isinstance(share, Gate):
        return True
    return [share.on, *(state for at, state in share.switches if at <= frame)][-1]


def _fold(step: Step, feed: Feed) -> tuple[Place, How] | None:
    """Return where and how two channels of `feed` become one up to `step`'s input."""
    if feed.fold is not None:
        return next(place for place, _, behind in feed.places if behind), feed.fold
    if isinstance(step.unit, AmpUnit) and len(step.unit.amps) == 1:
        return step.input, "one amplifier"
    return None


def _narrows(step: Step, frame: int) -> bool:
    """Whether two channels at its inputs leave `step` as one."""
    unit = step.unit
    return isinstance(unit, Block) and unit.outputs == 1 and _is_on(step.gate, frame)


def _leaves(step: Step, arrives: str | None, frame: int) -> str | None:
    """Return where the stereo at a step's output begins, given that at its input."""
    unit = step.unit
    if isinstance(unit, AmpUnit):
        return arrives or (AMP if unit.amps[0] != unit.amps[-1] else None)
    if isinstance(unit, Block) and unit.outputs == 2 and _is_on(step.gate, frame):
        return arrives or step.name
    return arrives


def _ended(path: Path, begins: str, place: Place, how: How) -> StereoEnds:
    names = list(path.points)
    first = next(number for number, name in enumerate(names) if path.points[name] >= place)
    return StereoEnds(begins, names[first], how, names[first - 1])
