"""Analogue filters against the circuit's own H(s), which scipy.signal.freqs_zpk evaluates."""

import time

import numpy as np
import pytest
from scipy.signal import freqs_zpk, sosfreqz

from simchain.filters import (
    analogue_sections,
    high_cut,
    high_cut_in_step,
    low_cut,
    run_sections,
)
from simchain.filters.analogue import _designed

RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
HZ = np.geomspace(20.0, 10_000.0, 300)
TURN = 2 * np.pi


def pair(hz: float, q: float) -> tuple[complex, complex]:
    """Return the roots of s^2 + s w/q + w^2."""
    w = TURN * hz
    spread = np.sqrt(complex(1 / (4 * q * q) - 1))
    return (w * (-1 / (2 * q) + spread), w * (-1 / (2 * q) - spread))


def butterworth(order: int, hz: float) -> tuple[complex, ...]:
    angles = np.pi * (2 * np.arange(order) + order + 1) / (2 * order)
    return tuple(TURN * hz * np.exp(1j * angles))


def circuits() -> dict[str, tuple[tuple[complex, ...], tuple[complex, ...], float]]:
    """Return zeros, poles and gain by name."""
    made: dict[str, tuple[tuple[complex, ...], tuple[complex, ...], float]] = {}
    for hz in (1e3, 3e3, 6e3, 10e3, 15e3, 20e3, 30e3, 40e3, 300e3):
        made[f"RC low-pass {hz:g}"] = ((), (-TURN * hz,), TURN * hz)
    for hz in (5, 20, 150, 1500, 8000, 20e3, 40e3):
        made[f"RC high-pass {hz:g}"] = ((0,), (-TURN * hz,), 1.0)
    for hz, q in ((2e3, 1), (3.8e3, 3), (5e3, 5), (8e3, 4), (12e3, 3), (18e3, 3), (21e3, 3)):
        made[f"pickup-like resonance {hz:g} Q {q:g}"] = ((), pair(hz, q), (TURN * hz) ** 2)
    for hz, q in ((25e3, 3), (40e3, 5)):
        made[f"resonance above Nyquist {hz:g} Q {q:g}"] = ((), pair(hz, q), (TURN * hz) ** 2)
    for hz in (80, 1e3, 4e3, 8e3):
        for q in (0.3, 1, 8):
            for a in (0.42, 2.37):
                name = f"peak {hz:g} Q {q:g} {40 * np.log10(a):.0f} dB"
                made[name] = (pair(hz, q / a), pair(hz, q * a), 1.0)
    for low, high in ((100, 300), (1000, 2500), (4000, 16e3), (9000, 30e3)):
        made[f"shelf up {low:g} {high:g}"] = ((-TURN * low,), (-TURN * high,), high / low)
        made[f"shelf down {low:g} {high:g}"] = ((-TURN * high,), (-TURN * low,), low / high)
    made["notch 1000"] = ((1j * TURN * 1000, -1j * TURN * 1000), pair(1000, 4), 1.0)
    made["notch 9000"] = ((1j * TURN * 9000, -1j * TURN * 9000), pair(9000, 1), 1.0)
    made["tone network, real roots"] = (
        (0, -TURN * 200, -TURN * 900),
        (-TURN * 30, -TURN * 250, -TURN * 6000),
        0.4,
    )
    made["tone network, close roots"] = (
        (0, *pair(390, 0.65)),
        (-TURN * 258, -TURN * 262, -TURN * 9000),
        0.5,
    )
    made["gain stage, gain-bandwidth 3 MHz"] = (
        (-TURN * 720,),
        (-TURN * 150, -TURN * 6000, -TURN * 3e6),
        1e12,
    )
    for order, hz in ((3, 2000), (4, 5000), (6, 8000)):
        made[f"Butterworth {order} {hz}"] = ((), butterworth(order, hz), (TURN * hz) ** order)
    made["all-pass 1000"] = ((TURN * 1000,), (-TURN * 1000,), 1.0)
    return made


CIRCUITS = circuits()


def worst_db(name: str, rate: int) -> float:
    zeros, poles, gain = CIRCUITS[name]
    analogue = freqs_zpk(zeros, poles, gain, TURN * HZ)[1]
    digital = sosfreqz(analogue_sections(zeros, poles, gain, rate), HZ, fs=rate)[1]
    return float(np.max(np.abs(20 * np.log10(np.abs(digital / analogue)))))


@pytest.mark.parametrize("rate", RATES)
def test_magnitude_is_the_analogue_one_to_10_khz(rate: int) -> None:
    found = {name: worst_db(name, rate) for name in CIRCUITS}
    worst = max(found, key=lambda name: found[name])
    print(f"{rate} Hz: {len(found)} circuits, worst {found[worst]:.4f} dB ({worst})")
    assert found[worst] < 0.03


