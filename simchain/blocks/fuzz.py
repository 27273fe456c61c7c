"""Fuzz: two transistor stages, the second pushed out of its bias by what it clips."""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from simchain import units
from simchain.blocks import base
from simchain.blocks._moving import follow, ratio_of
from simchain.blocks._paths import to_channels
from simchain.blocks.base import Block, Moment
from simchain.filters import high_cut, low_cut, run_sections
from simchain.settings import control
from simchain.signal import Volts, pieces

if TYPE_CHECKING:
    from simchain.kernels.fuzz import Circuit, Stage

# Both stages alike, invented, of the usual size for small transistors at 9 V.
COLLECTOR_OHM, EMITTER_OHM, BASE_OHM = 10e3, 220.0, 22e3
LEAK_OHM, COUPLING_FARAD = 47e3, 0.22e-6
# The bias control moves the second base's supply by half of this to either side.
BIAS_SPAN_VOLTS = 1.0
LOW_CUT_HZ = 15.0
# Of the collector's swing of about the supply this leaves 1.1 V peak to peak.
DIVIDER = 1 / 8
LEAST_SUPPLY_VOLTS = 0.1
# Before a moved control is heard: 20 time constants of what is slowest, 15 ms (kept charge) and 11.
RUN_IN_S = 0.3


class Fuzz(Block):
    """Two common-emitter transistor stages in a row, the second clipped hard and easily starved.

    Circuit, a generic one of our own from textbook stages: input capacitor, ideal gain; base 1
    behind 22 kohm; collector 1, minus its rest e; e straight or rectified, (1 - octave) e + octave
    |e|, from an ideal follower through 22 kohm and 0.22 uF to base 2, which hangs on its bias by
    47 kohm, a capacitor to ground; collector 2 through an ideal follower, output capacitor (the
    capacitors at input and output: first-order low cuts at 15 Hz), divider by 8, tone. At either
    transistor 10 kohm from the supply to the collector, 220 ohm from the emitter to ground.

    Transistors: the exponential laws written in kernels.fuzz (Ebers and Moll), both junctions,
    at 27 °C, forward gain 150. Base 2 conducts when driven; what flows charges the coupling
    capacitor and pushes the stage towards cut-off, for about 10 ms: it is that which makes the
    sound uneven, and at low bias makes a decaying note splutter and close.

    At bias 0.5 both collectors idle at half the supply, the same distance from either end; the
    control moves base 2's bias supply by up to 0.5 V: 0 is cut off until the signal opens it, 1
    saturated. gain_db is the gain for small signals from the input to collector 2, before the
    divider, in the middle of the band at bias 0.5, whatever the supply; other bias gives less.
    While bias moves, only the sound changes: the thump of the collector's own shift is left out.
    high_cut_hz is base 2's corner for small signals at bias 0.5.

    The collectors swing between 0 V and `supply_volts`. The divider leaves about 1.1 V peak to
    peak at 9 V: with level_db at its -6 the sound is a few dB above bypass for usual playing.
    """

    kind: ClassVar[str] = "fuzz"
    about: ClassVar[str] = (
        "Fuzz: two transistors driven far over, thick, uneven and long in sustain.\n"
        "Low bias starves it until notes break up and choke; octave adds the note an octave up."
    )
    checked_against: ClassVar[str] = "ngspice transient runs of the circuit with its own transistor"

    input_ohm: float = base.input_ohm(12e3, (3e3, 100e3))
    output_ohm: float = base.output_ohm(10e3, (2e3, 50e3))
    current_ma: float = base.current_ma(2, (0.3, 10))
    noise_nv: float = base.noise_nv(10)
    level_db: float = base.level_db(-6.0)

    gain_db: float = control(
        45.0,
        "small-signal gain, mid-band, to the last collector, at bias 0.5",
        unit="dB",
        ge=-60,
        le=80,
        usual=(20, 70),
        movable=True,
    )
    bias: float = control(
        0.5,
        "operating point: 0.5 is midway, 0 starved and gated, 1 choked",
        ge=0,
        le=1,
        usual=(0, 1),
        movable=True,
    )
    octave: float = control(
        0.0,
        "share of the full-wave rectified signal before the second transistor (true is 1)",
        ge=0,
        le=1,
        usual=(0, 1),
        movable=True,
    )
    high_cut_hz: float = control(
        8000.0,
        "high cut at the second transistor's base",
        unit="Hz",
        ge=10,
        le=1e6,
        usual=(1500, 20e3),
    )
    tone_hz: float = control(
        4000.0,
        "high cut after the transistors, 0 is off",
        unit="Hz",
        ge=0,
        le=1e6,
        usual=(500, 20e3),
        movable=True,
    )

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """Drive each channel by itself; see `Block.process_over`."""
        from simchain.kernels import fuzz

        arriving = low_cut(LOW_CUT_HZ, now.rate)
        moves = "gain_db" in dict(now.curves)
        whole = _middle(self.supply_volts).gain
        if not moves:
            arriving[0, :3] *= units.db_to_ratio(self.gain_db) / whole
        run_sections(arriving, volts, out=volts)
        for part in pieces(volts.shape[1] if moves else 0):
            volts[:, part] *= ratio_of(self, "gain_db", now, part) / whole
        swings = follow(self, "bias", volts, now, self._biased, RUN_IN_S)
        made = follow(self, "tone_hz", swings, now, _divided, RUN_IN_S)
        for part in pieces(made.shape[1]):
            fuzz.still(made[:, part])
        return to_channels(made, self.outputs)

    def _biased(self, bias: float, driven: Volts, now: Moment) -> Volts:
        """Return collector 2's volts from rest at that bias, in the place of `driven`."""
        from simchain.kernels import fuzz

        def rectified(octave: float, volts: Volts, then: Moment) -> Volts:
            circuit = _circuit(self.supply_volts, bias, self.high_cut_hz, octave)
            for line in volts:
                fuzz.run(line, circuit, then.rate, out=line)
            return volts

        return follow(self, "octave", driven, now, rectified, RUN_IN_S)


