"""The delay's bucket-brigade and tape voices, and repeats from side to side."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.signal import hilbert

from simchain.blocks import _delay_voices
from simchain.blocks.base import Moment
from simchain.blocks.delay import Delay
from tests.benchmarks.aliases import aliases_db, tone

RATES = (44_100, 48_000, 96_000, 192_000)
VOICES = ("bucket-brigade", "tape")
both_voices = pytest.mark.parametrize("voice", VOICES)


def unit(voice: str, **given: Any) -> Delay:
    """A delay, wet alone, that runs steadily unless told otherwise."""
    still = {"flutter": 0.0} if voice == "tape" else {}
    return Delay.model_validate({"voice": voice, "mix": 1.0, **still, **given})


def spot_db(voice: str, hz: float, peak: float, time_ms: float, **given: Any) -> float:
    """Gain of the first repeat of a sine in dB, at 48 kHz, at its own frequency."""
    rate = 48_000
    t = np.arange(int(rate * (time_ms / 1e3 + 0.7))) / rate
    x = peak * np.sin(2 * np.pi * hz * t)
    wet = unit(voice, time_ms=time_ms, feedback=0, **given).process(x[np.newaxis], Moment(rate))
    last = np.exp(-2j * np.pi * hz * t[-rate // 5 :]) * np.hanning(rate // 5)
    return 20 * np.log10(np.abs(wet[0, -rate // 5 :] @ last) / np.abs(x[-rate // 5 :] @ last))


@both_voices
@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("time_ms", [1.0, 20.0, 380.0])
def test_the_first_repeat_is_on_time(voice: str, rate: int, time_ms: float) -> None:
    """A soft burst at 800 Hz, by cross-spectrum: within 30 us, 1.5 frames at 48 kHz."""
    t = np.arange(int(rate * (time_ms / 1e3 + 0.2))) / rate
    x = 0.01 * np.exp(-(((t - 0.02) / 6e-4) ** 2) / 2) * np.cos(2 * np.pi * 800 * (t - 0.02))
    wet = unit(voice, time_ms=time_ms, feedback=0, tone_hz=0, latency_ms=0)
    w = 2 * np.pi * np.fft.rfftfreq(4 * t.size, 1 / rate)
    before = np.fft.rfft(x, 4 * t.size)
    after = np.fft.rfft(wet.process(x[np.newaxis], Moment(rate))[0], 4 * t.size)
    cross = after * np.conj(before) * np.exp(1j * w * time_ms / 1e3)
    late_us = -1e6 * np.sum(w * np.abs(cross) * np.angle(cross)) / np.sum(w * w * np.abs(cross))
    print(f"{voice} {time_ms} ms at {rate}: late by {late_us:.1f} us")
    assert abs(late_us) < 30


@pytest.mark.parametrize("dbu", [4, -6, -24, -44, -64, -84])
def test_the_buckets_give_every_level_back(dbu: float) -> None:
    """2:1 and 1:2 are 1:1 within 0.1 dB from -84 to -24 dBu; louder, the buckets round off.

    A sine of peak A before the buckets was one of A (2 A / pi) / U, U the unity; its fundamental
    and its mean after them, which the expander multiplies, by quadrature.
    """
    ceiling, unity = _delay_voices.BUCKETS_CEILING_VOLTS, _delay_voices.COMPANDER_UNITY_VOLTS
    peak = np.sqrt(2) * 0.774597 * 10 ** (dbu / 20)
    inside = np.sqrt(peak * unity * np.pi / 2)

    def soft(turn: float) -> float:
        return inside * np.sin(turn) / np.sqrt(1 + (inside * np.sin(turn) / ceiling) ** 2)

    mean = quad(soft, 0, np.pi)[0] / np.pi
    fundamental = quad(lambda turn: soft(turn) * np.sin(turn), 0, np.pi)[0] * 2 / np.pi
    coupling_db = 10 * np.log10(1 + (30 / 400) ** 2)
    wanted = 20 * np.log10(fundamental * mean / unity / peak) - coupling_db
    found = spot_db("bucket-brigade", 400, peak, 20, tone_hz=0)
    print(f"{dbu} dBu: {found:.3f} dB, {wanted:.3f} by quadrature")
    assert found == pytest.approx(wanted, abs=0.02)
    if dbu <= -24:
        assert found == pytest.approx(0.0, abs=0.1)


def test_unity_of_the_compander_is_minus_6_dbu() -> None:
    mean = 2 / np.pi * np.sqrt(2) * 0.774597 * 10 ** (-6 / 20)
    assert pytest.approx(mean, rel=1e-3) == _delay_voices.COMPANDER_UNITY_VOLTS


@pytest.mark.parametrize(("time_ms", "corner"), [(20, 10_000), (273.067, 5000), (1500, 1000)])
def test_the_bucket_line_s_band(time_ms: float, corner: float) -> None:
    """Two third-order Butterworth low-passes, doubled by the expander, and the coupling."""
    assert _delay_voices.bucket_corner_hz(time_ms / 1e3) == pytest.approx(corner, rel=1e-4)
    for hz in (0.2 * corner, 0.5 * corner, 0.8 * corner):
        # Before the expander; softly, so that the buckets stay linear.
        loss_db = 2 * 10 * np.log10(1 + (hz / corner) ** 6)
        found = spot_db("bucket-brigade", hz, 0.005, time_ms, tone_hz=0)
        coupling_db = 10 * np.log10(1 + (30 / hz) ** 2)
        assert found == pytest.approx(-2 * loss_db - coupling_db, abs=0.1)


@pytest.mark.parametrize("hz", [40.0, 64.0, 90.5, 250.0, 1000.0, 4000.0, 8000.0])
def test_head_bump_and_treble_of_the_tape(hz: float) -> None:
    """s^2 / (s^2 + s w/Q + w^2), Q 1, 64 Hz: +1.25 dB at 90.5 Hz; Butterworth at 8 kHz."""
    u = hz / 64.0
    bump = u**2 / np.hypot(1 - u**2, u)
    wanted = 20 * np.log10(bump) - 10 * np.log10(1 + (hz / 8000) ** 4)
    if hz == 90.5:
        assert wanted == pytest.approx(1.249, abs=1e-3)
    assert spot_db("tape", hz, 1e-3, 50, tone_hz=0) == pytest.approx(wanted, abs=0.05)


def test_tape_saturates_at_0_dbu() -> None:
    """Third harmonic 3 % at 0 dBu, from the Fourier integral of x / sqrt(1 + (x / c)^2)."""
    ceiling, peak = _delay_voices.TAPE_CEILING_VOLTS, 0.774597 * np.sqrt(2)

    def part(k: int) -> float:
        def wave(turn: float) -> float:
            x = peak * np.sin(turn)
            return x / np.sqrt(1 + (x / ceiling) ** 2) * np.sin(k * turn)

        return quad(wave, 0, 2 * np.pi)[0] / np.pi

    assert abs(part(3) / part(1)) == pytest.approx(0.03, abs=2e-4)
    rate, hz = 48_000, 400
    wet = unit("tape", time_ms=20, feedback=0, tone_hz=0).process(
        tone(peak, hz, rate), Moment(rate)
    )
    lines = np.abs(np.fft.rfft(wet[0, rate // 4 : rate // 4 + rate])) / (rate / 2)
    for k in (1, 3, 5):
        u = k * hz / 64.0
        gain = u**2 / np.hypot(1 - u**2, u) / np.sqrt(1 + (k * hz / 8000) ** 4)
        off_db = 20 * np.log10(lines[k * hz] / abs(gain * part(k)))
        print(f"harmonic {k}: {100 * lines[k * hz] / lines[hz]:.3f} %, off by {off_db:.4f} dB")
        assert off_db == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("time_ms", [20.0, 380.0])
@pytest.mark.parametrize("flutter", [0.1, 1.0])
def test_pitch_swings_as_the_delay_moves(time_ms: float, flutter: float) -> None:
    """Doppler: the pitch's ratio is 1 - d'(t), d' in closed form, each instant within 0.1 cent."""
    rate, seed, turn = 48_000, 5, 0.2
    wet = Delay(voice="tape", time_ms=time_ms, mix=1, feedback=0, tone_hz=0, flutter=flutter)
    x = 0.01 * np.sin(2 * np.pi * 2000 * np.arange(8 * rate) / rate)
    row = wet.process(x[np.newaxis], Moment(rate, seed, turn))[0]
    angle = np.unwrap(np.angle(hilbert(row)))
    t = np.arange(rate, 7 * rate, 480)
    ratio = (angle[t + 48] - angle[t - 48]) * rate / (96 * 2 * np.pi * 2000)
    hz, swings_s, phases = _delay_voices.tape_parts(seed)
    turns = np.outer(t / rate, hz) + phases + turn
    slope = flutter * np.cos(2 * np.pi * turns) @ (2 * np.pi * hz * swings_s)
    found, wanted = 1200 * np.log2(ratio), 1200 * np.log2(1 - slope)
    print(f"flutter {flutter}: {found.min():+.2f} to {found.max():+.2f} cents, "
          f"off by {np.abs(found - wanted).max():.4f}")  # fmt: skip
    assert np.abs(found - wanted).max() < 0.1
    assert found.max() > 25 * flutter
    late_ms = -np.mean(_delay_voices.tape_swing(600, time_ms / 1e3, flutter, seed, turn)[0][:, 0])
    assert abs(late_ms * 1e3) < 0.02


