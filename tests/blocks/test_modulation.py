"""Chorus, flanger, phaser, vibrato, tremolo against references §6 and §7 (figures typed in)."""

from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from simchain.blocks.base import Moment
from simchain.blocks.delay import Delay
from simchain.blocks.modulation import Modulation

RATE = 48_000
NOW = Moment(RATE)


def sine(hz: float, seconds: float, rate: int = RATE) -> np.ndarray:
    return np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)[np.newaxis]


def amplitude(row: np.ndarray, hz: float) -> float:
    """Of a whole number of periods."""
    return 2 * abs(np.dot(row, np.exp(-2j * np.pi * hz * np.arange(row.size) / RATE))) / row.size


def response(
    unit: Modulation, rate: int = RATE, frames: int = 1 << 16, struck: int = 0
) -> np.ndarray:
    """Of a unit at rest, at the frequencies of rfft, to an impulse in frame `struck`."""
    impulse = np.zeros((1, frames))
    impulse[0, struck] = 1.0
    return np.fft.rfft(unit.process(impulse, Moment(rate))[0])


def notches_hz(unit: Modulation, below: float = 15_000) -> np.ndarray:
    level = np.abs(response(unit, struck=1000))  # filters may ring ahead of it
    hz = np.fft.rfftfreq(2 * level.size - 2, 1 / RATE)
    dips = np.flatnonzero((level[1:-1] < level[:-2]) & (level[1:-1] < level[2:])) + 1
    dips = dips[(level[dips] < 0.03) & (hz[dips] < below)]
    return hz[dips]


def instantaneous_hz(row: np.ndarray) -> np.ndarray:
    """From the analytic signal's phase: exact when `row` is a whole number of periods.

    Taken over 32 frames, so that what the interpolator adds 90 dB down does not count.
    """
    from scipy.signal import hilbert

    phase = np.unwrap(np.angle(hilbert(row)))
    return (phase[32:] - phase[:-32]) / 32 * RATE / (2 * np.pi)


@pytest.mark.parametrize(
    ("depth", "m", "side_db"), [(1.0, 1.0, -6.0206), (2 / 3, 0.5, -12.0412), (0.4, 0.25, -18.0618)]
)
def test_tremolo_side_bands(depth: float, m: float, side_db: float) -> None:
    """References §7: 1 + m sin has side bands of m/2; here m = depth / (2 - depth)."""
    assert m == pytest.approx(depth / (2 - depth))
    out = Modulation(shape="tremolo", depth=depth).process(sine(1000, 2), NOW)[0]
    carrier = amplitude(out, 1000)
    assert carrier == pytest.approx(1 - depth / 2, rel=1e-9)
    for hz in (995, 1005):
        found_db = 20 * np.log10(amplitude(out, hz) / carrier)
        print(f"depth {depth:.3f}: side band at {hz} Hz {found_db:.4f} dB (theory {side_db})")
        assert found_db == pytest.approx(side_db, abs=1e-3)


def test_tremolo_gain_swings_between_1_and_1_less_depth() -> None:
    gain = Modulation(shape="tremolo", depth=0.8).process(np.ones((1, 2 * RATE)), NOW)[0]
    assert gain[0] == 1.0
    assert gain.max() == pytest.approx(1.0)
    assert gain.min() == pytest.approx(0.2)
    assert np.abs(np.diff(gain)).max() <= 0.4 * 2 * np.pi * 5 / RATE * 1.0001


@pytest.mark.parametrize(("time_ms", "commute"), [(200, True), (400, True), (100, False)])
def test_tremolo_and_delay_commute_when_rate_times_delay_is_whole(
    time_ms: float, commute: bool
) -> None:
    """References §15: they differ by m sqrt2 |sin(pi f D)| of the carrier, 0.7071 at 0.1 s."""
    tremolo = Modulation(shape="tremolo", depth=2 / 3, rate_hz=5)
    delay = Delay(time_ms=time_ms, feedback=0, tone_hz=0, mix=1, latency_ms=0)
    x = sine(1000, 3)
    one = delay.process(tremolo.process(x, NOW), NOW)
    other = tremolo.process(delay.process(x, NOW), NOW)
    steady = slice(RATE, 3 * RATE)
    rms = np.std((one - other)[0, steady]) / (np.std(x[0, steady]) * (1 - 1 / 3))
    theory = 0.5 * np.sqrt(2) * abs(np.sin(np.pi * 5 * time_ms / 1e3))
    print(f"{time_ms} ms: difference {rms:.6f} of the carrier, theory {theory:.6f}")
    assert rms == pytest.approx(theory, abs=1e-6)
    assert (rms < 1e-9) == commute


