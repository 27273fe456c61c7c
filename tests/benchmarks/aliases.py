"""Print how far aliases lie below the sound: python -m tests.benchmarks.aliases

Total power between the harmonics, from above 0 Hz to 20 kHz, against the power of the harmonics up
to 20 kHz, of one second in the steady state. The tones are primes that divide no rate, so that no
alias hides under a harmonic.

Every kind of block that is not homogeneous, f(2 x) = 2 f(x), at one setting or another is there: at
its defaults and at the top of its usual gain. What makes other pitches on purpose is left out:
flutter is off, and so are shimmer, motion and the octaves, which are no harmonics of the tone.
"""

import argparse
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import numpy as np

from simchain import units
from simchain.amp import Amp, power, preamp
from simchain.blocks import Block, kinds
from simchain.blocks.base import Moment
from simchain.blocks.drive import Drive
from simchain.kernels.rails import clipped
from simchain.settings import usual_of
from tests.benchmarks.table import Row, main

TONES = (997, 1249, 4999)
RATES = (44_100, 48_000, 96_000)
PEAK_VOLTS = 0.3
ASKED = {997: -80.0, 1249: -80.0, 4999: -60.0}
ASKED_AT_THE_TOP = {997: -65.0, 1249: -65.0, 4999: -45.0}
# Supplies, capacitors and companders settle over a second; what moves below 20 Hz is no alias.
SETTLED_S, SLOW_HZ = 1.0, 20

# The settings of a kind, beside its defaults, that have a circuit or a voice of their own.
VOICES: dict[str, dict[str, dict[str, Any]]] = {
    "drive": {
        "feedback": {},
        "shunt": {"clip": "shunt"},
        "feedback, tone off": {"tone_hz": 0},
        "shunt, tone off": {"clip": "shunt", "tone_hz": 0},
    },
    "fuzz": {"": {}, "octave": {"octave": 1.0}},
    "delay": {
        "bucket-brigade": {"voice": "bucket-brigade", "mix": 1.0, "time_ms": 50},
        "tape": {"voice": "tape", "flutter": 0.0, "mix": 1.0, "time_ms": 50},
    },
}
OTHER_PITCHES = ("octave",)

Figure = Callable[[int, int], float]


def aliases_db(
    volts: np.ndarray, hz: int, rate: int, start_s: float = 0.25, above_hz: int = 0
) -> float:
    """Return non-harmonic over harmonic power of the second that starts at `start_s`."""
    start = round(start_s * rate)
    power = np.abs(np.fft.rfft(volts[start : start + rate]))[above_hz + 1 : 20_001] ** 2
    harmonic = np.arange(above_hz + 1, 20_001) % hz == 0
    return float(10 * np.log10(max(power[~harmonic].sum(), 1e-300) / power[harmonic].sum()))


def tone(peak: float, hz: int, rate: int, seconds: float = 1.5) -> np.ndarray:
    """Return a sine of that many seconds, shape (1, frames)."""
    return peak * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)[None]


def drive_aliases_db(clip: str, hz: int, rate: int = 48_000, **settings: Any) -> float:
    """Sine of 0.3 V peak into a gain of 40 dB."""
    drive = Drive(clip=clip, gain_db=40, **settings)
    return aliases_db(drive.process(tone(0.3, hz, rate), Moment(rate))[0], hz, rate)


def rails_aliases_db(hz: int, rate: int = 48_000) -> float:
    """Sine ten times the rail."""
    return aliases_db(clipped(tone(35.0, hz, rate)[0], 3.5, rate), hz, rate)


def settled_aliases_db(run: Callable[[np.ndarray, int], np.ndarray], hz: int, rate: int) -> float:
    """Sine of 0.3 V peak into `run`, read when all has settled."""
    made = run(tone(PEAK_VOLTS, hz, rate, SETTLED_S + 1.1), rate)[0]
    return aliases_db(made, hz, rate, SETTLED_S, SLOW_HZ)


def block_aliases_db(unit: Block, hz: int, rate: int) -> float:
    def run(volts: np.ndarray, rate: int) -> np.ndarray:
        return unit.process(np.repeat(volts, unit.inputs, axis=0), Moment(rate))

    return settled_aliases_db(run, hz, rate)


def amp_aliases_db(gain_db: float, hz: int, rate: int) -> float:
    return settled_aliases_db(lambda v, rate: preamp(Amp(gain_db=gain_db), v, rate), hz, rate)


def power_aliases_db(over_db: float, hz: int, rate: int) -> float:
    """Power stage alone, driven `over_db` past its rated power."""
    loud = units.dbu_to_peak_volts(-2.0 + over_db) / PEAK_VOLTS
    return settled_aliases_db(lambda v, rate: power(Amp(), loud * v, rate), hz, rate)


def is_homogeneous(unit: Block) -> bool:
    """Whether twice the sound gives twice the result: linear, or merely moved."""
    volts = np.repeat(tone(PEAK_VOLTS, 997, 48_000, 0.2), unit.inputs, axis=0)
    once, twice = (unit.process(gain * volts, Moment(48_000)) for gain in (1.0, 2.0))
    return bool(np.abs(twice - 2 * once).max() <= 1e-9 * np.abs(once).max())


def block_rows() -> Iterator[tuple[str, Figure, dict[int, float]]]:
    """Yield name, figure and what is asked for, of each nonlinear kind and voice."""
    for name, kind in kinds().items():
        if name in OTHER_PITCHES:
            continue
        top = usual_of(kind.model_fields["gain_db"]) if "gain_db" in kind.model_fields else None
        for voice, settings in VOICES.get(name, {"": {}}).items():
            unit = kind.model_validate(settings)
            if unit.not_yet() is not None or is_homogeneous(unit):
                continue
            label = f"{name}, {voice}" if voice else name
            yield f"{label}, default", partial(block_aliases_db, unit), ASKED
            if top is not None:
                loud = kind.model_validate(settings | {"gain_db": top[1]})
                figure = partial(block_aliases_db, loud)
                yield f"{label}, gain {top[1]:g}", figure, ASKED_AT_THE_TOP


def figures() -> Iterator[tuple[str, Figure, dict[int, float]]]:
    for clip in ("feedback", "shunt"):
        yield f"drive, {clip}, gain 40", partial(drive_aliases_db, clip), ASKED
    yield from block_rows()
    yield "rails, ten times over", rails_aliases_db, ASKED
    for gain_db in (16, 28, 40):
        yield f"preamp, gain {gain_db}", partial(amp_aliases_db, gain_db), ASKED
    yield "preamp, gain 60", partial(amp_aliases_db, 60), ASKED_AT_THE_TOP
    for over_db in (6, 20):
        yield f"power stage, {over_db} dB over", partial(power_aliases_db, over_db), ASKED


def rows(_: argparse.Namespace) -> Iterator[Row]:
    every = list(figures())
    for rate in RATES:
        for name, figure, asked in every:
            for hz in TONES:
                found = figure(hz=hz, rate=rate)
                yield Row.of(f"{name}, {hz} Hz at {rate / 1e3:g} kHz", found, "dB", asked.get(hz))


if __name__ == "__main__":
    main(__doc__, rows)
