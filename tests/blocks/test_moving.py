"""Controls that move, found by their declaration: a new one is tested as it comes.

`level_db` is chain/step's, and tested there.
"""

import tracemalloc
from dataclasses import dataclass
from typing import Literal, get_args, get_origin

import numpy as np
import pytest
from pydantic.fields import FieldInfo
from scipy.integrate import solve_ivp

from simchain.blocks import Block, Moment, _moving, kinds
from simchain.blocks.base import Curve
from simchain.blocks.boost import Boost
from simchain.blocks.compressor import Compressor
from simchain.blocks.drive import THERMAL_VOLTS, Drive
from simchain.blocks.fuzz import Fuzz
from simchain.blocks.modulation import Modulation
from simchain.blocks.volume import Volume
from simchain.blocks.wah import Wah
from simchain.settings import unit_of, usual_of

RATE = 48_000
KINDS = {name: kind for name, kind in kinds().items() if kind.__module__.startswith("simchain.")}
PEAK_VOLTS = {"gate": 0.01}
SEAMS_DB = -50.0
HIGH_HZ = 8000.0


@dataclass(frozen=True)
class Case:
    """A movable control of a kind, in one of the kind's shapes; it moves from low to high."""

    name: str
    control: str
    choice: tuple[tuple[str, str], ...] = ()

    def __str__(self) -> str:
        return " ".join((self.name, *(value for _, value in self.choice), self.control))

    @property
    def field(self) -> FieldInfo:
        return KINDS[self.name].model_fields[self.control]

    @property
    def ends(self) -> tuple[float, float]:
        """A quarter and three quarters of the way through the usual range."""
        usual = usual_of(self.field)
        assert usual is not None, f"{self} has no usual range"
        if unit_of(self.field) == "Hz":
            low, high = np.exp(np.interp((0.25, 0.75), (0, 1), np.log(usual)))
        else:
            low, high = np.interp((0.25, 0.75), (0, 1), usual)
        return float(low), float(high)

    def unit(self, value: float, **more: int) -> Block:
        return KINDS[self.name].model_validate({**dict(self.choice), self.control: value, **more})

    def rests(self, value: float, volts: np.ndarray, turn: float = 0.0) -> np.ndarray:
        return self.unit(value).process(volts, Moment(RATE, seed=1, turn=turn))

    def moves(self, points: tuple[tuple[int, float], ...], volts: np.ndarray) -> np.ndarray:
        """Process with the control set to another value than it begins at: the curve counts."""
        curve = Curve(points, in_log=unit_of(self.field) == "Hz")
        now = Moment(RATE, seed=1, curves=((self.control, curve),))
        elsewhere = self.ends[0] if points[0][1] != self.ends[0] else self.ends[1]
        return self.unit(elsewhere).process(volts, now)

    def turned(self, points: tuple[tuple[int, float], ...]) -> float:
        """By how many turns a modulator whose rate has moved is ahead of one at the last rate."""
        if self.control != "rate_hz":
            return 0.0
        ahead_hz = Curve(points, in_log=True).values(points[-1][0] + 1) - points[-1][1]
        return float(np.trapezoid(ahead_hz) / RATE)


def cases() -> list[Case]:
    """Every movable control of every kind, in each of the kind's own shapes, voices and so on."""
    found = []
    for name, kind in KINDS.items():
        choices: list[tuple[tuple[str, str], ...]] = [
            ((key, word),)
            for key, field in kind.model_fields.items()
            if key not in Block.model_fields and get_origin(field.annotation) is Literal
            for word in get_args(field.annotation)
        ]
        for control in sorted(kind.movable() - {"level_db"}):
            found += [Case(name, control, choice) for choice in choices or [()]]
    return found


CASES = cases()
FOLLOWED = {
    "drive feedback gain_db",
    "drive shunt gain_db",
    "drive shunt tone_hz",
    "fuzz bias",
    "fuzz octave",
    "fuzz tone_hz",
    "piezo_preamp low_db",
    "piezo_preamp mid_db",
    "piezo_preamp high_db",
}
every_control = pytest.mark.parametrize("case", CASES, ids=str)


