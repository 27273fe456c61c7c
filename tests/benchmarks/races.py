"""What each kernel is given to run against its twin in C: what a block gives it, caught on the way.

A twin has the kernel's name behind its module's (`diodes._step_through`: `diodes_step_through`)
and its arguments, each array followed by its sizes.
"""

import importlib
import math
import pkgutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import ModuleType
from typing import Any
from unittest.mock import patch

import numpy as np

import simchain.kernels
from simchain import clips, units
from simchain.amp import Amp, power, preamp
from simchain.blocks import kinds
from simchain.blocks.base import Moment
from simchain.blocks.compressor import AT_REST_DB, DB_A_NEPER, Compressor
from simchain.clips import recording
from simchain.clips.guitars import GUITARS
from simchain.kernels import (
    delay_line,
    delay_voices,
    diodes,
    dynamics,
    fuzz,
    gate,
    modulation,
    moving_lines,
    oversample,
    pitch,
    rails,
    reverb,
    strings,
    tables,
)
from tests.benchmarks.timing import RATE, ten_seconds

# Of a kernel that is called piece by piece, the longest of the first calls is caught.
CALLS = 60
# Loops that are run for no sample, and why.
NEED_NO_RACE = {
    "diodes._fill": "fills the table of f(B) once for each setting (6 ms), then is kept",
}


@dataclass(frozen=True)
class Race:
    """A kernel, its twin's name, and the arguments of both; arrays are copied before each run."""

    name: str
    kernel: Callable[..., Any]
    twin: str
    arguments: tuple[Any, ...]


Job = tuple[str, ModuleType, str, Callable[[np.ndarray], object]]


def block(kind: str, **settings: Any) -> Callable[[np.ndarray], object]:
    unit = kinds()[kind].model_validate(settings)
    return lambda line: unit.process(np.repeat(line[np.newaxis], unit.inputs, axis=0), Moment(RATE))


def jobs() -> Iterator[Job]:
    """Yield a name, the module in which the kernel is looked up, its name, and who calls it."""
    hot = Amp(gain_db=16)
    drive, phaser = block("drive"), {"shape": "phaser"}
    swept, passed = "_swept_line", "_all_passes"
    yield "compressor: detector", dynamics, "levels_to_reductions", block("compressor")
    yield "gate", gate, "peaks_to_reductions", block("gate", threshold_dbu=-30)
    yield "diode step", diodes, "_step_through", drive
    yield "fuzz: up to the second base", fuzz, "_step_to_base", block("fuzz")
    yield "fuzz: second collector", fuzz, "_read_means", block("fuzz")
    yield "modulated read (chorus)", modulation, swept, block("modulation")
    yield "phaser, 4 stages", modulation, passed, block("modulation", **phaser)
    yield "phaser, 12 stages", modulation, passed, block("modulation", stages=12, **phaser)
    yield "delay line, whole frames", delay_line, "_repeats", block("delay")
    yield "delay line, a fraction", delay_line, "_repeats", block("delay", time_ms=380.01)
    yield "delay: tape", delay_voices, "_tape", block("delay", voice="tape")
    yield "delay: buckets", delay_voices, "_buckets", block("delay", voice="bucket-brigade")
    yield "diffusing all-pass", delay_line, "_all_pass", block("reverb")
    yield "feedback delay network", reverb, "_network", block("reverb")
    yield "reverb: a line raised", moving_lines, "_add_raised", block("reverb", shimmer=0.5)
    yield "reverb: a line split", moving_lines, "_split", block("reverb", shimmer=0.5)
    yield "reverb: lines swaying", moving_lines, "_sway", block("reverb", motion=0.5)
    yield "reverb: lines kept", moving_lines, "_keep", block("reverb", motion=0.5)
    yield "octave: reading head", pitch, "_read", block("octave")
    yield "half-band, up by 2", oversample, "_double", lambda x: oversample.up(x, 2)
    yield "half-band, down by 2", oversample, "_halve", lambda x: oversample.down(x, 2)
    yield "half a sample late", oversample, "_halve_late", lambda x: oversample.down(x, 2, True)
    yield "rail's mean excess", rails, "_to_mean_excess", lambda x: rails.clipped(x, 0.03, RATE)
    yield "a string of a clip", strings, "ring", lambda _: one_string("lead", 2)
    yield (
        "amplifier: filter and curve",
        tables,
        "filter_and_shape",
        lambda x: preamp(hot, x[np.newaxis], RATE),
    )
    yield (
        "amplifier: the same under bias",
        tables,
        "filter_and_shape_under_bias",
        lambda x: preamp(hot, x[np.newaxis], RATE),
    )
    yield (
        "amplifier: curve under sag",
        tables,
        "shape_under_sag",
        lambda x: power(hot, 3 * x[np.newaxis], RATE),
    )


