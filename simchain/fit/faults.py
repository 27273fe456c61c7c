"""What can be wrong with one thing on a finished board, each as a board that can be played."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from simchain.fit.wired import Wired
from simchain.settings import limits_of, unit_of

What = Literal[
    "off",
    "on",
    "exchanged",
    "pad",
    "level",
    "control",
    "supply",
    "dull",
    "upside_down",
    "dead",
]

# What is tried first of a number that is free, as it is on the board (added, or times it).
_PADS_DB = (-3.0, -8.0, -16.0, -30.0)
_MORE_OR_LESS_DB = (-12.0, -5.0, 5.0, 10.0)
_CORNERS_HZ = (8_000.0, 3_500.0, 1_500.0, 600.0)
_RAILS = (0.7, 0.45, 0.3)
_SHARES = (0.0, 0.15, 0.35, 0.6, 0.85, 1.0)
_MOST_FEEDBACK = 0.9  # of more it would never die away
_TIMES = (0.5, 0.6, 0.7, 0.8, 0.9, 1.12, 1.25, 1.4, 1.6, 2.0)
_DECAYS = (0.4, 0.65, 1.5, 2.5)
_TONES = (0.25, 0.5, 2.0)
# Controls that may stand otherwise than planned, by name: a number of decibels more or less, a
# share of the whole, or times what was planned.
_ADDED_TO = {"gain_db", "makeup_db", "threshold_dbu"}
_SHARES_OF = {"mix", "feedback", "depth", "position"}
_TIMES_OF = {"time_ms": _TIMES, "decay_s": _DECAYS, "tone_hz": _TONES}
# So little of a number is no fault: within what real boards part by.
LEAST_DB, LEAST_SHARE, LEAST_FACTOR = 1.5, 0.07, 1.06


@dataclass(frozen=True)
class Fault:
    """One thing that is not as planned.

    `blocks` are those it is about: of `pad` and `dull` the neighbours of the place, `gap` its
    number among the blocks that are on. `planned` is the plan's own number where one is free,
    `tried` are those that are played first, `log` says that it is counted in ratios.
    """

    what: What
    blocks: tuple[str, ...]
    control: str = ""
    gap: int = 0
    planned: float = 0.0
    tried: tuple[float, ...] = ()
    log: bool = False
    unit: str = ""

    @property
    def has_number(self) -> bool:
        """Whether a number is free."""
        return bool(self.tried)

    def board(self, wired: Wired, number: float = 0.0) -> Wired:
        """Return the board with this fault, its free number at `number`."""
        if self.what == "pad":
            return wired.with_lead(self.gap, gain_db=number)
        if self.what == "dull":
            return wired.with_lead(self.gap, corner_hz=number)
        return _MADE[self.what](self, wired, number)

    def is_small(self, number: float) -> bool:
        """Whether `number` is so near to the plan's that it is none."""
        if self.what == "dull":
            return number > 15e3
        if self.log:
            ratio = max(number / self.planned, self.planned / number)
            return ratio < (1.15 if self.what == "supply" else LEAST_FACTOR)
        return abs(number - self.planned) < (LEAST_SHARE if self.unit == "" else LEAST_DB)


def _exchanged(fault: Fault, wired: Wired, number: float) -> Wired:  # noqa: ARG001
    return wired.exchanged(*fault.blocks)


def _switched(fault: Fault, wired: Wired, number: float) -> Wired:  # noqa: ARG001
    return wired.switched(fault.blocks[0], on=fault.what == "on")


def _turned(fault: Fault, wired: Wired, number: float) -> Wired:
    return wired.turned(fault.blocks[0], fault.control, number)


def _low_supply(fault: Fault, wired: Wired, number: float) -> Wired:
    return wired.turned(fault.blocks[0], "rail_volts", number)


def _upside_down(fault: Fault, wired: Wired, number: float) -> Wired:  # noqa: ARG001
    block = wired.board.blocks[fault.blocks[0]]
    return wired.with_block(fault.blocks[0], block.model_copy(update={"invert": not block.invert}))


