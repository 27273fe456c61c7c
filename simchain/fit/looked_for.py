"""What is looked for in a recording: a block's free controls, and how its sound is compared."""

import importlib
import math
import pkgutil
from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block
from simchain.errors import RequestError
from simchain.fit.received import Received
from simchain.settings import unit_of

Floats = NDArray[np.float64]

MOST_RATIO = 1e6

_fits: "dict[str, type[KindFit]]" = {}


@dataclass(frozen=True)
class Free:
    """A control that is looked for between `low` and `high`, in its own unit.

    With `log` it moves in equal ratios, as corners and times do. `step` is a difference that just
    matters: decibels, or natural logarithm with `log`. `nested` is the place in a list of tables,
    as of an equalizer's bands: (list, number, key); else `control` is the setting's name.
    """

    control: str
    low: float
    high: float
    log: bool = False
    step: float = 0.1
    nested: tuple[str, int, str] | None = None

    def of(self, block: Block) -> float:
        """Return where the control stands in `block`, as a number that the search moves."""
        value = self._standing(block)
        return float(np.log(value) if self.log else value) / self.step

    def value(self, number: float) -> float:
        """Return the control's value for a number of the search, within its bounds."""
        moved = number * self.step
        value = float(np.exp(moved)) if self.log else moved
        return min(max(value, self.low), self.high)

    def bounds(self) -> tuple[float, float]:
        """Return the bounds as numbers of the search."""
        both = np.array([self.low, self.high])
        low, high = (np.log(both) if self.log else both) / self.step
        return float(low), float(high)

    def spread(self, number: float, deviation: float) -> float:
        """Return what a `deviation` of the search's number is in the control's own unit.

        Infinite for a ratio of more than a million: that is not told at all.
        """
        moved = deviation * self.step
        if not self.log:
            return float(moved)
        is_told = moved < math.log(MOST_RATIO)
        return float(self.value(number) * np.expm1(moved)) if is_told else math.inf

    def _standing(self, block: Block) -> float:
        if self.nested is None:
            return float(getattr(block, self.control))
        listed, number, key = self.nested
        return float(getattr(getattr(block, listed)[number], key))


@dataclass(frozen=True)
class Start:
    """Where a search begins: a block with its choices made, and which controls are free.

    `turn` is where a modulator stands when the recording begins, from 0 to 1, and is looked for
    where `turns` is set. Of starts that fit as well the one with the lowest `order` is taken.
    `chosen` names settings that are no free controls and are found with this start: a circuit, a
    level that is taken as 0; they are told and written like the others. `read` are controls that
    were read straight from the recording, which no search could mend, with their standard
    deviations in their own units; with no `free` control besides, nothing is searched. `late` is by
    how many frames the unit is about later than the block, where that is known.
    """

    block: Block
    free: tuple[Free, ...]
    turn: float = 0.0
    turns: bool = False
    order: int = 0
    chosen: tuple[str, ...] = ()
    read: tuple[tuple[Free, float], ...] = ()
    late: float | None = None

    def at(self, numbers: Floats) -> Block:
        """Return the block with its free controls at the search's `numbers`."""
        moved = [free.value(number) for free, number in zip(self.free, numbers, strict=False)]
        return with_controls(self.block, zip(self.free, moved, strict=True))


@dataclass(frozen=True)
class Stretch:
    """Parts of the recording, one after another, that are rendered and compared in one.

    `lead_s` before the first part is rendered too, and not compared: what rings into it. The block
    is rendered at `times` the rate, 1, 2, 4 or 8: for kinds whose times are a few frames, where a
    frame counts. `off_by` is the share of what is heard by which the kind's waveform may differ
    from a unit's: where it is small, noise decides how much an error counts, not how loud it is
    there, within `about_s`. Of the last part the first `seconds` count, or all of it.
    """

    first: str
    last: str
    lead_s: float = 0.25
    times: int = 1
    off_by: float = 1.0
    about_s: float = 0.05
    seconds: float | None = None


class KindFit(ABC):
    """How one kind's settings are found. A file of `fit.kinds` has one; it registers itself.

    `coarse` and `fine` are the stretches by which the search comes near, comparing levels in bands
    over time, and ends, comparing waveforms. With no `fine` it ends at levels in bands: for kinds
    whose waveform hangs on what no control says, as a room's does. With no `coarse` the starts
    are near already, and waveforms follow at once. `blind_to` names controls that
    the recording cannot tell, with the reason in plain words.
    """

    kind: ClassVar[str]
    coarse: ClassVar[Sequence[Stretch]] = (Stretch("steps1", "bursts1"),)
    fine: ClassVar[Sequence[Stretch]] = (Stretch("steps1", "bursts1"), Stretch("steps2", "bursts2"))
    blind_to: ClassVar[dict[str, str]] = {}

    def __init_subclass__(cls) -> None:
        _fits[cls.kind] = cls

    def stretches(
        self,
        block: Block,  # noqa: ARG002
        received: Received,  # noqa: ARG002
    ) -> tuple[Sequence[Stretch], Sequence[Stretch]]:
        """Return `coarse` and `fine`, where what `block`, the first start's, is set to decides."""
        return self.coarse, self.fine

    @abstractmethod
    def starts(self, block: Block, received: Received) -> Iterable[Start]:
        """Return where to begin: one for each choice that the recording leaves open.

        `block` is as the board has it: what is not looked for stays as it is there.
        """


def fit_of(kind: str) -> KindFit:
    """Return how a kind is fitted; raises RequestError for one that cannot be."""
    _load_kinds()
    if kind not in _fits:
        raise RequestError(
            f"a {kind} has no settings that a recording of these tones could tell; kinds that can "
            f"be fitted: {', '.join(sorted(_fits))}"
        )
    return _fits[kind]()


@cache
def _load_kinds() -> None:
    from simchain.fit import kinds

    for module in pkgutil.iter_modules(kinds.__path__):
        importlib.import_module(f"{kinds.__name__}.{module.name}")


def with_controls(block: Block, moved: Iterable[tuple[Free, float]]) -> Block:
    """Return `block` with controls at new values; lists of tables are changed place by place."""
    update: dict[str, object] = {}
    for free, value in moved:
        if free.nested is None:
            update[free.control] = value
            continue
        listed, number, key = free.nested
        rows = list(update.get(listed, getattr(block, listed)))  # type: ignore[call-overload]
        rows[number] = rows[number].model_copy(update={key: value})
        update[listed] = tuple(rows)
    return block.model_copy(update=update)


def unit_of_control(block: Block, free: Free) -> str:
    """Return the unit of a free control."""
    if free.nested is None:
        return unit_of(type(block).model_fields[free.control])
    listed, number, key = free.nested
    return unit_of(type(getattr(block, listed)[number]).model_fields[key])