def sine(name: str, seconds: float, hz: float = 220.0) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    return PEAK_VOLTS.get(name, 0.3) * np.sin(2 * np.pi * hz * t)[np.newaxis]


def off_db(found: np.ndarray, wanted: np.ndarray) -> float:
    worst, peak = np.max(np.abs(found - wanted)), np.max(np.abs(wanted))
    return float(20 * np.log10(worst / peak)) if worst > 0 else -np.inf


def above_db(volts: np.ndarray) -> float:
    """Energy above 8 kHz against all of it, in decibels."""
    power = np.abs(np.fft.rfft(volts[0] * np.blackman(volts.shape[1]))) ** 2
    hz = np.fft.rfftfreq(volts.shape[1], 1 / RATE)
    return float(10 * np.log10(power[hz > HIGH_HZ].sum() / power.sum()))


def test_kinds_have_controls_that_move() -> None:
    """The list is found, not written: this says only that it is not empty by mistake."""
    names = {str(case) for case in CASES}
    assert len(names) == len(CASES) >= 40
    assert {"wah position", "delay tape mix", "drive shunt gain_db"} <= names


@every_control
def test_a_movement_that_rests_is_the_static_setting(case: Case) -> None:
    volts = sine(case.name, 0.7)
    worst = -np.inf
    for value in case.ends:
        static = case.rests(value, volts)
        for points in (((0, value),), ((0, value), (9_000, value), (9_001, value))):
            found = case.moves(points, volts)
            assert found.shape == static.shape
            assert found.flags.c_contiguous
            worst = max(worst, off_db(found, static))
    print(f"{case}: {worst:.0f} dB")
    assert worst < -180


@every_control
def test_a_ramp_begins_and_ends_like_the_static_settings(case: Case) -> None:
    """From 0.5 to 1.5 s; compared before that, and from 4.5 to 5 s, when it has forgotten."""
    volts = sine(case.name, 5.0)
    start, stop = RATE // 2, 3 * RATE // 2
    before, while_moving, after = slice(0, start - 600), slice(start, stop), slice(-start, None)
    for first, last in (case.ends, case.ends[::-1]):
        points = ((start, first), (stop, last))
        found = case.moves(points, volts)
        at_first = case.rests(first, volts)
        at_last = case.rests(last, volts, case.turned(points))
        begins = off_db(found[:, before], at_first[:, before])
        comes_to = off_db(found[:, after], at_last[:, after])
        acts = off_db(at_first[:, after], at_last[:, after])
        print(
            f"{case} {first:g} to {last:g}: begins {begins:.0f} dB off, "
            f"comes to {comes_to:.0f} dB; acts {acts:.0f} dB"
        )
        assert begins < -160
        assert comes_to < -160
        assert acts > -40
        assert off_db(found[:, while_moving], at_first[:, while_moving]) > -40


@every_control
@pytest.mark.parametrize("frames", [1, 2, 33, 700])
def test_a_movement_on_any_sound(case: Case, frames: int) -> None:
    """Two channels at 96 kHz, a movement, a rest, a jump: nothing but the sound's own.

    Over an eighth of the usual range: it is walked rung by rung, and more rungs show no more.
    """
    low, high = case.ends
    high = low + 0.25 * (high - low)
    points = ((5, low), (25, high), (60, high), (61, low), (300, high), (1000, low))
    curve = Curve(points, in_log=unit_of(case.field) == "Hz")
    now = Moment(96_000, seed=3, curves=((case.control, curve),))
    unit = case.unit(low, inputs=2, outputs=2)
    for volts in (
        np.random.default_rng(frames).uniform(-20, 20, (2, frames)),
        np.full((2, frames), 1e-310),
    ):
        kept = volts.copy()
        out = unit.process(volts, now)
        assert np.array_equal(volts, kept), "wrote to its input"
        assert not np.shares_memory(out, volts)
        assert out.shape == volts.shape
        assert out.dtype == np.float64
        assert out.flags.c_contiguous
        assert np.isfinite(out).all()
        assert np.array_equal(unit.process(volts, now), out), "does not repeat itself"
    assert not unit.process(np.zeros((2, frames)), now).any(), "makes sound of silence"


