"""What every block has: the settings common to all kinds, and the register of kinds.

A kind is one file in this folder with one class; importing the folder's files registers them.
"""

import importlib
import pkgutil
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Self, get_args

import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator

from simchain import units
from simchain.settings import Pair, PlaceMm, Settings, SizeMm, control, movable_in
from simchain.signal import Volts

if TYPE_CHECKING:
    from simchain.blocks._loops import Loop

_kinds: "dict[str, type[Block]]" = {}

CONVERTER_CEILING_DBU = 9.0
CONVERTER_LATENCY_MS = 1.5


@dataclass(frozen=True)
class Curve:
    """How one control moves through a passage: straight lines between (frame, value) points.

    Before the first point and after the last it rests. With `in_log` the lines are straight in the
    value's logarithm, as a control in Hz moves.
    """

    points: tuple[tuple[int, float], ...]
    in_log: bool = False

    def values(self, frames: int, first: int = 0) -> Volts:
        """Return the control's value at each of `frames` frames from `first` on, in its unit."""
        return self._at(np.arange(first, first + frames))

    def value(self, frame: int) -> float:
        """Return the control's value at one frame."""
        return float(self._at(np.array([frame]))[0])

    def _at(self, frames: NDArray[np.int64]) -> Volts:
        places, values = np.array(self.points, dtype=np.float64).T
        if self.in_log:
            values = np.log(values)
        line: Volts = np.interp(frames, places, values)
        return np.exp(line) if self.in_log else line


@dataclass(frozen=True)
class Take:
    """Something done to a loop at `frame`: record, play, overdub or stop."""

    frame: int
    do: Literal["record", "play", "overdub", "stop"]


@dataclass(frozen=True)
class Moment:
    """What a block may know besides its settings.

    `rate` in frames a second. `seed` comes from the block's name. `turn` shifts the phase of
    free-running modulators, in turns from 0 to 1; they have been running for `before_s` when the
    sound begins. `curves` holds the controls that move, `takes` what is done to the block's loop,
    in time order.
    """

    rate: int
    seed: int = 0
    turn: float = 0.0
    curves: tuple[tuple[str, Curve], ...] = ()
    takes: tuple[Take, ...] = ()
    before_s: float = 0.0

    def moving(self, control: str, frames: int, first: int = 0) -> Volts | None:
        """Return the values of `control` at `frames` frames from `first` on; None at rest."""
        for name, curve in self.curves:
            if name == control:
                return curve.values(frames, first)
        return None


def input_ohm(default: float, usual: tuple[float, float]) -> Any:
    """Declare a kind's input impedance."""
    return control(default, "input impedance", unit="ohm", ge=1, le=100e6, usual=usual)


def output_ohm(default: float, usual: tuple[float, float]) -> Any:
    """Declare a kind's output impedance."""
    return control(default, "output impedance", unit="ohm", ge=1, le=100e6, usual=usual)


def current_ma(default: float, usual: tuple[float, float]) -> Any:
    """Declare what a kind draws from its supply."""
    return control(default, "current drawn from the supply", unit="mA", ge=0, le=5000, usual=usual)


def noise_nv(default: float) -> Any:
    """Declare a kind's noise density at its input."""
    return control(default, "noise at the input", unit="nV/√Hz", ge=0, le=1e6, usual=(0, 100))


def noise_out_uv(default: float) -> Any:
    """Declare the noise a kind makes at its output, over 20 kHz."""
    return control(
        default, "noise made at the output, 20 kHz band", unit="µV", ge=0, le=1e6, usual=(0, 300)
    )


def level_db(default: float) -> Any:
    """Declare a kind's level control, the last thing in the unit, after its rails."""
    return control(
        default,
        "level control, after the rails",
        unit="dB",
        ge=-60,
        le=80,
        usual=(-40, 12),
        movable=True,
    )


