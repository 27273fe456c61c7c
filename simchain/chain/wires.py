"""What stands on a step's input and on the wires that lead there.

Each output that drives the wire is filtered once for each state of the switches, by the one
circuit of that state, and added under the switches' weights.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from simchain.chain.hiss import with_thermal_noise
from simchain.chain.step import folded
from simchain.chain.steps import Feed, Place, Step
from simchain.filters.analogue import run_sections
from simchain.signal import Volts


@dataclass(frozen=True, eq=False)
class Wires:
    """Outputs that still drive something, and the voltages that are not complete yet.

    `outputs` maps the number of the wire that starts at an output to its volts; `partial` holds,
    for each place on wires that a switched unit bridges, what the feeds so far have put there.
    """

    outputs: Mapping[int, Volts]
    partial: Mapping[Place, Volts] = field(default_factory=dict)

    def arriving(self, step: Step) -> dict[Place, Volts]:
        """Return what stands at each place on the way to the input of `step` while it is on."""
        found: dict[Place, Volts] = {}
        for feed in step.feeds:
            volts = self.outputs[feed.origin]
            weight = _weight(feed, volts.shape[1])
            read: dict[tuple[int, bool], Volts] = {}
            for place, node, behind_fold in feed.places:
                if (node, behind_fold) not in read:
                    there = _through(feed, volts, node, behind_fold, step.moment.rate)
                    if step.noisy:
                        there = with_thermal_noise(there, feed, step.moment)
                    read[node, behind_fold] = there if weight is None else there * weight
                _add(found, place, read[node, behind_fold])
        return found

    def let_go(self) -> "Wires":
        """Return the wires without the outputs, which drive nothing more."""
        return Wires({}, self.partial)

    def ending(self, arrived: Mapping[Place, Volts]) -> dict[Place, Volts]:
        """Return all voltages where the wire ends: with what `arriving` gave they are complete."""
        whole = dict(self.partial)
        for place, volts in arrived.items():
            _add(whole, place, volts)
        return whole

    def behind(self, step: Step, arrived: Mapping[Place, Volts], made: Volts) -> "Wires":
        """Return the wires behind `step`, whose output is `made`; see `arriving` for `arrived`."""
        number = step.out.wire
        if step.ends:
            return Wires({number: made})
        on = step.gate.weights(made.shape[1])
        partial = dict(self.partial)
        for place, volts in arrived.items():
            _add(partial, place, on * volts)
        partial[step.out] = on * made
        return Wires({**self.outputs, number: made}, partial)


def _through(feed: Feed, volts: Volts, node: int, behind_fold: bool, rate: int) -> Volts:
    """Return what `volts` at a feed's output are at one of its link's nodes."""
    fold = feed.fold if behind_fold else None
    if len(feed.links) == 1:
        taken = volts if fold is None else folded(volts, 1, fold)
        sections = feed.links[0].sections(rate, node)
        return taken if sections is None else run_sections(sections, taken)
    lines = [
        line if (sections := link.sections(rate, node)) is None else run_sections(sections, line)
        for link, line in zip(feed.links, np.split(folded(volts, 2), 2), strict=True)
    ]
    both = np.concatenate(lines)
    return both if fold is None else folded(both, 1, fold)


def _weight(feed: Feed, frames: int) -> Volts | None:
    """Return the feed's weight at each frame, or None for 1 throughout."""
    weight = None
    for share in feed.shares:
        weight = share.weights(frames) if weight is None else weight * share.weights(frames)
    return weight


def _add(found: dict[Place, Volts], place: Place, volts: Volts) -> None:
    found[place] = found[place] + volts if place in found else volts