@every_control
@pytest.mark.parametrize("seconds", [0.05, 0.4])
def test_a_movement_makes_no_noise_of_its_own(case: Case, seconds: float) -> None:
    """220 Hz sine: above 8 kHz at most -50 dB, or what the resting block makes (clippers)."""
    low, high = case.ends
    volts = sine(case.name, 1.0)
    start, stop = (RATE // 2 + round(way * seconds * RATE / 2) for way in (-1, 1))
    own = max(above_db(case.rests(value, volts)) for value in (low, 0.5 * (low + high), high))
    worst = max(
        above_db(case.moves(((start, first), (stop, last)), volts))
        for first, last in ((low, high), (high, low))
    )
    print(f"{case} in {seconds:g} s: {worst:.1f} dB above 8 kHz, at rest {own:.1f}")
    assert worst < max(SEAMS_DB, own + 0.5)


@pytest.mark.parametrize("case", [case for case in CASES if str(case) in FOLLOWED], ids=str)
def test_the_rungs_are_fine_enough(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    """Against rungs four times as fine; chord of two sines."""
    low, high = case.ends
    volts = sine(case.name, 1.2, 196.0) + sine(case.name, 1.2, 1480.0)
    points = ((RATE // 5, low), (RATE, high))
    found = case.moves(points, volts)
    finer = {unit: step / 4 for unit, step in _moving.FINENESS.items()}
    monkeypatch.setattr(_moving, "FINENESS", finer)
    wanted = case.moves(points, volts)
    rms_db = 10 * np.log10(np.mean((found - wanted) ** 2) / np.mean(wanted**2))
    print(f"{case}: {rms_db:.1f} dB RMS, {off_db(found, wanted):.1f} dB at worst")
    assert -140 < rms_db < -50


def test_a_boost_that_moves_is_its_gain_times_its_filters() -> None:
    """Closed form: 10^(g(n)/20), g straight from 0 to 20 dB between frames 1000 and 9000."""
    volts = sine("boost", 0.25)
    now = Moment(RATE, curves=(("gain_db", Curve(((1000, 0.0), (9000, 20.0)))),))
    found = Boost(low_cut_hz=0, high_cut_hz=0).process(volts, now)[0]
    n = np.arange(volts.shape[1])
    gain_db = np.clip((n - 1000) / 8000, 0, 1) * 20
    off = np.abs(found - 10 ** (gain_db / 20) * volts[0]).max()
    print(f"off by {off:.1e} V")
    assert off < 1e-14


@pytest.mark.parametrize("taper", ["linear", "audio"])
def test_a_volume_pedal_that_moves_is_its_wiper(taper: str) -> None:
    """linear r = p; audio r = (b^p - 1)/(b - 1), b = (10^(16/20) - 1)^2: 10^(-16/20) at 1/2."""
    volts = sine("volume", 0.25)
    unit = Volume.model_validate({"taper": taper})
    now = Moment(RATE, curves=(("position", Curve(((0, 0.0), (12_000, 1.0)))),))
    p = np.arange(12_000) / 12_000
    b = (10 ** (16 / 20) - 1) ** 2
    share = p if taper == "linear" else (b**p - 1) / (b - 1)
    off = np.abs(unit.process(volts, now)[0] - share * volts[0]).max()
    print(f"{taper}: off by {off:.1e} V")
    assert off < 1e-14
    rests = [Volume.model_validate({"taper": taper, "position": x}).wiper for x in p[::500]]
    assert unit.wiper_at(p[::500]) == pytest.approx(rests, rel=1e-14)


@pytest.mark.parametrize(("q", "seconds"), [(4.0, 0.5), (4.0, 0.1), (10.0, 0.2)])
def test_a_wah_sweep_against_its_circuit(q: float, seconds: float) -> None:
    """scipy's solve_ivp on the loop of two integrators, swept from heel to toe.

    x1' = w(t) (u - x1/q - x2), x2' = w(t) x1, y = x1/q: the circuit of kernels.sweep's docstring.
    """
    tones = ((196.0, 0.5), (660.0, 0.3), (1480.0, 0.2))

    def fed(t: np.ndarray) -> np.ndarray:
        return np.asarray(sum(volts * np.sin(2 * np.pi * hz * t) for hz, volts in tones))

    def slope(t: float, x: np.ndarray) -> list[float]:
        position = min(max((t - 0.05) / seconds, 0.0), 1.0)
        w = 2 * np.pi * 400 * 5**position
        return [w * (fed(np.array(t)) - x[0] / q - x[1]), w * x[0]]

    t = np.arange(round((seconds + 0.1) * RATE)) / RATE
    solved = solve_ivp(slope, (0, t[-1]), [0, 0], "DOP853", t, rtol=1e-9, atol=1e-12)
    truth = solved.y[0] / q
    start, stop = round(0.05 * RATE), round((0.05 + seconds) * RATE)
    now = Moment(RATE, curves=(("position", Curve(((start, 0.0), (stop, 1.0)))),))
    found = Wah(q=q, gain_db=0).process(fed(t)[np.newaxis], now)[0]
    rms_db = 10 * np.log10(np.mean((found - truth) ** 2) / np.mean(truth**2))
    print(f"q {q:g}, {seconds:g} s: {rms_db:.1f} dB RMS, {off_db(found, truth):.1f} dB at worst")
    assert rms_db < -45


def test_a_drive_whose_gain_moves_against_its_circuit() -> None:
    """scipy's LSODA on the shunt form, ideal stage: C v' = (G(t) x - v)/R - Id(v), 10 to 40 dB.

    At 192 kHz, where all that the circuit makes fits below half of the rate.
    """
    rate = 192_000
    r, corner = 2200.0, 6000.0
    c = 1 / (2 * np.pi * r * corner)
    unit = Drive(clip="shunt", gbw_hz=0, low_cut_hz=0, high_cut_hz=corner, tone_hz=0, series_ohm=r)
    per_e = unit.ideality * THERMAL_VOLTS

    def fed(t: np.ndarray) -> np.ndarray:
        return 0.2 * np.sin(2 * np.pi * 220 * t)

    def slope(t: float, v: np.ndarray) -> np.ndarray:
        gain = 10 ** ((10 + 30 * min(max((t - 0.01) / 0.04, 0.0), 1.0)) / 20)
        amps = 2 * unit.saturation_a * np.sinh(v / per_e)
        return np.asarray(((gain * fed(np.array(t)) - v) / r - amps) / c)

    t = np.arange(round(0.06 * rate)) / rate
    truth = solve_ivp(slope, (0, t[-1]), [0.0], "LSODA", t, rtol=1e-8, atol=1e-10).y[0]
    now = Moment(rate, curves=(("gain_db", Curve(((1920, 10.0), (9600, 40.0)))),))
    found = unit.process(fed(t)[np.newaxis], now)[0, :-100]
    truth = truth[:-100]
    rms_db = 10 * np.log10(np.mean((found - truth) ** 2) / np.mean(truth**2))
    print(f"drive: {rms_db:.1f} dB RMS, {off_db(found, truth):.1f} dB at worst")
    assert rms_db < -65


def test_a_compressor_whose_threshold_moves_slowly_stays_on_its_curve() -> None:
    """Static curve: above the knee a sine of L dBu leaves at T + (L - T)/ratio; T from -30 to -10.

    The sine is 997 Hz of 0 dBu, where the detector is calibrated. The threshold rises by 5 dB/s,
    slower than the detector falls between two half-waves, so that it is late by the attack alone.
    """
    t = np.arange(5 * RATE) / RATE
    volts = np.sqrt(1.2) * np.sin(2 * np.pi * 997 * t)[np.newaxis]
    now = Moment(RATE, curves=(("threshold_dbu", Curve(((RATE, -30.0), (5 * RATE, -10.0)))),))
    unit = Compressor(ratio=4, knee_db=6, makeup_db=0, attack_ms=5, release_ms=100)
    found = unit.process(volts, now)
    for at_s in (0.9, 2.0, 3.0, 4.0, 4.9):
        middle = round(at_s * RATE)
        part = found[0, middle - 2400 : middle + 2400]
        level_dbu = 10 * np.log10(np.mean(part**2) / 0.6)
        late_db = 0.75 * 5 * 0.005 if at_s > 1 else 0.0
        wanted_dbu = 0.75 * (-30 + 5 * max(at_s - 1, 0)) - late_db
        print(f"{at_s:g} s: {level_dbu:.3f} dBu, wanted {wanted_dbu:.3f}")
        assert level_dbu == pytest.approx(wanted_dbu, abs=0.03)


def test_two_controls_of_a_fuzz_move_at_once() -> None:
    """Rungs inside rungs: where all have come to rest it is the static fuzz."""
    volts = sine("fuzz", 1.5)
    curves = (
        ("bias", Curve(((10_000, 0.4), (20_000, 0.5)))),
        ("octave", Curve(((15_000, 0.1), (24_000, 0.3)))),
        ("gain_db", Curve(((5_000, 30.0), (24_000, 40.0)))),
    )
    found = Fuzz().process(volts, Moment(RATE, curves=curves))
    first = Fuzz(bias=0.4, octave=0.1, gain_db=30).process(volts, Moment(RATE))
    last = Fuzz(bias=0.5, octave=0.3, gain_db=40).process(volts, Moment(RATE))
    start = off_db(found[:, :4400], first[:, :4400])
    end = off_db(found[:, 48_000:], last[:, 48_000:])
    print(f"fuzz: begins {start:.0f} dB off, comes to {end:.0f} dB")
    assert start < -160
    assert end < -160


def test_rungs_meet_what_a_movement_rests_at() -> None:
    """And each is run only where it has a weight; the weights are 1 in sum."""
    curve = Curve(((100, 3.0), (200, 7.3), (300, 7.3), (400, 5.1)))
    rungs = _moving.ladder(curve, 1000, 1.0)
    assert {3.0, 7.3, 5.1} <= set(rungs.settings.tolist())
    assert np.diff(rungs.settings).max() <= 1.0
    back = np.interp(rungs.places, np.arange(rungs.settings.size), rungs.settings)
    assert np.abs(back - curve.values(1000)).max() < 1e-12
    heard = np.zeros(1000)
    for rung, start, stop in rungs.stretches(0):
        weight = np.clip(1 - np.abs(rungs.places[start:stop] - rung), 0, 1)
        assert weight.min() > 0
        heard[start:stop] += weight
    assert np.abs(heard - 1).max() < 1e-12


def test_a_movement_to_and_fro_costs_little_memory() -> None:
    volts = sine("drive", 20.0)
    points = tuple((k * RATE, 10.0 if k % 2 else 30.0) for k in range(20))
    now = Moment(RATE, curves=(("gain_db", Curve(points)),))
    Drive().process(volts[:, :5000].copy(), now)
    tracemalloc.start()
    Drive().process(volts, now)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    print(f"{peak / volts.nbytes:.1f} arrays of the passage's length at most")
    assert peak < 9 * volts.nbytes


def test_a_tremolo_whose_rate_moves_is_its_closed_form() -> None:
    """From 2 to 8 Hz on a log scale in T: p(t) = T (2 (4^(t/T) - 1)) / ln 4 turns."""
    volts, t = np.ones((1, RATE)), np.arange(RATE) / RATE
    now = Moment(RATE, curves=(("rate_hz", Curve(((0, 2.0), (RATE, 8.0)), in_log=True)),))
    found = Modulation(shape="tremolo", depth=1.0).process(volts, now)[0]
    turns = 2 * (4**t - 1) / np.log(4)
    off = np.abs(found - 0.5 * (1 + np.cos(2 * np.pi * turns))).max()
    print(f"off by {off:.1e}")
    assert off < 1e-8
