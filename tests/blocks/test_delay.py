"""The clean delay: repeats exact in time and level, against pulses and closed forms."""

from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from simchain.blocks.base import Moment
from simchain.blocks.delay import Delay, note_ms

RATES = (44_100, 48_000, 96_000, 192_000)


def pulse(at_frames: float, frames: int) -> np.ndarray:
    """A band-limited pulse (Gaussian, -138 dB at 0.8 of Nyquist), centred between frames."""
    w = np.linspace(0, np.pi, frames // 2 + 1)
    spectrum = np.exp(-(w**2) / (2 * 0.445**2)) * np.exp(-1j * w * at_frames)
    return np.fft.irfft(spectrum, frames)


def late_and_level(row: np.ndarray, wanted: np.ndarray) -> tuple[float, float]:
    """Frames by which `row` is later than `wanted`, and its level in dB, by cross-spectrum."""
    cross = np.fft.rfft(row) * np.conj(np.fft.rfft(wanted))
    power = np.abs(np.fft.rfft(wanted)) ** 2
    w = np.linspace(0, np.pi, power.size)
    late = -np.sum(w * power * np.angle(cross)) / np.sum(w * w * power)
    return late, 20 * np.log10(np.sum(cross.real) / np.sum(power))


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("time_ms", [1.0, 7.3, 41.237, 380.0, 61.0013])
def test_repeats_are_exact_in_time_and_level(rate: int, time_ms: float) -> None:
    """Repeat k comes k times the delay after the dry note with the gain feedback^(k-1)."""
    delay, feedback, repeats = time_ms * rate / 1e3, 0.9, 20 if time_ms < 100 else 5
    x = np.zeros((1, round((repeats + 1) * delay) + 400))
    x[0, :256] = pulse(100.0, 256)
    unit = Delay(time_ms=time_ms, feedback=feedback, tone_hz=0, mix=1, latency_ms=0)
    wet = unit.process(x, Moment(rate))[0]
    room = 40  # nine standard deviations of the pulse to a side
    worst_late = worst_db = 0.0
    for k in range(1, repeats + 1):
        centre = 100.0 + k * delay
        first = int(centre) - room // 2
        wanted = feedback ** (k - 1) * pulse(centre - first, 256)[:room]
        late, level = late_and_level(wet[first : first + room], wanted)
        worst_late, worst_db = max(worst_late, abs(late)), max(worst_db, abs(level))
    print(f"{time_ms} ms at {rate}: {worst_late:.6f} frame, {worst_db:.5f} dB")
    assert worst_late < 0.01
    assert worst_db < 0.05


def test_the_dry_stays_and_mixes_at_equal_power() -> None:
    """Board §2: dry cos(pi m / 2), wet sin(pi m / 2)."""
    x = np.random.default_rng(1).normal(size=(1, 48_000))
    now = Moment(48_000)
    wet = Delay(mix=1).process(x, now)
    for mix in (0.0, 0.25, 0.5):
        out = Delay(mix=mix).process(x, now)
        truth = np.cos(np.pi * mix / 2) * x + np.sin(np.pi * mix / 2) * wet
        assert np.abs(out - truth).max() < 1e-14
    assert np.array_equal(Delay(mix=0).process(x, now), x)


@pytest.mark.parametrize(
    ("feedback", "t60_s", "step_db"),
    [
        (0.5, 3.48802, -6.0206),
        (0.7, 6.77848, -3.0980),
        (0.8, 10.83479, -1.9382),
        (0.9, 22.94706, -0.9151),
    ],
)
def test_echo_decay(feedback: float, t60_s: float, step_db: float) -> None:
    """References §7: T60 = -3 d / log10 g and the dB of each repeat, d = 0.35 s."""
    x = np.zeros((1, 48_000 * 4))
    x[0, 0] = 1.0
    unit = Delay(time_ms=350, feedback=feedback, tone_hz=0, mix=1)
    wet = unit.process(x, Moment(48_000))[0]
    repeats_db = 20 * np.log10(wet[16_800::16_800])
    assert np.count_nonzero(wet) == repeats_db.size
    assert np.diff(repeats_db) == pytest.approx(np.full(repeats_db.size - 1, step_db), abs=1e-4)
    assert -60 / np.polyfit(0.35 * np.arange(repeats_db.size), repeats_db, 1)[0] == pytest.approx(
        t60_s, abs=1e-4
    )


def test_each_repeat_passes_the_tone_once_more() -> None:
    """First-order low-pass: -10 log10(1 + (f / tone_hz)^2) dB a pass, within 0.03 dB to 10 kHz."""
    rate, tone_hz = 48_000, 4000.0
    x = np.zeros((1, 5 * rate // 10))
    x[0, 0] = 1.0
    wet = Delay(time_ms=100, feedback=0.5, tone_hz=tone_hz, mix=1).process(x, Moment(rate))[0]
    hz = np.array((100.0, 1000.0, 4000.0, 10_000.0))
    turns = np.exp(-2j * np.pi * np.outer(hz, np.arange(4800)) / rate)
    for k in (1, 2, 3, 4):
        found = 20 * np.log10(np.abs(turns @ wet[4800 * k : 4800 * (k + 1)]))
        wanted = 20 * np.log10(0.5) * (k - 1) - 10 * k * np.log10(1 + (hz / tone_hz) ** 2)
        assert found == pytest.approx(wanted, abs=0.03 * k)


def test_time_counts_from_the_dry_note_converters_included() -> None:
    x = np.zeros((1, 3000))
    x[0, 0] = 1.0

    def comes_at(**given: float) -> list[int]:
        unit = Delay(tone_hz=0, feedback=0.5, mix=1, **given)
        return np.flatnonzero(np.abs(unit.process(x, Moment(48_000))[0]) > 0.3).tolist()

    assert comes_at(time_ms=20) == [960, 1920]
    assert comes_at(time_ms=20, latency_ms=5) == [960, 1920]
    assert comes_at(time_ms=20, latency_ms=25) == [1200, 2160]


def test_channels() -> None:
    x = np.random.default_rng(2).normal(size=(2, 30_000))
    now = Moment(48_000)
    both = Delay(inputs=2, outputs=2).process(x, now)
    for row, out in zip(x, both, strict=True):
        assert np.array_equal(Delay().process(row[np.newaxis], now)[0], out)
    assert np.abs(Delay(inputs=2).process(x, now)[0] - both.mean(axis=0)).max() < 1e-14
    twice = Delay(outputs=2).process(x[:1], now)
    assert np.array_equal(twice[0], twice[1])


@pytest.mark.parametrize(
    ("bpm", "note", "ms"),
    [
        (120, "quarter", 500.0),
        (120, "dotted eighth", 375.0),
        (120, "triplet eighth", 166.667),
        (60, "whole", 4000.0),
        (90, "sixteenth", 166.667),
        (100, "triplet half", 800.0),
    ],
)
def test_tempo(bpm: float, note: str, ms: float) -> None:
    """References §7 (120 bpm) and arithmetic."""
    assert note_ms(bpm, note) == pytest.approx(ms, abs=1e-3)
    assert Delay.model_validate({"bpm": bpm, "note": note}).delay_ms == pytest.approx(ms, abs=1e-3)


def test_defaults() -> None:
    """Practice §1."""
    unit = Delay()
    assert (unit.delay_ms, unit.feedback, unit.mix, unit.tone_hz) == (380, 0.35, 0.25, 4000)
    assert (unit.input_ohm, unit.output_ohm, unit.current_ma, unit.noise_out_uv) == (
        1e6,
        500,
        120,
        25,
    )
    assert unit.is_digital
    assert unit.is_lti()
    assert not Delay(digital=False).is_digital
    assert not Delay(voice="bucket-brigade").is_digital


@pytest.mark.parametrize(
    ("given", "rings"),
    [
        ({}, True),
        ({"bypass": "true"}, False),
        ({"trails": False}, False),
        ({"trails": True}, True),
        ({"trails": False, "bypass": "true"}, False),
    ],
)
def test_trails_follow_the_bypass(given: dict[str, Any], rings: bool) -> None:
    assert Delay.model_validate(given).has_trails is rings


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"time_ms": 0.5}, "greater than or equal to 1"),
        ({"bpm": 92}, "bpm is given without note"),
        ({"note": "eighth"}, "note is given without bpm"),
        ({"bpm": 92, "note": "eighth", "time_ms": 380}, "either time_ms, or bpm and note"),
        ({"bpm": 20, "note": "dotted whole"}, "lasts 18000 ms; 1 to 10000 ms are allowed"),
        ({"bpm": 92, "note": "dashed eighth"}, "dotted eighth"),
        ({"feedback": 0.99}, "0 to 0.98 are allowed"),
        ({"voice": "tape", "feedback": 1.06}, "less than or equal to 1.05"),
        ({"flutter": 0.1}, 'flutter = 0.1 needs voice = "tape"'),
        ({"trails": True, "bypass": "true"}, 'trails = true needs bypass = "buffered"'),
    ],
)
def test_refused(given: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        Delay.model_validate(given)
