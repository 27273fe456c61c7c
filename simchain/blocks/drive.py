"""Drive: a diode clipper solved as a circuit, in its two usual forms."""

import math
from typing import ClassVar, Literal

import numpy as np

from simchain import units
from simchain.blocks import base
from simchain.blocks._moving import follow, rests_at, value_of
from simchain.blocks._paths import to_channels
from simchain.blocks.base import Block, Moment
from simchain.filters import high_cut_in_step, run_sections
from simchain.settings import control
from simchain.signal import Volts, pieces

# k T / q at 27 °C.
THERMAL_VOLTS = 25.865e-3
SERIES_OHM = {"feedback": 3300.0, "shunt": 2200.0}
# A gain of 1 leaves no upper resistor: a wire of a milliohm.
LEAST_OHM = 1e-3
# Before a moved control is heard: time constants of the slowest corner, and seconds at most.
RUN_IN_CONSTANTS, LONGEST_RUN_IN_S = 20.0, 2.0
TONE_RUN_IN_S = 0.1


class Drive(Block):
    """Gain into a pair of diodes, in an amplifier's feedback path or across the signal.

    `feedback`: a non-inverting stage, gain 1 + upper / series_ohm. In series with series_ohm the
    capacitor 1 / (2 pi series_ohm low_cut_hz); across the upper resistor the diodes and the
    capacitor 1 / (2 pi upper high_cut_hz). Below 0 dB the stage is a follower behind a divider.

    `shunt`: a stage of that gain with a first-order low cut, then series_ohm into the diodes and
    the capacitor 1 / (2 pi series_ohm high_cut_hz) to ground.

    A string of k diodes passes saturation_a (exp(v / (k n Vt)) - 1), Vt = 25.865 mV at 27 °C
    (the diode equation; Shockley, 1949, from memory). The amplifier has one pole: an integrator
    that reaches unity gain at gbw_hz (feedback), gbw_hz / gain in the shunt form's stage.
    """

    kind: ClassVar[str] = "drive"
    about: ClassVar[str] = (
        "Overdrive and distortion: gain that runs into a pair of diodes.\n"
        "More gain_db gives more sustain and more noise; level_db sets how loud it leaves."
    )
    checked_against: ClassVar[str] = "ngspice transient runs of both circuits"

    input_ohm: float = base.input_ohm(470e3, (220e3, 1e6))
    output_ohm: float = base.output_ohm(1e3, (500, 25e3))
    current_ma: float = base.current_ma(8, (3, 35))
    noise_nv: float = base.noise_nv(15)
    level_db: float = base.level_db(-12.0)

    gain_db: float = control(
        26.0,
        "small-signal gain, mid-band, before the diodes: 20 low, 26 medium, 36 high",
        unit="dB",
        ge=-60,
        le=80,
        usual=(0, 50),
        movable=True,
    )
    low_cut_hz: float = control(
        150.0, "low cut before the diodes, 0 is off", unit="Hz", ge=0, le=20e3, usual=(20, 1500)
    )
    high_cut_hz: float = control(
        6000.0, "high cut at the diodes", unit="Hz", ge=10, le=1e6, usual=(1500, 20e3)
    )
    clip: Literal["feedback", "shunt"] = control(
        "feedback", "where the diodes sit: in the feedback path, or from the signal to ground"
    )
    series_ohm: float | None = control(
        None,
        "lower resistor of the feedback path (3300), or resistor before the diodes (shunt: 2200)",
        unit="ohm",
        ge=1,
        le=100e6,
        usual=(500, 100e3),
    )
    saturation_a: float = control(
        2.5e-9,
        "diodes' saturation current: 2.5e-9 silicon, 1e-6 germanium-like, 1e-12 a high drop",
        unit="A",
        ge=1e-18,
        le=1e-3,
        usual=(1e-12, 1e-6),
    )
    ideality: float = control(1.75, "diodes' ideality factor", ge=0.5, le=10, usual=(1, 3))
    diodes_up: int = control(
        1, "diodes in series that clip the positive half", ge=1, le=20, usual=(1, 4)
    )
    diodes_down: int = control(
        1, "diodes in series that clip the negative half", ge=1, le=20, usual=(1, 4)
    )
    gbw_hz: float = control(
        3e6,
        "gain-bandwidth product of the gain stage, 0 is ideal",
        unit="Hz",
        ge=0,
        le=1e12,
        usual=(0.5e6, 20e6),
    )
    tone_hz: float = control(
        5000.0,
        "high cut after the diodes, 0 is off",
        unit="Hz",
        ge=0,
        le=1e6,
        usual=(500, 20e3),
        movable=True,
    )
    blend: float = control(
        1.0, "1 is driven alone, 0 is dry alone", ge=0, le=1, usual=(0, 1), movable=True
    )

    def is_lti(self) -> bool:
        """Only the dry signal alone is linear."""
        return self.blend == 0.0

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """Clip each channel by itself; see `Block.process_over`. A blend takes twice the room."""
        if rests_at(self, "blend", now, 0.0):
            return to_channels(volts, self.outputs)
        slowest_hz = min(self.low_cut_hz or self.high_cut_hz, self.high_cut_hz)
        run_in_s = min(RUN_IN_CONSTANTS / (2 * math.pi * slowest_hz), LONGEST_RUN_IN_S)
        alone = rests_at(self, "blend", now, 1.0)
        wet = volts if alone else volts.copy()
        wet = follow(self, "gain_db", wet, now, self._clipped, run_in_s)
        wet = follow(self, "tone_hz", wet, now, _toned, TONE_RUN_IN_S)
        for part in pieces(0 if alone else wet.shape[1]):
            blend = value_of(self, "blend", now, part)
            wet[:, part] = blend * wet[:, part] + (1.0 - blend) * volts[:, part]
        return to_channels(wet, self.outputs)

    def _clipped(self, gain_db: float, volts: Volts, now: Moment) -> Volts:
        """Return what the circuit, before tone and blend, makes of `volts` at that gain, there."""
        from simchain.kernels import diodes

        thermal = self.ideality * THERMAL_VOLTS
        pair = diodes.Pair(self.saturation_a, self.diodes_up * thermal, self.diodes_down * thermal)
        equations = _feedback if self.clip == "feedback" else _shunt
        circuit = diodes.Circuit(*equations(self, units.db_to_ratio(gain_db)))
        for line in volts:
            diodes.run(line, circuit, pair, now.rate, out=line)
        return volts


