"""The octaves of tones: frequency, level, what lies beside them; latency; the direct sound."""

from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError
from scipy.fft import next_fast_len

from simchain.blocks.base import Moment
from simchain.blocks.octave import LATENCY_MS, Octave

RATE = 48_000
NOTHING: dict[str, Any] = {"up_mix": 0, "down_mix": 0, "direct_mix": 0}
UP, DOWN = NOTHING | {"up_mix": 1}, NOTHING | {"down_mix": 1}


def sound(given: dict[str, Any], x: np.ndarray, rate: int = RATE) -> np.ndarray:
    return Octave.model_validate(given).process(x[np.newaxis], Moment(rate))[0]


def tone(hz: float, seconds: float, rate: int = RATE) -> np.ndarray:
    return np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)


def strongest(part: np.ndarray, rate: int) -> tuple[float, float, float]:
    """Frequency, level in dB of the strongest partial, and the rest's power against it in dB.

    The frequency is the phase's slope between two halves; 4-term Blackman-Harris window.
    """
    turn = 2 * np.pi * np.arange(part.size) / part.size
    window = 0.35875 - 0.48829 * np.cos(turn) + 0.14128 * np.cos(2 * turn)
    window -= 0.01168 * np.cos(3 * turn)
    count = next_fast_len(4 * part.size)
    spectrum = np.abs(np.fft.rfft(part * window, count)) / (window.sum() / 2)
    at = int(np.argmax(spectrum))
    hz = at * rate / count
    t = np.arange(part.size) / rate
    wave = part * np.exp(-2j * np.pi * hz * t)
    half = part.size // 2
    ends = np.sum(wave[:half] * np.hanning(half)), np.sum(wave[-half:] * np.hanning(half))
    hz += np.angle(ends[1] * np.conj(ends[0])) / (2 * np.pi * (part.size - half) / rate)
    near = np.abs(np.fft.rfftfreq(count, 1 / rate) - hz) < 5 * rate / part.size
    rest = np.sum(spectrum[~near] ** 2) / np.sum(spectrum[near] ** 2)
    return hz, 20 * np.log10(spectrum[at]), 10 * np.log10(rest)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_octaves_of_tones(rate: int) -> None:
    """82 to 1000 Hz: frequency within 0.1 %, level within 0.1 dB, all else 55 dB down."""
    worst = np.zeros(2)
    beside = -200.0
    for hz in (82.41, 97.3, 110, 146.83, 196, 246.94, 329.63, 440, 659.26, 1000):
        for given, ratio in ((UP, 2.0), (DOWN, 0.5)):
            part = sound(given, tone(hz, 1.5, rate), rate)[rate // 2 :]
            found, level, rest = strongest(part, rate)
            worst = np.maximum(worst, (abs(found / (ratio * hz) - 1), abs(level)))
            beside = max(beside, rest)
    print(
        f"{rate}: frequency within {100 * worst[0]:.4f} %, level {worst[1]:.3f} dB, "
        f"the rest {beside:.1f} dB"
    )
    assert worst[0] < 0.001
    assert worst[1] < 0.1
    assert beside < -55


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_aliases_of_the_octave_up(rate: int) -> None:
    """Non-harmonic against harmonic power to 20 kHz, within 4 Hz counted as harmonic.

    Wider than in tests/benchmarks/aliases.py: splices may put an octave off by some 0.1 Hz.
    """
    for hz in (997, 1249, 4999):
        part = sound(UP, 0.3 * tone(hz, 1.25, rate), rate)[rate // 4 :]
        power = np.abs(np.fft.rfft(part * np.hanning(rate)))[1:20_001] ** 2
        away = np.arange(1, 20_001) % hz
        harmonic = np.minimum(away, hz - away) <= 4
        level = 10 * np.log10(power[~harmonic].sum() / power[harmonic].sum())
        print(f"{rate}: octave up of {hz} Hz: {level:.1f} dB")
        assert level < (-55 if hz == 4999 else -70)
    for hz in (12_500, 15_000, 19_000):
        part = sound(UP, tone(hz, 1.0, rate), rate)[rate // 4 :]
        level = 10 * np.log10(2 * np.mean(part**2))
        print(f"{rate}: all that comes back of {hz} Hz: {level:.1f} dB")
        assert level < -75


def test_a_note_with_harmonics_keeps_them() -> None:
    """Six harmonics of 110 Hz, falling by 6 dB: each an octave up and down, within 0.3 dB."""
    x = np.sum([tone(110 * k, 1.5) / 2**k for k in range(1, 7)], axis=0)
    for given, ratio in ((UP, 2.0), (DOWN, 0.5)):
        part = sound(given, x)[RATE // 2 :][:RATE]
        spectrum = np.abs(np.fft.rfft(part * np.hanning(RATE))) / (RATE / 4)
        levels = [20 * np.log10(spectrum[round(110 * k * ratio)] * 2**k) for k in range(1, 7)]
        print(f"ratio {ratio}: {np.round(levels, 2)} dB")
        assert np.abs(levels).max() < 0.3


@pytest.mark.parametrize("given", [UP, DOWN])
def test_chords(given: dict[str, Any]) -> None:
    """A fifth whose period fits the jumps stays clean; a triad's does not, and it is printed."""
    ratio = 2.0 if given["up_mix"] else 0.5
    chords = {
        "fifth": (110.0, 164.81),
        "low fifth": (82.41, 123.47),
        "triad": (196.0, 246.94, 293.66),
        "high triad": (392.0, 493.88, 587.33),
    }
    for name, tones in chords.items():
        x = np.sum([tone(hz, 3.5) for hz in tones], axis=0)
        part = sound(given, x)[RATE // 2 :]
        power = np.abs(np.fft.rfft(part * np.hanning(part.size))) ** 2
        hz = np.fft.rfftfreq(part.size, 1 / RATE)
        own = np.any([np.abs(hz / (ratio * f) - 1) < 0.02 for f in tones], axis=0)
        rest = 10 * np.log10(power[~own].sum() / power[own].sum())
        level = 10 * np.log10(np.mean(part**2) / np.mean(x**2))
        print(f"{name}, ratio {ratio}: {rest:.1f} dB beside its tones, level {level:+.2f} dB")
        assert abs(level) < 1.0
        if name == "fifth":
            assert rest < -20


@pytest.mark.parametrize("given", [UP, DOWN])
def test_latency(given: dict[str, Any]) -> None:
    """How late the middle of a burst's energy is: 6 to 25 ms, and more when more is asked for."""
    late = []
    for start in range(0, 960, 97):
        x = np.zeros(RATE // 2)
        x[9600 + start :][:960] = tone(1000, 0.02) * np.hanning(960)
        y = sound(given, x)
        n = np.arange(x.size)
        late.append(np.sum(n * y**2) / np.sum(y**2) - np.sum(n * x**2) / np.sum(x**2))
        later = sound(given | {"latency_ms": 20.0}, x)
        assert np.array_equal(later[240:], y[:-240])
    late_ms = np.array(late) / RATE * 1e3
    print(f"late by {late_ms.min():.1f} to {late_ms.max():.1f} ms, mean {late_ms.mean():.1f}")
    assert late_ms.min() > 5.5
    assert late_ms.max() < 25


def test_the_direct_sound_is_not_late() -> None:
    x = np.random.default_rng(1).normal(size=4000)
    assert np.array_equal(sound(NOTHING | {"direct_mix": 0.5}, x), 0.5 * x)
    assert Octave().wet_latency_s == LATENCY_MS / 1e3


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_short_and_long_clips_agree(rate: int) -> None:
    """Nothing is heard before it was played: what comes later changes nothing before it.

    At the unit's own rate to rounding. At others the rate conversion's filters ring a little ahead
    of the cut, which may tip a jump between two lags that noise likes equally: so a note there,
    and 50 dB below its loudest.
    """
    note = np.sum([tone(146.83 * k, 0.8, rate) / k for k in range(1, 20)], axis=0)[:30_000]
    x = np.random.default_rng(3).normal(size=30_000) if rate == RATE else note
    given = {"up_mix": 1, "down_mix": 1}
    whole = sound(given, x, rate)
    for frames in (1, 2, 777, 12_345):
        short = sound(given, x[:frames], rate)
        apart = np.abs(short - whole[:frames]).max() / np.abs(whole).max()
        print(f"{rate}, {frames} frames: {apart:.1e} of the loudest apart")
        assert apart < (1e-12 if rate == RATE else 0.003)


def test_paths_add_and_channels_are_kept() -> None:
    x = np.random.default_rng(2).normal(size=8000)
    parts = sound(UP, x) + 0.5 * sound(DOWN, x) + 0.25 * x
    mixed = sound({"up_mix": 1, "down_mix": 0.5, "direct_mix": 0.25}, x)
    assert np.abs(mixed - parts).max() < 1e-12
    both = Octave(inputs=2, outputs=2).process(np.stack((x, 2 * x)), Moment(RATE))
    assert both[0] == pytest.approx(sound({}, x), abs=1e-12)
    assert both[1] == pytest.approx(2 * both[0], abs=1e-9)
    assert np.array_equal(*Octave(outputs=2).process(x[np.newaxis], Moment(RATE)))


def test_defaults() -> None:
    """Practice §1."""
    unit = Octave()
    assert (unit.up_mix, unit.down_mix, unit.direct_mix) == (0, 0.5, 1)
    assert (unit.input_ohm, unit.output_ohm, unit.current_ma) == (500e3, 1e3, 80)
    assert (unit.noise_nv, unit.noise_out_uv) == (30, 25)
    assert unit.is_digital
    assert not unit.is_lti()
    assert Octave(down_mix=0).is_lti()
    assert unit.bypass == "true"


def test_refused() -> None:
    with pytest.raises(ValidationError, match="greater than or equal to 15"):
        Octave(latency_ms=5)