def _dead(fault: Fault, wired: Wired, number: float) -> Wired:  # noqa: ARG001
    return wired.turned(fault.blocks[0], "level_db", -400.0)


_MADE: dict[str, Callable[[Fault, Wired, float], Wired]] = {
    "off": _switched,
    "on": _switched,
    "exchanged": _exchanged,
    "level": _turned,
    "control": _turned,
    "supply": _low_supply,
    "upside_down": _upside_down,
    "dead": _dead,
}


def faults_of(wired: Wired) -> Iterator[Fault]:
    """Yield all single faults of a board that lets something through."""
    yield from (Fault("off", (name,)) for name in wired.on)
    yield from (Fault("on", (name,)) for name in wired.off)
    yield from _exchanges(wired)
    yield from _leads(wired)
    for name in wired.on:
        yield from _of_block(wired, name)


def dead_of(wired: Wired) -> Iterator[Fault]:
    """Yield the faults by which nothing comes through."""
    yield from (Fault("dead", (name,)) for name in wired.on)
    yield from (Fault("on", (name,)) for name in wired.off if _mutes(wired, name))


def _mutes(wired: Wired, name: str) -> bool:
    return wired.board.blocks[name].kind == "tuner"


def _exchanges(wired: Wired) -> Iterator[Fault]:
    """Yield exchanges of two blocks, one for each sequence of those that are on."""
    seen = {wired.on}
    for a, b in combinations(wired.names, 2):
        sounding = wired.exchanged(a, b).on
        if sounding not in seen:
            yield Fault("exchanged", (a, b))


def _leads(wired: Wired) -> Iterator[Fault]:
    on = wired.on
    for gap in range(len(on) + 1):
        beside = on[max(0, gap - 1) : gap + 1]
        yield Fault("pad", beside, gap=gap, tried=_PADS_DB, unit="dB")
        yield Fault("dull", beside, gap=gap, planned=20e3, tried=_CORNERS_HZ, log=True, unit="Hz")


def _of_block(wired: Wired, name: str) -> Iterator[Fault]:
    block = wired.board.blocks[name]
    yield Fault("upside_down", (name,))
    fields = type(block).model_fields
    if block.pot is None:
        level = block.level_db
        numbers = tuple(level + more for more in _MORE_OR_LESS_DB)
        yield Fault("level", (name,), "level_db", planned=level, tried=numbers, unit="dB")
        if not block.is_digital:
            ceiling = block.ceiling_volts
            rails = tuple(ceiling * share for share in _RAILS)
            yield Fault("supply", (name,), planned=ceiling, tried=rails, log=True, unit="V")
    for control in (*_ADDED_TO, *_SHARES_OF, *_TIMES_OF):
        if control in fields and (planned := _planned(wired, name, control)) is not None:
            low, high = limits_of(fields[control])
            numbers = tuple(
                number
                for number in _first_numbers(control, planned)
                if (low is None or number >= low) and (high is None or number <= high)
            )
            fault = Fault(
                "control",
                (name,),
                control,
                planned=planned,
                tried=numbers,
                log=control in _TIMES_OF,
                unit=unit_of(fields[control]),
            )
            if fault.tried:
                yield fault


def _first_numbers(control: str, planned: float) -> tuple[float, ...]:
    if control in _ADDED_TO:
        return tuple(planned + more for more in _MORE_OR_LESS_DB)
    if control in _SHARES_OF:
        most = _MOST_FEEDBACK if control == "feedback" else 1.0
        apart = (share for share in _SHARES if abs(share - planned) >= LEAST_SHARE)
        return tuple(share for share in apart if share <= most)
    return tuple(planned * times for times in _TIMES_OF[control])


def _planned(wired: Wired, name: str, control: str) -> float | None:
    block = wired.board.blocks[name]
    if control == "time_ms":
        return float(getattr(block, "delay_ms", 0.0)) or None
    value = getattr(block, control)
    return None if value is None or (value == 0.0 and control in _TIMES_OF) else float(value)