def _toned(tone_hz: float, volts: Volts, now: Moment) -> Volts:
    """Return `volts` after the high cut at `tone_hz`, 0 being none, in their place."""
    if tone_hz == 0.0:
        return volts
    return run_sections(high_cut_in_step(tone_hz, now.rate), volts, out=volts)


def _feedback(drive: Drive, gain: float) -> tuple[Volts, Volts, Volts, float, float]:
    """Return the equations of the feedback form; states: upper leg w, C1's voltage, output y.

    The current i = (x - s1) / R1 through the lower leg, x = y - w the inverting input, also
    flows through the upper: C2 w' = i - w / R2 - Id(w), s1' = wl (x - s1), y' = wt (vin - x).
    """
    lower = drive.series_ohm or SERIES_OHM["feedback"]
    upper = max(lower * (gain - 1.0), LEAST_OHM)
    low_cut, unity = 2 * math.pi * drive.low_cut_hz, 2 * math.pi * drive.gbw_hz
    high_cut = 2 * math.pi * drive.high_cut_hz
    per_farad = upper * high_cut
    inward = per_farad / lower
    divided = min(gain, 1.0)
    if drive.gbw_hz == 0.0:
        matrix = np.array([[-high_cut, -inward, 0.0], [0.0, -low_cut, 0.0], [0.0, 0.0, 0.0]])
        inlet = np.array([inward, low_cut, 0.0]) * divided
        return matrix, inlet, np.array([1.0, 0.0, 0.0]), divided, per_farad
    matrix = np.array(
        [
            [-high_cut - inward, -inward, inward],
            [-low_cut, -low_cut, low_cut],
            [unity, 0.0, -unity],
        ]
    )
    inlet = np.array([0.0, 0.0, unity]) * divided
    return matrix, inlet, np.array([0.0, 0.0, 1.0]), 0.0, per_farad


def _shunt(drive: Drive, gain: float) -> tuple[Volts, Volts, Volts, float, float]:
    """Return the equations of the shunt form; states: diodes v, stage u, low cut's capacitor s2.

    C v' = (u - v) / R - Id(v), u' = (wt / G) (G (vin - s2) - u), s2' = wl (vin - s2).
    """
    series = drive.series_ohm or SERIES_OHM["shunt"]
    low_cut, unity = 2 * math.pi * drive.low_cut_hz, 2 * math.pi * drive.gbw_hz
    high_cut = 2 * math.pi * drive.high_cut_hz
    if drive.gbw_hz == 0.0:
        matrix = np.array(
            [[-high_cut, 0.0, -high_cut * gain], [0.0, 0.0, 0.0], [0.0, 0.0, -low_cut]]
        )
        inlet = np.array([high_cut * gain, 0.0, low_cut])
    else:
        matrix = np.array(
            [[-high_cut, high_cut, 0.0], [0.0, -unity / gain, -unity], [0.0, 0.0, -low_cut]]
        )
        inlet = np.array([0.0, unity, low_cut])
    return matrix, inlet, np.array([1.0, 0.0, 0.0]), 0.0, series * high_cut