def test_depth_1_is_as_stated() -> None:
    """A delay A sin(2 pi f t) bends by 2 pi f A (references §7): 25, 12 and 5 cents RMS."""
    hz, swings_s, _ = _delay_voices.tape_parts(7)
    cents = 1200 * np.log2(1 + 2 * np.pi * hz * swings_s)
    assert (hz[0], hz[1]) == (0.7, 6.5)
    assert cents[:2] == pytest.approx([25, 12])
    assert np.sqrt(np.sum(cents[2:] ** 2) / 2) == pytest.approx(5.0)
    assert hz[2:].min() >= 1.0
    assert hz[2:].max() <= 15.0


@both_voices
@pytest.mark.parametrize("peak", [0.17, 0.55, 1.1, 3.09])
def test_aliases(voice: str, peak: float) -> None:
    """-10 to +9 dBu, the ceiling: 80 dB down for 997 and 1249 Hz, 60 for 4999, tone off."""
    for rate in (44_100, 48_000):
        found = [
            aliases_db(
                unit(voice, time_ms=20, tone_hz=0).process(tone(peak, hz, rate), Moment(rate))[0],
                *(hz, rate),
            )
            for hz in (997, 1249, 4999)
        ]
        print(f"{voice} {peak} V at {rate}: " + ", ".join(f"{one:.1f}" for one in found))
        assert max(found[:2]) < -80
        assert found[2] < -60