class Block(Settings):
    """One unit while it is on. Bypass, links, rails, noise, level and folding belong to chain/step.

    A kind gives `kind`, `about` (what it is, two lines for a guitarist), `checked_against`, and
    `process_over`. `deepest` says in physical units what depth 1 means, where there is a depth.
    With one that `works_on_noise` switched on, sounds are rendered with hum and hiss. One that
    `always_passes` its input is never bypassed: to switch it off only stops its loop.
    """

    kind: ClassVar[str]
    about: ClassVar[str]
    checked_against: ClassVar[str] = ""
    works_on_noise: ClassVar[bool] = False
    always_passes: ClassVar[bool] = False
    deepest: ClassVar[str] = ""

    bypass: Literal["true", "buffered"] = control(
        "true", "what the footswitch does when off: a straight wire, or a buffer that stays in"
    )
    fade_ms: float = control(5.0, "cross-fade when switched", unit="ms", ge=0, le=100)
    inputs: Literal[1, 2] = control(1, "input channels")
    outputs: Literal[1, 2] = control(1, "output channels")
    mono: Literal["mean", "left"] = control(
        "mean", "what a one-input block takes from two channels"
    )
    input_ohm: float = input_ohm(1e6, (100e3, 10e6))
    output_ohm: float = output_ohm(1e3, (50, 25e3))
    supply_volts: float = control(9.0, "supply voltage", unit="V", gt=0, le=60, usual=(9, 18))
    rail_margin_volts: float = control(
        1.0, "what the circuit loses at each rail", unit="V", ge=0, le=10, usual=(0, 2)
    )
    rail_volts: float | None = control(
        None, "rail, in place of half the supply less the margin", unit="V", gt=0, le=200
    )
    max_dbu: float | None = control(
        None,
        "ceiling of a digital unit's converters, whatever the supply",
        unit="dBu",
        ge=-40,
        le=40,
        usual=(0, 14),
    )
    current_ma: float = current_ma(10, (0.3, 300))
    noise_nv: float = noise_nv(10)
    noise_out_uv: float = noise_out_uv(0)
    level_db: float = level_db(0.0)
    latency_ms: float | None = control(
        None,
        "delay of a digital unit's converters, on its wet path (1.5 when digital, else 0)",
        unit="ms",
        ge=0,
        le=100,
        usual=(0, 25),
    )
    invert: bool = control(False, "the unit turns the signal over")
    box: str | None = control(None, "blocks with the same box share one housing")
    purpose: str = control("", "what the block is for, printed on the sheets")
    digital: bool | None = control(None, "digital unit; left out, the kind decides")
    supply_range_volts: Pair | None = control(
        None, "supply voltages the unit takes, lowest and highest", unit="V"
    )
    polarity: Literal["centre-negative", "centre-positive"] = control(
        "centre-negative", "polarity of the supply plug"
    )
    size_mm: SizeMm | None = control(None, "width and depth", unit="mm")
    at_mm: PlaceMm | None = control(
        None, "its left front corner, from the board's left front corner", unit="mm"
    )
    input_side: Literal["right", "left", "top", "front"] | None = control(None, "input jack's side")
    output_side: Literal["right", "left", "top", "front"] | None = control(
        None, "output jack's side"
    )
    controls_side: Literal["right", "left", "top", "front"] | None = control(
        None, "side on which controls sit"
    )
    reach: Literal["often", "seldom"] | None = control(None, "how often a foot must find it")

    def __init_subclass__(cls, **options: Any) -> None:
        super().__init_subclass__(**options)
        if "kind" in cls.__dict__:
            _kinds[cls.kind] = cls

    @model_validator(mode="after")
    def _has_room_below_its_rails(self) -> Self:
        if self.rail_volts is None and self.supply_volts / 2 <= self.rail_margin_volts:
            raise ValueError(
                f"supply_volts = {self.supply_volts:g} leaves nothing: half of it must be more "
                f"than rail_margin_volts = {self.rail_margin_volts:g}"
            )
        return self

    @classmethod
    def movable(cls) -> frozenset[str]:
        """Names of the controls that may move during a passage."""
        return movable_in(cls)

    @property
    def is_digital(self) -> bool:
        """Whether the modelled unit has converters."""
        return bool(self.digital)

    @property
    def ceiling_volts(self) -> float:
        """Peak volts at which the unit's inputs, buffers and outputs clip.

        The converters of a digital unit decide whatever the supply, unless a rail is given.
        """
        converters = self.max_dbu
        if converters is None and self.is_digital:
            converters = CONVERTER_CEILING_DBU
        if converters is not None:
            limit = units.dbu_to_peak_volts(converters)
            return limit if self.rail_volts is None else min(limit, self.rail_volts)
        return self.rail_volts or self.supply_volts / 2 - self.rail_margin_volts

    @property
    def wet_latency_s(self) -> float:
        """Seconds by which the unit's converters delay its wet path."""
        if self.latency_ms is not None:
            return self.latency_ms / 1e3
        return CONVERTER_LATENCY_MS / 1e3 if self.is_digital else 0.0

    @property
    def pot(self) -> tuple[float, float] | None:
        """Ohms and the wiper's share of a unit that is a bare pot while on; None for others.

        Such a unit drives nothing: it belongs to the link between its neighbours.
        """
        return None

    def nominal_gain_db(self) -> float | None:
        """Return the level change of small signals in mid-band, before `level_db`.

        None where it depends on the signal, or is not known without a sound.
        """
        return None

    def not_yet(self) -> str | None:
        """Say in one line what these settings ask for that is not simulated yet, or None."""
        return None

    def is_lti(self) -> bool:
        """Whether, with these settings and below the rails, it is linear and time-invariant."""
        return False

    @property
    def has_trails(self) -> bool:
        """Whether its tail rings on when the unit is switched off."""
        return False

    @property
    def loop(self) -> "Loop | None":
        """The loop that can be recorded and played in it, or None."""
        return None

    def direct_share(self) -> float:
        """Share of the direct sound in what comes out, before gain and level."""
        return 1.0

    def late_s(self) -> float:
        """Seconds by which converters delay all that comes out; 0 where some of it is direct."""
        return 0.0

    def widens(self) -> bool:
        """Whether its two outputs, where it has them, differ."""
        return False

    def modulates(self) -> bool:
        """Whether it sways by itself, at a phase that is another one each time it is played."""
        return False

    def frozen(self) -> Self:
        """Return the unit with what sways by itself held still, and no copies that sway."""
        return self

    def dry(self) -> Self:
        """Return the unit without its echoes and its room."""
        return self

    def process(self, volts: Volts, now: Moment) -> Volts:
        """Return what the unit makes of `volts`, ideally powered, before its output rail and level.

        `volts` has shape (self.inputs, frames) and is not written to; the result has shape
        (self.outputs, frames), C-contiguous, without delay.
        """
        return self.process_over(np.array(volts, dtype=np.float64, order="C"), now)

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """Return the same from `volts` that nobody else needs: they may be written over.

        This is what a kind gives. A long sound then needs room once; besides it no more is taken
        than half of `volts`, but for what a kind's own text says.
        """
        raise NotImplementedError