@pytest.mark.parametrize(
    ("stages", "expected"),
    [(2, [1000.0]), (4, [414.7042, 2397.7862]), (6, [268.3049, 1000.0, 3665.4138])],
)
def test_phaser_kernel_notches_of_the_references(stages: int, expected: list[float]) -> None:
    """References §6, digital all-passes with their corner at 1 kHz, 48 kHz, dry + wet equal."""
    from simchain.kernels.modulation import all_passes

    c = -0.876976463
    hz = np.array(expected)
    n = 1 << 15
    impulse = np.zeros(n)
    impulse[0] = 1.0
    sum_of_both = 0.5 * impulse + 0.5 * all_passes(impulse, np.full(n, c), np.zeros(stages), 0.0)
    left = np.abs(np.exp(-2j * np.pi * np.outer(hz, np.arange(n)) / RATE) @ sum_of_both)
    assert (left < 1e-5).all()


@pytest.mark.parametrize("stages", [2, 4, 6, 8])
def test_phaser_notches_at_rest(stages: int) -> None:
    """f = (rate/pi) atan(t tan((2m+1) pi / 2N)), t = tan(pi fc / rate), fc = sqrt(200 * 2000).

    The all-passes run at twice the board's 48 kHz.
    """
    unit = Modulation(shape="phaser", depth=0, stages=stages, feedback=0, mix=0.5)
    corner = np.sqrt(200.0 * 2000.0)
    parts = np.tan((2 * np.arange(stages // 2) + 1) * np.pi / (2 * stages))
    fast = 2 * RATE
    expected = fast / np.pi * np.arctan(np.tan(np.pi * corner / fast) * parts)
    found = notches_hz(unit)
    print(f"{stages} stages: notches {np.round(found, 2)}, formula {np.round(expected, 2)} Hz")
    assert found == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(("phase", "corner"), [(0.25, 2000.0), (0.75, 200.0)])
def test_phaser_sweeps_200_to_2000_hz_at_depth_1(phase: float, corner: float) -> None:
    unit = Modulation(shape="phaser", depth=1, rate_hz=0, phase=phase, feedback=0, stages=2)
    assert notches_hz(unit) == pytest.approx([corner], rel=0.01)


def test_flanger_comb() -> None:
    """References §6: notches (2k + 1)/(2 tau), dry + wet equal; tau = sqrt(0.3 * 8) ms at rest."""
    unit = Modulation(shape="flanger", depth=0, feedback=0)
    tau = np.sqrt(0.3 * 8.0) / 1e3
    found = notches_hz(unit, below=10_000)
    expected = (2 * np.arange(found.size) + 1) / (2 * tau)
    assert found.size >= 15
    assert found == pytest.approx(expected, abs=1.0)


@pytest.mark.parametrize(("phase", "late_ms"), [(0.25, 8.0), (0.75, 0.3)])
@pytest.mark.parametrize("rate", [44_100, 192_000])
def test_flanger_reaches_its_ends(phase: float, late_ms: float, rate: int) -> None:
    unit = Modulation(shape="flanger", depth=1, rate_hz=0, phase=phase, feedback=0, mix=1)
    wet = response(unit, rate)
    w = np.arange(1, 4000) * 2 * np.pi / (1 << 16)
    late_frames = -np.polyfit(w, np.unwrap(np.angle(wet[1:4000])), 1)[0]
    assert late_frames / rate * 1e3 == pytest.approx(late_ms, abs=1e-4)


@pytest.mark.parametrize("depth", [0.5, 1.0])
def test_chorus_bends_pitch_as_its_delay_says(depth: float) -> None:
    """Ratio 1 - d'(t), d' = 2 pi f A: A = 3.5 ms depth, f = 0.8 Hz (references §7)."""
    out = Modulation(shape="chorus", depth=depth, mix=1).process(sine(1000, 2.5), NOW)[0]
    hz = instantaneous_hz(out[round(1.25 * RATE) :])
    up, down = 1200 * np.log2(np.array((hz.max(), hz.min())) / 1000)
    slope = 2 * np.pi * 0.8 * 3.5e-3 * depth
    print(f"chorus depth {depth}: {up:+.2f} and {down:+.2f} cents")
    assert up == pytest.approx(1200 * np.log2(1 + slope), abs=0.05)
    assert down == pytest.approx(1200 * np.log2(1 - slope), abs=0.05)


@pytest.mark.parametrize(("rate_hz", "phase"), [(0, 0.25), (0, 0.75)])
def test_chorus_delay_at_its_ends(rate_hz: float, phase: float) -> None:
    unit = Modulation(shape="chorus", depth=1, rate_hz=rate_hz, phase=phase, mix=1)
    wet = response(unit)
    w = np.arange(1, 4000) * 2 * np.pi / (1 << 16)
    late_ms = -np.polyfit(w, np.unwrap(np.angle(wet[1:4000])), 1)[0] / RATE * 1e3
    assert late_ms == pytest.approx(12 + 3.5 * np.sin(2 * np.pi * phase), abs=1e-4)


@pytest.mark.parametrize("rate_hz", [3.0, 5.0, 8.0])
def test_vibrato_bends_by_40_cents(rate_hz: float) -> None:
    out = Modulation(shape="vibrato", depth=1, rate_hz=rate_hz).process(sine(1000, 2), NOW)[0]
    hz = instantaneous_hz(out[RATE:])
    up, down = 1200 * np.log2(np.array((hz.max(), hz.min())) / 1000)
    print(f"vibrato at {rate_hz} Hz: {up:+.2f} and {down:+.2f} cents")
    bend = 2 ** (40 / 1200) - 1
    assert up == pytest.approx(40, abs=0.05)
    assert down == pytest.approx(1200 * np.log2(1 - bend), abs=0.05)


def test_phase_modulation_index() -> None:
    """References §7: 1 kHz, A = 0.1 ms: J0..J3 = .903713 .298909 .047744 .005041.

    The interpolator's level at 1 kHz is within 0.0004 dB, 5e-5.
    """
    swing_ms, rate_hz = 0.1, 5.0
    unit = Modulation(shape="chorus", depth=swing_ms / 3.5, rate_hz=rate_hz, mix=1)
    out = unit.process(sine(1000, 3), NOW)[0][RATE:]
    for order, bessel in enumerate((0.903713, 0.298909, 0.047744, 0.005041)):
        assert amplitude(out, 1000 + order * rate_hz) == pytest.approx(bessel, abs=5e-5)


@pytest.mark.parametrize("shape", ["chorus", "flanger", "phaser", "vibrato", "tremolo"])
def test_nothing_zips_or_clicks(shape: str) -> None:
    """Fastest usual sweep at full depth on 1 kHz: nothing above 6 kHz but what lies 90 dB down."""
    unit = Modulation(shape=shape, depth=1, rate_hz=5, feedback=0)
    out = unit.process(sine(1000, 2), NOW)[0][RATE:]
    spectrum = np.abs(np.fft.rfft(out * np.blackman(out.size)))
    high_db = 20 * np.log10(spectrum[6000:].max() / spectrum.max())
    print(f"{shape}: loudest above 6 kHz {high_db:.1f} dB")
    assert high_db < -85


@pytest.mark.parametrize("shape", ["chorus", "flanger", "phaser", "vibrato", "tremolo"])
def test_width_and_phase_move_the_sine(shape: str) -> None:
    """The second output at width w is the first at phase w / 2; turn and phase add."""
    x = np.random.default_rng(1).normal(size=(1, 3000))
    both = Modulation(shape=shape, outputs=2, width=0.6, rate_hz=4).process(x, NOW)
    alone = Modulation(shape=shape, rate_hz=4).process(x, NOW)
    moved = Modulation(shape=shape, rate_hz=4, phase=0.1).process(x, Moment(RATE, turn=0.2))
    assert np.abs(both[0] - alone[0]).max() < 1e-12
    assert np.abs(both[1] - moved[0]).max() < 1e-9
    assert np.abs(both[1] - both[0]).max() > 1e-3
    equal = Modulation(shape=shape, outputs=2, width=0, rate_hz=4).process(x, NOW)
    assert np.array_equal(equal[0], equal[1])


def test_two_inputs_stay_apart_or_are_averaged() -> None:
    x = np.random.default_rng(2).normal(size=(2, 2000))
    apart = Modulation(inputs=2, outputs=2, width=0).process(x, NOW)
    for row, out in zip(x, apart, strict=True):
        assert np.array_equal(Modulation().process(row[np.newaxis], NOW)[0], out)
    folded = Modulation(inputs=2).process(x, NOW)
    assert np.abs(folded[0] - apart.mean(axis=0)).max() < 1e-12


def test_mix_is_linear() -> None:
    x = np.random.default_rng(3).normal(size=(1, 2000))
    wet = Modulation(mix=1).process(x, NOW)
    assert np.abs(Modulation(mix=0.3).process(x, NOW) - (0.7 * x + 0.3 * wet)).max() < 1e-14
    assert np.array_equal(Modulation(mix=0).process(x, NOW), x)


def test_converters_delay_the_wet() -> None:
    x = np.random.default_rng(4).normal(size=(1, 2000))
    for shape in ("phaser", "tremolo"):
        analogue = Modulation(shape=shape, depth=0, mix=1).process(x, NOW)
        digital = Modulation(shape=shape, depth=0, mix=1, digital=True).process(x, NOW)
        assert np.array_equal(digital[:, 72:], analogue[:, :-72])
    still = Modulation(depth=0, mix=1, digital=True)
    assert np.abs(still.process(x, NOW)[0, 648:] - x[0, :-648]).max() < 1e-12


@pytest.mark.parametrize(
    ("shape", "rate_hz", "feedback", "mix"),
    [
        ("chorus", 0.8, 0, 0.5),
        ("flanger", 0.3, 0.4, 0.5),
        ("phaser", 0.6, 0.4, 0.5),
        ("vibrato", 5, 0, 1),
        ("tremolo", 5, 0, 1),
    ],
)
def test_defaults_follow_the_shape(shape: str, rate_hz: float, feedback: float, mix: float) -> None:
    """Practice §1."""
    unit = Modulation(shape=shape)
    assert (unit.lfo_hz, unit.fed_back, unit.wet_share) == (rate_hz, feedback, mix)
    assert not unit.is_lti()
    assert Modulation(shape=shape, mix=0).is_lti()
    # A phaser at rest is not claimed: its oversampling looks ahead.
    assert Modulation(shape=shape, depth=0).is_lti() == (shape != "phaser")
    assert Modulation(shape=shape, rate_hz=0).is_lti() == (shape != "phaser")


def test_electrical_data() -> None:
    """Practice §1: analogue unless said; digital ones draw 90 mA and make 25 uV."""
    unit, digital = Modulation(), Modulation(digital=True)
    assert not unit.is_digital
    assert (unit.input_ohm, unit.output_ohm, unit.current_ma, unit.noise_out_uv) == (
        5e5,
        500,
        15,
        120,
    )
    assert (digital.current_ma, digital.noise_out_uv, digital.wet_latency_s) == (90, 25, 1.5e-3)
    assert Modulation(digital=True, current_ma=60).current_ma == 60
    assert Modulation.model_validate(digital.model_dump()) == digital


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"shape": "phaser", "stages": 5}, "stages = 5 must be even"),
        ({"shape": "chorus", "stages": 4}, 'stages = 4 needs shape = "phaser"'),
        ({"shape": "tremolo", "feedback": 0.3}, "feedback = 0.3 does not fit a tremolo"),
        ({"feedback": 1.0}, "less than or equal to 0.98"),
    ],
)
def test_refused(given: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        Modulation.model_validate(given)
