"""Whether two orders are proved to give the same sound: neighbours that commute.

Linear, time-invariant units joined by wires can stand in any sequence among themselves. What has
to hold for that is looked up, block by block and link by link; nothing is asked of a kind.

One thing more is asked of units with two channels: two of them that both mix left and right, each
in its own way, do not commute (as matrices do not), so all but one must treat both channels alike
and apart.
"""

from collections.abc import Iterable, Sequence

import numpy as np

from simchain.blocks import Block
from simchain.chain.steps import Feed, Step
from simchain.chain.walk import Rendering
from simchain.electrics import Link

NEAR_A_RAIL_DB = 1.0
# Rounding leaves some -250 dB; a "proof" whose null is no deeper than this is none.
PROOF_NULL_DB = -200.0

_IMPULSE_VOLTS = 1e-3


def why_not_proved(a: Rendering, b: Rendering) -> str | None:
    """Return None where two orders are proved the same, else why they are not, in plain words.

    `a` and `b` are one passage in each order, on one amplifier, modulators at one phase. Proved:
    `why_not_alike` finds nothing on their paths, and no sample is within 1 dB of a rail of the
    blocks that matter (`watched`) in either order. Sounds that the very same steps make are proved
    too.
    """
    steps_a, steps_b = a.path.steps, b.path.steps
    if steps_a[-1].key == steps_b[-1].key:
        return None
    frames = a.output.samples.shape[1]
    return why_not_alike(steps_a, steps_b, frames) or _near_a_rail(
        (a, b), watched(steps_a, steps_b)
    )


def why_not_alike(steps_a: Sequence[Step], steps_b: Sequence[Step], frames: int) -> str | None:
    """Return None where two paths do the same to a sound that stays below the rails.

    `frames` is the length of the sound. The paths must be the same but for the sequence of some
    blocks in a row, and

    - each of those is linear and time-invariant, switched and moved by nothing; or all that moved
      among them are off throughout: below its rails a buffer in bypass is a wire, whatever stands
      beside it,
    - each has as many outputs as inputs, all the same number (of two channels see the module),
    - every link on the paths is the same in both: a wire, or the same filter at the same place;
      those that touch these blocks are not switched between them and fold no channels,
    - there is no noise.
    """
    if any(step.noisy for step in (*steps_a, *steps_b)):
        return "hum and hiss are in the sound"
    names_a, names_b = ([step.name for step in steps] for steps in (steps_a, steps_b))
    if sorted(names_a) != sorted(names_b):
        return "the two orders do not have the same units on the path"
    moved = _moved(names_a, names_b)
    return (
        _not_still(steps_a, steps_b, moved)
        or _other_links(steps_a, steps_b, moved)
        or _other_channels([steps_a[place] for place in moved], frames)
    )


def watched(steps_a: Sequence[Step], steps_b: Sequence[Step]) -> list[str]:
    """Return the blocks that must stay below their rails for two paths to do the same."""
    moved = _moved([step.name for step in steps_a], [step.name for step in steps_b])
    idle_alone = _only_idle_moved(steps_a, steps_b, moved)
    moved_steps = [steps_a[place] for place in moved]
    return [step.name for step in moved_steps if step.gate.is_never_on or not idle_alone]


def _only_idle_moved(steps_a: Sequence[Step], steps_b: Sequence[Step], moved: range) -> bool:
    """Whether what is on at some time keeps its sequence: only units that are off change places."""
    sounding_a, sounding_b = (
        [steps[place].name for place in moved if not steps[place].gate.is_never_on]
        for steps in (steps_a, steps_b)
    )
    return sounding_a == sounding_b


def _moved(names_a: Sequence[str], names_b: Sequence[str]) -> range:
    """Return the places from the first to the last at which two sequences differ."""
    apart = [place for place, name in enumerate(names_a) if name != names_b[place]]
    return range(apart[0], apart[-1] + 1) if apart else range(0)


def _not_still(steps_a: Sequence[Step], steps_b: Sequence[Step], moved: range) -> str | None:
    """Say which unit is not linear and time-invariant, or is another one in the other order."""
    others = {step.name: step for step in steps_b}
    idle_alone = _only_idle_moved(steps_a, steps_b, moved)
    for place, step in enumerate(steps_a):
        if place in moved:
            if not isinstance(step.unit, Block):
                return "a part of the amplifier stands between"
            if not idle_alone and (reason := _not_lti(step, step.unit)):
                return f"{step.name} is {reason}"
        if not _same_unit(step, others[step.name]):
            return f"{step.name} is not the same in both orders"
    return None