# What people call some of them.
CALLED = {
    "buffer": 'boost with gain_db = 0, or a tuner with bypass = "buffered"',
    "distortion": "drive",
    "echo": "delay",
    "eq": "equalizer",
    "overdrive": "drive",
    "preamp": "piezo_preamp (an amplifier's is in [amps.NAME])",
}


def kind_with_choice(word: str) -> str:
    """Say which kind is meant: by what people call it, or by a setting's choices.

    "phaser" is a modulation's shape.
    """
    if word in CALLED:
        return f"; it is a {CALLED[word]}"
    for name, kind in kinds().items():
        for key, field in kind.model_fields.items():
            if key not in Block.model_fields and word in get_args(field.annotation):
                return f'; it is a {name} with {key} = "{word}"'
    return ""


def kind_named(name: str) -> type[Block] | None:
    """Return a kind by its name, or None; no other kind's file is loaded for it."""
    if name in _files():
        importlib.import_module(f"simchain.blocks.{name}")
    return _kinds.get(name)


@cache
def kinds() -> dict[str, type[Block]]:
    """Return every kind of block by name, in alphabetical order."""
    for name in _files():
        importlib.import_module(f"simchain.blocks.{name}")
    return dict(sorted(_kinds.items()))


@cache
def _files() -> frozenset[str]:
    package = importlib.import_module("simchain.blocks")
    return frozenset(module.name for module in pkgutil.iter_modules(package.__path__))