def random_circuit(rng: np.random.Generator) -> tuple[list[complex], list[complex]]:
    """Return up to eight poles, 3 Hz to 30 kHz, and no more zeros, some at 0 Hz."""

    def root() -> list[complex]:
        hz = 10 ** rng.uniform(0.5, 4.5)
        return [-TURN * hz] if rng.random() < 0.5 else list(pair(hz, 10 ** rng.uniform(-0.25, 1)))

    poles = [one for _ in range(rng.integers(1, 5)) for one in root()]
    zeros: list[complex] = []
    while rng.random() > 0.25:
        more = [0.0] if rng.random() < 0.25 else root()
        if len(zeros) + len(more) > len(poles):
            break
        zeros += more
    return zeros, poles


@pytest.mark.parametrize("rate", RATES)
def test_circuits_nobody_chose(rate: int) -> None:
    rng = np.random.default_rng(rate)
    worst = 0.0
    for _ in range(200):
        zeros, poles = random_circuit(rng)
        analogue = freqs_zpk(zeros, poles, 1.0, TURN * HZ)[1]
        digital = sosfreqz(analogue_sections(zeros, poles, 1.0, rate), HZ, fs=rate)[1]
        worst = max(worst, float(np.max(np.abs(20 * np.log10(np.abs(digital / analogue))))))
    print(f"{rate} Hz: 200 random circuits, worst {worst:.4f} dB")
    assert worst < 0.03


@pytest.mark.parametrize("rate", RATES)
def test_phase_sign_is_the_analogue_one(rate: int) -> None:
    low_hz = np.array([40.0])
    for name, (zeros, poles, gain) in CIRCUITS.items():
        analogue = freqs_zpk(zeros, poles, gain, TURN * low_hz)[1]
        digital = sosfreqz(analogue_sections(zeros, poles, gain, rate), low_hz, fs=rate)[1]
        assert abs(np.angle(digital / analogue, deg=True)[0]) < 2.0, name


@pytest.mark.parametrize("rate", RATES)
def test_minimum_phase_stays_so_and_poles_are_exp_pt(rate: int) -> None:
    for name, (zeros, poles, gain) in CIRCUITS.items():
        sections = analogue_sections(zeros, poles, gain, rate)
        assert np.all(sections[:, 3] == 1), name
        if name != "all-pass 1000":
            found = np.concatenate([np.roots(row[:3]) for row in sections])
            assert np.all(np.abs(found) < 1 + 1e-7), name
    sections = high_cut(1000, rate)
    found = np.concatenate([np.roots(row[3:]) for row in sections])
    assert found[found != 0] == pytest.approx([np.exp(-TURN * 1000 / rate)], rel=1e-12)


@pytest.mark.parametrize("rate", RATES)
def test_dc_is_exact_where_it_is_finite_and_not_nothing(rate: int) -> None:
    for name, (zeros, poles, gain) in CIRCUITS.items():
        if 0 in zeros:
            assert abs(sosfreqz(analogue_sections(zeros, poles, gain, rate), [0.0])[1][0]) < 1e-9
            continue
        analogue = gain * np.prod(-np.array(zeros)) / np.prod(-np.array(poles))
        digital = sosfreqz(analogue_sections(zeros, poles, gain, rate), [0.0])[1][0]
        assert digital.real == pytest.approx(analogue.real, rel=1e-7), name


def test_first_order_corners() -> None:
    """References §6: RC 10k/10n, -3.0103 / -6.9897 / -20.0432 dB at 1, 2, 10 times the corner."""
    corner = 1 / (TURN * 10e3 * 10e-9)
    hz = corner * np.array([1.0, 2.0])
    level = 20 * np.log10(np.abs(sosfreqz(high_cut(corner, 48_000), hz, fs=48_000)[1]))
    assert level == pytest.approx([-3.0103, -6.9897], abs=0.01)
    level = 20 * np.log10(
        np.abs(sosfreqz(low_cut(corner, 48_000), corner / np.array([1, 2, 10]), fs=48_000)[1])
    )
    assert level == pytest.approx([-3.0103, -6.9897, -20.0432], abs=0.01)


@pytest.mark.parametrize("rate", RATES)
def test_a_high_cut_in_step_turns_as_the_circuit_does(rate: int) -> None:
    """H(s) = w / (s + w): the phase is -atan(f / corner). The plain one is 0.4 frames early."""
    hz = np.geomspace(20.0, 10_000.0, 200)
    worst = dict.fromkeys((high_cut, high_cut_in_step), 0.0)
    for corner in (50.0, 800.0, 5_000.0, 15_000.0, 100_000.0):
        truth = 1.0 / (1.0 + 1j * hz / corner)
        for cut in worst:
            made = sosfreqz(cut(corner, rate), hz, fs=rate)[1]
            early = np.abs(np.angle(made / truth)) / (TURN * hz / rate)
            worst[cut] = max(worst[cut], float(early.max()))
        level_db = 20 * np.log10(np.abs(made / truth))
        assert np.abs(level_db).max() < 0.03
    plain, in_step = worst.values()
    print(f"{rate} Hz: {plain:.3f} frames early, in step {in_step:.3f}")
    assert plain > 0.3
    assert in_step < 0.04


