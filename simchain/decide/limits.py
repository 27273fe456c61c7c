"""Why a target cannot be met: the control that comes nearest, its curve, and what holds it back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from simchain.decide.approach import WITHIN_LU
from simchain.decide.meter import Floats, Heard, Meter
from simchain.decide.targets import (
    LAST_RESORT,
    LevelControl,
    Target,
    acts_in,
    level_control,
)

# A curve that rises by less than this share of what the control is turned has something in its way.
HELD_BACK_SHARE = 0.7
CURVE_POINTS = 5
AMPLIFIER = {
    "amp.send": ("amp.in", "the amplifier's preamp", "turn its gain_db down"),
    "speaker": ("amp.return", "the amplifier's power stage", "turn its volume_db down"),
}


@dataclass(frozen=True)
class Limit:
    """What keeps one passage from its target.

    `control` comes nearest, or is '' where nothing moves the target. `curve` holds (value, LU):
    what the target counts, over the range of `control` in `unit`, the others as set. `text` says
    it in one sentence.
    """

    control: str
    unit: str
    curve: tuple[tuple[float, float], ...]
    text: str


@dataclass(frozen=True, eq=False)
class _Curve:
    """One control turned through its range, the others as set."""

    target: Target
    control: LevelControl
    values: tuple[float, ...]
    heard: tuple[dict[str, Heard], ...]
    lu: Floats = field(init=False)

    def __post_init__(self) -> None:
        reached = [
            self.target.reached({name: heard.lufs for name, heard in one.items()})
            for one in self.heard
        ]
        object.__setattr__(self, "lu", np.array(reached))

    @property
    def nearest(self) -> int:
        """Place of the value that comes nearest to the target."""
        return int(np.abs(self.lu - self.target.lu).argmin())

    @property
    def miss(self) -> float:
        """How far the nearest value stays from the target, in LU."""
        return float(abs(self.lu[self.nearest] - self.target.lu))

    @property
    def crossing(self) -> float:
        """The value at which the target is met, on straight lines between the points."""
        for (low, high), (first, last) in zip(
            pairwise(self.values), pairwise(self.lu - self.target.lu), strict=True
        ):
            if first * last <= 0.0 and first != last:
                return low + (high - low) * float(first / (first - last))
        return self.values[self.nearest]

    def between(self, target: Target, value: float) -> float:
        """Return what `target` reads with the control at `value`, on straight lines."""
        reached = [
            target.reached({name: heard.lufs for name, heard in one.items()}) for one in self.heard
        ]
        return float(np.interp(value, self.values, reached))

    @property
    def passes(self) -> bool:
        """Whether the target lies between the lowest and the highest point."""
        return bool(self.lu.min() - WITHIN_LU <= self.target.lu <= self.lu.max() + WITHIN_LU)


def limit_of(meter: Meter, settings: Floats, target: Target, targets: Sequence[Target]) -> Limit:
    """Return what keeps `target` from being met with the controls at `settings`.

    A few more renders are made: both ends of every control that could help, and the curve of the
    one that comes nearest.
    """
    levers = _levers(meter, target)
    if not levers:
        return Limit("", "", (), _nothing_to_turn(target))
    ends = [_curve(meter, settings, target, place, both_ends=True) for place in levers]
    best = min(zip(ends, levers, strict=True), key=lambda pair: pair[0].miss)[1]
    curve = _curve(meter, settings, target, best)
    points = tuple(zip(curve.values, (float(lu) for lu in curve.lu), strict=True))
    text = _text(meter, curve, targets)
    return Limit(str(curve.control), curve.control.unit, points, text)


def spoken(target: Target) -> str:
    """Return a target as words: "3.0 LU above riff", "level with verse", "-20.0 LUFS"."""
    if target.against is None:
        return f"{target.lu:.1f} LUFS"
    if target.lu == 0.0:
        return f"level with {target.against}"
    return f"{abs(target.lu):.1f} LU {'above' if target.lu > 0 else 'below'} {target.against}"


def _levers(meter: Meter, target: Target) -> list[int]:
    """Return the controls that move the passage alone, else its reference alone, else both."""
    acting = [meter.acting[meter.passages.index(name)] for name in target.passages]
    own, other = acting[0], acting[-1] & (len(acting) > 1)
    for found in (own & ~other, other & ~own, own & other):
        if found.any():
            return [int(place) for place in np.flatnonzero(found)]
    return []


def _curve(
    meter: Meter, settings: Floats, target: Target, place: int, *, both_ends: bool = False
) -> _Curve:
    control = meter.controls[place]
    values = {control.low, control.high}
    if not both_ends:
        values |= {control.start, float(settings[place])}
        for value in np.linspace(control.low, control.high, CURVE_POINTS)[1:-1]:
            if min(abs(value - known) for known in values) > (control.high - control.low) / 10.0:
                values.add(control.rounded(float(value), 1))
    ordered = tuple(sorted(values))
    places = [np.array([*settings[:place], value, *settings[place + 1 :]]) for value in ordered]
    names = meter.passages if not both_ends else target.passages
    return _Curve(target, control, ordered, tuple(meter.heard(places, names)))


def _text(meter: Meter, curve: _Curve, targets: Sequence[Target]) -> str:
    target, control = curve.target, curve.control
    if curve.passes:
        return _in_conflict(curve, targets)
    first, last = _first_and_last(curve)
    gained = float(curve.lu[last] - curve.lu[first])
    turned = curve.values[last] - curve.values[first]
    lifts = target.lu > curve.lu[last]
    does = "lift" if lifts else "bring"
    down = "" if lifts else "down "
    start = f"{control} cannot {does} {target.passage} {down}to {spoken(target)}"
    span = f"from {_value(curve, first)} to {_value(curve, last)}"
    if control.unit.startswith("dB") and abs(gained) >= HELD_BACK_SHARE * abs(turned):
        short = abs(float(target.lu - curve.lu[last]))
        return (
            f"{start}: {_value(curve, last)} is as far as it is usually turned, and {short:.1f} LU "
            "are missing there; name one more control in [set_levels] controls"
        )
    moves = f"{span} it {'gains' if lifts else 'takes off'} only {abs(gained):.1f} LU"
    return f"{start}: {moves}{_because(meter, curve, first, last)}"


def _first_and_last(curve: _Curve) -> tuple[int, int]:
    """Return the places of where the board has the control and of the end that comes nearest."""
    last = curve.nearest
    first = curve.values.index(curve.control.start)
    if first == last:
        first = 0 if last else len(curve.values) - 1
    return first, last


def _in_conflict(curve: _Curve, targets: Sequence[Target]) -> str:
    """Say that the control would do, and which other targets it would spoil."""
    target, value = curve.target, curve.crossing
    spoilt = [
        other.passage
        for other in targets
        if other != target and abs(curve.between(other, value) - other.lu) > WITHIN_LU
    ]
    but = f"but then {' and '.join(spoilt)} would miss" if spoilt else "but no way there was found"
    return (
        f"{curve.control} alone could bring {target.passage} to {spoken(target)}, near "
        f"{value:.1f} {curve.control.unit}".rstrip()
        + f", {but}; name one more control in [set_levels] controls, or ask for less"
    )


def _because(meter: Meter, curve: _Curve, first: int, last: int) -> str:
    """Say where the level that the control adds is lost, from the levels along the path."""
    target, control = curve.target, curve.control
    acts = meter.acting[meter.passages.index(target.passage), meter.controls.index(control)]
    passage = target.passage if acts else str(target.against)
    before, after = (curve.heard[place][passage].rms_dbu for place in (first, last))
    rise = {name: after[name] - before[name] for name in before if np.isfinite(before[name])}
    names = list(rise)
    if f"{control.block}.out" not in names:
        return ""
    behind = names[names.index(f"{control.block}.out") :]
    lost = [abs(rise[a]) - abs(rise[b]) for a, b in pairwise(behind)]
    turned = abs(curve.values[last] - curve.values[first])
    own = turned - abs(rise[behind[0]]) if control.unit.startswith("dB") else 0.0
    if own > max(lost, default=0.0):
        return (
            f", because {control.block} itself gives no more: its output {_by(rise[behind[0]])}; "
            "turn up something behind it, or give it less to start from"
        )
    if max(lost, default=0.0) < 0.5:
        return ""
    culprit = behind[1:][int(np.argmax(lost))]
    return _held_back(meter, target, control, culprit, rise)


def _held_back(
    meter: Meter, target: Target, control: LevelControl, culprit: str, rise: dict[str, float]
) -> str:
    stage = culprit.replace("amp2", "amp").replace("speaker2", "speaker")
    if stage in AMPLIFIER:
        entry, what, cure = AMPLIFIER[stage]
        arrives, advice = rise[entry], f"{cure}, or try another amplifier with --amp"
    else:
        what = culprit.rpartition(".")[0] or culprit
        arrives, advice = rise.get(f"{what}.in", rise[culprit]), f"put {control.block} after {what}"
        if _is_only_in(meter, what, target):
            advice += f", or turn {what}.{LAST_RESORT} up"
    return (
        f", because {what} gives no more: its input {_by(arrives)}, its output "
        f"{_by(rise[culprit])}; {advice}"
    )


def _is_only_in(meter: Meter, block: str, target: Target) -> bool:
    """Tell whether the level of `block` would move the target, and is not turned already."""
    board = meter.board
    if block not in board.blocks or f"{block}.{LAST_RESORT}" in map(str, meter.controls):
        return False
    control = level_control(board, block, LAST_RESORT)
    acting = [acts_in(board, board.order(meter.order), control, name) for name in target.passages]
    return acting[0] and not any(acting[1:])


def _nothing_to_turn(target: Target) -> str:
    where = f"on in {target.passage}"
    if target.against:
        where += f" and off in {target.against}"
    return (
        f"nothing that may be turned moves {target.passage} to {spoken(target)}: name a control "
        f"in [set_levels] controls, of a block that is {where}"
    )


def _by(db: float) -> str:
    return f"{'rises' if db >= 0 else 'falls'} by {abs(db):.1f} dB"


def _value(curve: _Curve, place: int) -> str:
    return f"{curve.values[place]:g} {curve.control.unit}".strip()