def _not_lti(step: Step, block: Block) -> str | None:
    if not step.gate.is_constant:
        return "switched"
    if step.moment.curves or step.moment.takes or step.versions:
        return "set or played while it goes on"
    if not step.gate.is_never_on and not block.is_lti():
        return "not linear and time-invariant"
    return None


def _same_unit(a: Step, b: Step) -> bool:
    """Whether two steps do the same with the same volts on their input."""
    return (a.unit, a.moment, a.gate, a.ends, a.joins_dry, a.versions) == (
        b.unit, b.moment, b.gate, b.ends, b.joins_dry, b.versions,
    )  # fmt: skip


def _other_links(steps_a: Sequence[Step], steps_b: Sequence[Step], moved: range) -> str | None:
    """Say where a link is another one, or one that touches the moved blocks folds channels."""
    from_moved = {steps_a[place].out.wire for place in moved}
    for place, (step, other) in enumerate(zip(steps_a, steps_b, strict=True)):
        if len(step.feeds) != len(other.feeds):
            return f"what drives {_between(step, other)} is switched otherwise"
        for feed, its in zip(step.feeds, other.feeds, strict=True):
            touches = place in moved or feed.origin in from_moved
            if touches and (feed.fold or its.fold):
                return f"two channels are folded to one at {_between(step, other)}"
            if place in moved and place != moved.start and (feed.shares or its.shares):
                return f"what drives {_between(step, other)} is switched"
            if not _same_feed(feed, its, step.moment.rate):
                return f"the link into {_between(step, other)} is no wire"
    return None


def _between(step: Step, other: Step) -> str:
    return step.name if step.name == other.name else f"{step.name} or {other.name}"


def _same_feed(a: Feed, b: Feed, rate: int) -> bool:
    """Whether two feeds do the same with the volts at their origins: wires, or equal filters."""
    if (a.origin, a.fold, a.shares) != (b.origin, b.fold, b.shares):
        return False
    if all(link.is_wire for link in (*a.links, *b.links)):
        return True
    return len(a.links) == len(b.links) == 1 and _same_filter(a.links[0], b.links[0], rate)


def _same_filter(a: Link, b: Link, rate: int) -> bool:
    sections_a, sections_b = a.sections(rate), b.sections(rate)
    if sections_a is None or sections_b is None:
        return sections_a is sections_b
    return np.array_equal(sections_a, sections_b)


def _other_channels(steps: Sequence[Step], frames: int) -> str | None:
    """Say which of the moved blocks has other channels, or that two of them mix channels."""
    blocks = [step.unit for step in steps if isinstance(step.unit, Block)]
    for step, block in zip(steps, blocks, strict=True):
        if block.inputs != block.outputs:
            return f"{step.name} does not have as many outputs as inputs"
    counts = {block.inputs for block in blocks}
    if len(counts) > 1:
        return "one of the blocks has one channel, another two"
    if counts == {2}:
        mixing = [step.name for step in steps if not _alike_on_both(step, frames)]
        if len(mixing) > 1:
            return f"{' and '.join(mixing)} treat left and right each in their own way"
    return None


def _alike_on_both(step: Step, frames: int) -> bool:
    """Whether a unit with two channels does the same with each, and keeps them apart.

    It is linear and time-invariant, so what it makes of an impulse on one channel, and of one on
    the other, for as long as the sound lasts, says all about it.
    """
    if step.gate.is_never_on or not isinstance(step.unit, Block):
        return True
    responses = []
    for channel in (0, 1):
        impulse = np.zeros((2, frames))
        impulse[channel, 0] = _IMPULSE_VOLTS
        responses.append(step.unit.process(impulse, step.moment))
    (own_left, to_right), (to_left, own_right) = responses
    apart = not to_right.any() and not to_left.any()
    return apart and np.array_equal(own_left, own_right)


def _near_a_rail(both: Iterable[Rendering], names: Sequence[str]) -> str | None:
    """Say which of the moved blocks is driven to within 1 dB of a rail."""
    for rendering in both:
        for name in names:
            for end in ("in", "out"):
                point = rendering.points.get(f"{name}.{end}")
                headroom = point.headroom if point else None
                if headroom is not None and headroom.db < NEAR_A_RAIL_DB:
                    return f"{name} comes within {NEAR_A_RAIL_DB:g} dB of its rail"
    return None