def test_a_fit_is_better_than_the_bilinear_transform() -> None:
    """References §6: plain bilinear of the same RC low-pass is off by more than 1 dB at 10 kHz."""
    corner = 1591.5494
    k = np.tan(np.pi * corner / 44_100)
    bilinear = np.array([[k, k, 0, 1 + k, k - 1, 0]]) / (1 + k)
    truth = -10 * np.log10(1 + (10_000 / corner) ** 2)
    off = [
        20 * np.log10(abs(sosfreqz(s, [10_000.0], fs=44_100)[1][0])) - truth
        for s in (bilinear, high_cut(corner, 44_100))
    ]
    print(f"at 10 kHz, 44.1 kHz rate: bilinear {off[0]:+.3f} dB, fitted {off[1]:+.4f} dB")
    assert abs(off[0]) > 1.0
    assert abs(off[1]) < 0.01


def test_sine_through_a_resonance_in_the_time_domain() -> None:
    """Two seconds of a sine, levels by projection on the last whole periods."""
    rate, hz = 48_000, 3000.0
    zeros, poles, gain = CIRCUITS["pickup-like resonance 3800 Q 3"]
    t = np.arange(rate) / rate
    out = run_sections(analogue_sections(zeros, poles, gain, rate), np.sin(TURN * hz * t)[None, :])
    found = 2 * abs(np.mean(out[0, rate // 2 :] * np.exp(-1j * TURN * hz * t[rate // 2 :])))
    truth = abs(freqs_zpk(zeros, poles, gain, [TURN * hz])[1][0])
    assert found == pytest.approx(truth, rel=0.001)


def test_nothing_in_the_wires() -> None:
    assert analogue_sections((), (), 0.5, 48_000) == pytest.approx(np.array([[0.5, 0, 0, 1, 0, 0]]))
    assert not analogue_sections((0,), (-1.0,), 0.0, 48_000)[:, :3].any()
    volts = np.arange(6.0).reshape(2, 3)
    same = run_sections(np.empty((0, 6)), volts)
    assert np.array_equal(same, volts)
    assert not np.shares_memory(same, volts)


@pytest.mark.parametrize("hz", [5e-324, 1e-300, 1e-12, 1e-3])
@pytest.mark.parametrize("rate", RATES)
def test_a_low_cut_far_below_hearing_is_a_wire(hz: float, rate: int) -> None:
    volts = np.random.default_rng(6).normal(size=(1, 2000))
    assert run_sections(low_cut(hz, rate), volts) == pytest.approx(volts, abs=0.01)


@pytest.mark.parametrize("hz", [1e6, 1e7, 1e12])
@pytest.mark.parametrize("rate", RATES)
def test_a_high_cut_far_above_hearing_is_a_wire(hz: float, rate: int) -> None:
    volts = np.random.default_rng(7).normal(size=(1, 2000))
    assert run_sections(high_cut(hz, rate), volts) == pytest.approx(volts, abs=0.06)


def test_channels_start_from_rest_and_stay_apart() -> None:
    volts = np.random.default_rng(1).normal(size=(2, 500))
    sections = analogue_sections((0,), pair(900, 2), 5000.0, 48_000)
    both = run_sections(sections, volts)
    assert both.flags.c_contiguous
    assert both.dtype == np.float64
    for channel in (0, 1):
        alone = run_sections(sections, volts[channel : channel + 1])
        assert np.array_equal(both[channel], alone[0])
    assert not run_sections(sections, np.zeros((1, 100))).any()


@pytest.mark.parametrize(
    ("zeros", "poles", "rate", "words"),
    [
        ((0, 0), (-1,), 48_000, "2 zeros on 1 poles"),
        ((), (0,), 48_000, "left half-plane"),
        ((), (5,), 48_000, "left half-plane"),
        ((), (-1 + 5j,), 48_000, "poles must come in conjugate pairs"),
        ((-1 + 5j,), (-1 + 5j, -1 - 5j), 48_000, "zeros must come in conjugate pairs"),
        ((), (-1,), 0, "rate = 0 must be above 0"),
        ((), (float("nan"),), 48_000, "poles must be finite"),
        ((), (complex(-1, float("inf")),), 48_000, "poles must be finite"),
    ],
)
def test_refusals(
    zeros: tuple[complex, ...], poles: tuple[complex, ...], rate: float, words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        analogue_sections(zeros, poles, 1.0, rate)


def test_designs_are_quick_and_kept() -> None:
    """A design costs about 0.6 ms, a repeated one next to nothing; the caller may write to his."""
    high_cut(1.0, 48_000)
    _designed.cache_clear()
    started = time.perf_counter()
    for zeros, poles, gain in CIRCUITS.values():
        analogue_sections(zeros, poles, gain, 48_000)
    first_ms = (time.perf_counter() - started) * 1e3 / len(CIRCUITS)
    started = time.perf_counter()
    for zeros, poles, gain in CIRCUITS.values():
        analogue_sections(zeros, poles, gain, 48_000)
    again_ms = (time.perf_counter() - started) * 1e3 / len(CIRCUITS)
    print(f"a design {first_ms:.2f} ms, again {again_ms:.4f} ms")
    assert again_ms < first_ms / 10
    mine = high_cut(1000, 48_000)
    mine[:] = 0
    assert high_cut(1000, 48_000).any()