def one_string(clip: str, number: int) -> None:
    music = clips.piece(clip)
    guitar = GUITARS[music.guitar]
    recording.string_sound(music, guitar, guitar.strings[6 - number], number)


def races() -> Iterator[Race]:
    """Yield all races. A job whose kernel is not called any more is an error."""
    line = ten_seconds()
    for name, module, kernel, run in jobs():
        yield caught(name, module, kernel, lambda run=run: run(line))
    yield whole_compressor(line)


def caught(name: str, module: ModuleType, kernel: str, run: Callable[[], object]) -> Race:
    """Return the race that `run` shows: the kernel with the arguments of one call."""
    real = getattr(module, kernel, None)
    if real is None:
        raise SystemExit(f"{name}: {module.__name__} has no {kernel} any more: mend its job")
    found: tuple[Any, ...] = ()
    calls = longest = 0

    def spy(*arguments: Any) -> Any:
        nonlocal calls, found, longest
        calls += 1
        size = sum(v.size for v in arguments if isinstance(v, np.ndarray))
        if calls <= CALLS and size >= longest:
            longest, found = size, copied(arguments)
        return real(*arguments)

    with patch.object(module, kernel, spy):
        run()
    if not found:
        raise SystemExit(f"{name}: {module.__name__}.{kernel} was not called: mend its job")
    return Race(name, real, twin_of(real), found)


def copied(arguments: tuple[Any, ...]) -> tuple[Any, ...]:
    return tuple(v.copy() if isinstance(v, np.ndarray) else v for v in arguments)


def twin_of(kernel: Callable[..., Any]) -> str:
    return f"{kernel.__module__.rpartition('.')[2]}_{kernel.__name__.lstrip('_')}"


def whole_compressor(line: np.ndarray) -> Race:
    """The block from end to end, whose logarithms and exponentials numpy takes, against C alone."""
    unit = Compressor()
    curve = np.array((unit.threshold_dbu - unit._sag_db(), 1 - 1 / unit.ratio, unit.knee_db))
    attack, release = (math.exp(-1e3 / (ms * RATE)) for ms in (unit.attack_ms, unit.release_ms))
    level = np.array((DB_A_NEPER, DB_A_NEPER * math.log(units.dbu_to_peak_volts(0.0))))
    numbers = (curve, attack, release, AT_REST_DB, level, float(unit.makeup_db))

    def whole(volts: np.ndarray, *rest: Any) -> None:
        rest[-1][:] = unit.process(volts[np.newaxis], Moment(RATE))[0]

    everything = (line, *numbers, np.empty(line.size))
    return Race("compressor: level, detector, gain", whole, "dynamics_compressed", everything)


def kernels_without_a_race(run: list[Race]) -> list[str]:
    """Return the loops that neither race, nor help another in their file, nor are excused."""
    found = set()
    for entry in pkgutil.iter_modules(simchain.kernels.__path__):
        module = importlib.import_module(f"simchain.kernels.{entry.name}")
        own = [
            one
            for one in vars(module).values()
            if hasattr(one, "py_func") and one.__module__ == module.__name__
        ]
        helped = {name for one in own for name in one.py_func.__code__.co_names}
        raced = [race.kernel for race in run]
        found |= {
            f"{entry.name}.{one.__name__}"
            for one in own
            if one.__name__ not in helped and one not in raced
        }
    if gone := NEED_NO_RACE.keys() - found:
        raise SystemExit(f"excused from racing for nothing: {', '.join(sorted(gone))}")
    return sorted(found - NEED_NO_RACE.keys())