def noise(rate: int, seconds: int = 4, top_hz: int = 18_000) -> np.ndarray:
    """0.3 V RMS of noise to 18 kHz that fades in, the same wave at every rate."""
    rng, parts = np.random.default_rng(1), top_hz * seconds
    spectrum = np.zeros(rate * seconds // 2 + 1, complex)
    spectrum[1:parts] = rng.normal(size=parts - 1) + 1j * rng.normal(size=parts - 1)
    row = np.fft.irfft(spectrum, rate * seconds) * rate
    row *= 0.3 / np.std(row)
    row[: rate // 10] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rate // 10) / (rate // 10))
    return row[np.newaxis]


def thirds_db(row: np.ndarray, rate: int, top_hz: float) -> np.ndarray:
    power = np.abs(np.fft.rfft(row * np.hanning(row.size) / row.size)) ** 2
    hz = np.fft.rfftfreq(row.size, 1 / rate)
    middles = 1000 * 2.0 ** (np.arange(-14, 11) / 3)
    edges = [(m / 2 ** (1 / 6), m * 2 ** (1 / 6)) for m in middles if m <= top_hz * 1.1]
    return np.array([10 * np.log10(power[(hz >= a) & (hz < b)].sum()) for a, b in edges])


@both_voices
@pytest.mark.parametrize(
    "given", [{"time_ms": 380}, {"time_ms": 1}, {"time_ms": 100, "tone_hz": 0, "feedback": 0.8}]
)
def test_the_same_at_every_rate(voice: str, given: dict[str, Any]) -> None:
    """Third octaves to 10 kHz (8 kHz at 44.1) within 0.2 dB."""
    moving = {"flutter": 1.0} if voice == "tape" else {}
    made = unit(voice, **given, **moving)
    at_96 = thirds_db(made.process(noise(96_000), Moment(96_000, 3))[0], 96_000, 10_000)
    for rate, top_hz in ((44_100, 8000), (48_000, 10_000)):
        found = thirds_db(made.process(noise(rate), Moment(rate, 3))[0], rate, top_hz)
        worst = np.abs(found - at_96[: found.size]).max()
        print(f"{voice} {given} at {rate}: within {worst:.4f} dB of 96 kHz")
        assert worst < 0.2


@both_voices
@pytest.mark.parametrize("time_ms", [1.0, 20.0, 380.0])
def test_more_feedback_than_1_swells_to_a_steady_level(voice: str, time_ms: float) -> None:
    rate = 48_000
    x = np.zeros((1, 30 * rate))
    x[0, :rate] = 20 * np.sign(np.sin(2 * np.pi * 220 * np.arange(rate) / rate))
    made = unit(voice, time_ms=time_ms, feedback=1.05)
    wet = made.process(x, Moment(rate))[0]
    loudest = [np.abs(wet[rate * s : rate * (s + 2)]).max() for s in (0, 26, 28)]
    print(f"{voice} {time_ms} ms: {loudest[0]:.2f} V, then {loudest[1]:.3f} and {loudest[2]:.3f}")
    ceiling = (_delay_voices.TAPE_CEILING_VOLTS, _delay_voices.BUCKETS_CEILING_VOLTS)
    most = 2 * (ceiling[0] if voice == "tape" else ceiling[1] ** 2 / 0.3495)
    assert loudest[0] < most
    assert 0.05 < loudest[2] < 2.5
    assert loudest[2] == pytest.approx(loudest[1], rel=0.1)


def test_the_tape_s_swell_stands_where_its_gain_is_1() -> None:
    """Describing function of the saturation times bump and feedback is 1, for the loudest comb.

    Short delay: one mode, near the bump; its level by quadrature, from outside.
    """
    rate, ceiling = 48_000, _delay_voices.TAPE_CEILING_VOLTS
    x = np.zeros((1, 20 * rate))
    x[0, :480] = 0.1
    wet = unit("tape", time_ms=11.4, feedback=1.05, tone_hz=0).process(x, Moment(rate))[0, -rate:]
    hz = np.argmax(np.abs(np.fft.rfft(wet * np.hanning(rate))))
    u = hz / 64.0
    loop = 1.05 * u**2 / np.hypot(1 - u**2, u) / np.sqrt(1 + (hz / 8000) ** 4)

    def gain(peak: float) -> float:
        return (
            quad(
                lambda a: np.sin(a) ** 2 / np.sqrt(1 + (peak * np.sin(a) / ceiling) ** 2), 0, np.pi
            )[0]
            * 2
            / np.pi
        )

    wanted = brentq(lambda peak: loop * gain(peak) - 1, 1e-3, 50) / 1.05
    found = np.sqrt(2) * np.std(wet)
    print(f"swells at {hz} Hz to {found:.3f} V peak; describing function {wanted:.3f}")
    assert found == pytest.approx(wanted, rel=0.05)


@both_voices
def test_voices_are_not_linear_by_a_margin(voice: str) -> None:
    rate, made = 48_000, Delay(voice=voice)
    t = np.arange(rate) / rate
    one, other = (3 * np.sin(2 * np.pi * hz * t)[np.newaxis] for hz in (196.0, 330.0))
    apart = 0.5 * made.process(one, Moment(rate)) - 3 * made.process(other, Moment(rate))
    together = made.process(0.5 * one - 3 * other, Moment(rate))
    off_db = 20 * np.log10(np.abs(apart - together).max() / np.abs(apart).max())
    print(f"{voice}: superposition off by {off_db:.1f} dB")
    assert off_db > -30
    assert not made.is_lti()
    assert Delay(voice=voice, mix=0).is_lti()


@both_voices
def test_the_dry_is_untouched(voice: str) -> None:
    x = np.random.default_rng(1).normal(size=(1, 24_000))
    wet, mixed = unit(voice), unit(voice, mix=0.3)
    out = mixed.process(x, Moment(48_000)) - np.sin(0.15 * np.pi) * wet.process(x, Moment(48_000))
    assert np.abs(out - np.cos(0.15 * np.pi) * x).max() < 1e-14
    assert np.array_equal(unit(voice, mix=0).process(x, Moment(48_000)), x)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(data=st.data())
def test_any_setting_on_any_sound(data: st.DataObject) -> None:
    """To the ends of what the models allow: finite, bounded, silent after silence, repeatable."""
    voice = data.draw(st.sampled_from(("clean", *VOICES)))
    outputs = data.draw(st.sampled_from((1, 2)))
    table = {
        "voice": voice,
        "inputs": data.draw(st.sampled_from((1, 2))),
        "outputs": outputs,
        "spread": data.draw(st.floats(0, 1)) if outputs == 2 else 0,
        "time_ms": data.draw(st.floats(1, 60) | st.floats(1, 10_000)),
        "feedback": data.draw(st.floats(0, 0.98 if voice == "clean" else 1.05)),
        "tone_hz": data.draw(st.sampled_from((0, 0.01, 20_000)) | st.floats(0, 20_000)),
        "mix": data.draw(st.floats(0, 1)),
    } | ({"flutter": data.draw(st.floats(0, 1))} if voice == "tape" else {})
    made = Delay.model_validate(table)
    now = Moment(data.draw(st.sampled_from(RATES)), data.draw(st.integers(0, 2**40)), 0.7)
    frames = data.draw(st.sampled_from((1, 2, 40, 4096, 4097)) | st.integers(1, 9000))
    x = np.random.default_rng(frames).uniform(-20, 20, (made.inputs, frames))
    kept = x.copy()
    out = made.process(x, now)
    assert out.shape == (outputs, frames)
    assert out.flags.c_contiguous
    assert np.isfinite(out).all()
    assert np.array_equal(x, kept)
    assert np.abs(out).max() < (2500 if voice == "clean" else 60)
    assert np.array_equal(made.process(x, now), out)
    assert not made.process(np.zeros_like(x), now).any()


@pytest.mark.parametrize(
    ("given", "figures"),
    [
        ({"voice": "bucket-brigade"}, (False, 0.0, 25, 150)),
        ({"voice": "bucket-brigade", "current_ma": 40}, (False, 0.0, 40, 150)),
        ({"voice": "bucket-brigade", "digital": True}, (True, 1.5e-3, 120, 25)),
        ({"voice": "tape"}, (True, 1.5e-3, 120, 25)),
        ({}, (True, 1.5e-3, 120, 25)),
    ],
)
def test_electrical_figures_of_the_voices(given: dict[str, Any], figures: tuple) -> None:
    """Practice §1."""
    made = Delay.model_validate(given)
    found = (made.is_digital, made.wet_latency_s, made.current_ma, made.noise_out_uv)
    assert found == figures


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (
            {"voice": "bucket-brigade", "flutter": 0.2},
            'flutter = 0.2 needs voice = "tape": the bucket-brigade voice runs steadily',
        ),
    ],
)
def test_refused(given: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        Delay.model_validate(given)