def _divided(tone_hz: float, swings: Volts, now: Moment) -> Volts:
    """Return what the output capacitor, divider and tone (0 being none) leave of `swings`."""
    leaving = low_cut(LOW_CUT_HZ, now.rate)
    leaving[0, :3] *= DIVIDER
    if tone_hz > 0.0:
        leaving = np.concatenate((leaving, high_cut(tone_hz, now.rate)))
    return run_sections(leaving, swings, out=swings)


def _stage(supply_volts: float) -> "Stage":
    from simchain.kernels.fuzz import Stage

    return Stage(max(supply_volts, LEAST_SUPPLY_VOLTS), COLLECTOR_OHM, EMITTER_OHM)


@dataclass(frozen=True)
class _Middle:
    """The circuit at bias 0.5: base volts and amps, gain to collector 2, ohm seen at base 2."""

    base_volts: float
    base_amps: float
    gain: float
    seen_ohm: float


@lru_cache(maxsize=16)
def _middle(supply_volts: float) -> _Middle:
    """Return what `gain_db` and `high_cut_hz` refer to: coupling capacitors short, base's open.

    Both collectors turn the signal over: the gain is positive.
    """
    from simchain.kernels import fuzz

    stage = _stage(supply_volts)
    base = fuzz.middle_base_volts(stage)
    amps = float(fuzz.points(stage, 0.0, np.array([base])).base_amps[0])
    first = fuzz.points(stage, BASE_OHM, np.array([base + BASE_OHM * amps]))
    source_ohm = 1.0 / (1.0 / BASE_OHM + 1.0 / LEAK_OHM)
    second = fuzz.points(stage, source_ohm, np.array([base + source_ohm * amps]))
    gain = first.collector_slope[0] * second.collector_slope[0] * source_ohm / BASE_OHM
    return _Middle(base, amps, float(gain), float(source_ohm * second.base_slope[0]))


@lru_cache(maxsize=16)
def _circuit(supply_volts: float, bias: float, high_cut_hz: float, octave: float) -> "Circuit":
    """Return the circuit with its second base where `bias` puts it."""
    from simchain.kernels import fuzz

    stage, middle = _stage(supply_volts), _middle(supply_volts)
    moved = (bias - 0.5) * BIAS_SPAN_VOLTS
    source = np.array([middle.base_volts + LEAK_OHM * middle.base_amps + moved])
    return fuzz.Circuit(
        stage,
        middle.base_volts,
        float(fuzz.points(stage, LEAK_OHM, source).base[0]),
        BASE_OHM,
        LEAK_OHM,
        COUPLING_FARAD,
        1.0 / (2 * math.pi * middle.seen_ohm * high_cut_hz),
        octave,
    )
