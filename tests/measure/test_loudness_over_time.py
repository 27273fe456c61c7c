"""Momentary and short-term loudness: EBU Tech 3341 (v4, 2023) cases, and libebur128 beside it."""

import math

import numpy as np
import pyebur128
import pytest

from simchain.measure.loudness import integrated_lufs
from simchain.measure.loudness_over_time import LoudnessOverTime, loudness_over_time

RATE = 48_000
RATES = (44_100, 48_000, 96_000)
TOLERANCE_LU = 0.1


def segments(*parts: tuple[float, float], rate: int = RATE) -> np.ndarray:
    """1 kHz in both channels, (seconds, dBFS) one after the other, phase continuous."""
    gain = np.concatenate([np.full(round(s * rate), 10.0 ** (db / 20.0)) for s, db in parts])
    line = gain * np.sin(2.0 * math.pi * 1000.0 * np.arange(gain.size) / rate)
    return np.stack((line, line))


def meter(*parts: tuple[float, float], rate: int = RATE) -> LoudnessOverTime:
    return loudness_over_time(segments(*parts, rate=rate), rate)


def tell(case: str, read: list[float], asked: list[float]) -> None:
    off = [a - b for a, b in zip(read, asked, strict=True)]
    print(f"{case}: off by {min(off):+.4f} to {max(off):+.4f} LU, allowed {TOLERANCE_LU}")
    assert max(map(abs, off)) <= TOLERANCE_LU


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("case", "dbfs"), [(1, -23.0), (2, -33.0)])
def test_cases_1_and_2(case: int, dbfs: float, rate: int) -> None:
    """Steady tones: momentary, short-term and integrated read the same; -22.9933 computed."""
    sound = segments((20, dbfs), rate=rate)
    read = loudness_over_time(sound, rate)
    figures = [read.most_momentary_lufs, read.most_short_term_lufs, integrated_lufs(sound, rate)]
    tell(f"case {case} at {rate}", figures, [dbfs] * 3)
    if rate == RATE:
        assert figures == pytest.approx([dbfs + 0.0067] * 3, abs=1e-3)
    settled = read.momentary_lufs[100:]
    assert settled == pytest.approx(settled[0], abs=1e-3)


def test_case_6_has_five_channels() -> None:
    """Left and right -28, centre -24, surrounds -30 dBFS, weights 1, 1, 1, 1.41, 1.41. The tone
    is steady, so that its momentary loudness is its integrated one; -23.0163 computed."""
    tone = segments((20, 0.0))[0]
    peaks = 10.0 ** (np.array([-28.0, -28.0, -24.0, -30.0, -30.0]) / 20.0)
    read = loudness_over_time(peaks[:, None] * tone, RATE, (1.0, 1.0, 1.0, 1.41, 1.41))
    settled = read.momentary_lufs[100:]
    tell("case 6", [float(settled.min()), float(settled.max())], [-23.0, -23.0])
    assert read.short_term_lufs[100:] == pytest.approx(-23.0163, abs=1e-3)


def test_weights_must_fit_the_channels() -> None:
    with pytest.raises(ValueError, match="3 weights for 2 channels"):
        loudness_over_time(np.zeros((2, 10)), RATE, (1.0, 1.0, 1.0))


@pytest.mark.parametrize("rate", RATES)
def test_case_9_short_term_is_constant(rate: int) -> None:
    """After 3 s; -22.9863 computed."""
    read = meter(*[(1.34, -20), (1.66, -30)] * 5, rate=rate).short_term_lufs
    tell(f"case 9 at {rate}", [float(read.min()), float(read.max())], [-23.0, -23.0])
    if rate == RATE:
        assert read[1:] == pytest.approx(-22.9863, abs=0.002)


@pytest.mark.parametrize("rate", RATES)
def test_case_12_momentary_is_constant(rate: int) -> None:
    """After 1 s; -22.9604 computed."""
    read = meter(*[(0.18, -20), (0.22, -30)] * 25, rate=rate).momentary_lufs[60:]
    tell(f"case 12 at {rate}", [float(read.min()), float(read.max())], [-23.0, -23.0])


def test_case_10_short_term_of_twenty_sounds() -> None:
    read = [meter((i * 0.15, -400), (3, -23), (1, -400)).most_short_term_lufs for i in range(20)]
    tell("case 10", read, [-23.0] * 20)


def test_case_13_momentary_of_twenty_sounds() -> None:
    read = [meter((i * 0.02, -400), (0.4, -23), (1, -400)).most_momentary_lufs for i in range(20)]
    tell("case 13", read, [-23.0] * 20)
    assert read == pytest.approx([-22.9936] * 20, abs=0.002)


def test_case_13_needs_more_than_ten_readings_a_second() -> None:
    """What the standard's least would read: windows every 100 ms miss the tone, by 0.45 LU."""
    read = [
        float(meter((i * 0.02, -400), (0.4, -23), (1, -400)).momentary_lufs[::10].max())
        for i in range(20)
    ]
    print(f"case 13 with ten readings a second: down to {min(read):.2f}")
    assert min(read) == pytest.approx(-23.45, abs=0.01)


@pytest.mark.parametrize(
    ("case", "seconds", "step_s"), [("case 11", 3.0, 0.15), ("case 14", 0.4, 0.02)]
)
def test_cases_11_and_14_one_stream_of_twenty_levels(
    case: str, seconds: float, step_s: float
) -> None:
    """The loudest window since the stream began follows -38, -37 .. -19."""
    parts, ends = [], []
    for i in range(20):
        parts += [(i * step_s, -400.0), (seconds, -38.0 + i), (seconds - i * step_s, -400.0)]
        ends.append(sum(s for s, _ in parts))
    read = meter(*parts)
    lufs = read.short_term_lufs if seconds == 3.0 else read.momentary_lufs
    so_far = [float(lufs[: round((end - seconds) / 0.01) + 1].max()) for end in ends]
    tell(case, so_far, [-38.0 + i for i in range(20)])


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_every_reading_against_libebur128(rate: int) -> None:
    """Fed 10 ms at a time and asked each time: noise that swells and stops, channels unequal."""
    rng = np.random.default_rng(5)
    sound = rng.standard_normal((2, 5 * rate)) * np.linspace(0.01, 0.5, 5 * rate) ** 2
    sound[1] *= 0.3
    sound[:, 2 * rate : 2 * rate + rate // 3] *= 1e-3
    mode = pyebur128.MeasurementMode.MODE_S | pyebur128.MeasurementMode.MODE_M
    state = pyebur128.R128State(2, rate, mode)
    hop = rate // 100
    momentary, short_term = [], []
    for start in range(0, 5 * rate, hop):
        state.add_frames(np.ascontiguousarray(sound[:, start : start + hop].T).ravel(), hop)
        momentary.append(pyebur128.get_loudness_momentary(state))
        short_term.append(pyebur128.get_loudness_shortterm(state))
    read = loudness_over_time(sound, rate)
    worst = max(
        float(np.abs(read.momentary_lufs - momentary[39:]).max()),
        float(np.abs(read.short_term_lufs - short_term[299:]).max()),
    )
    print(f"all momentary and short-term readings at {rate}: within {worst:.1e} LU of libebur128")
    assert worst < 1e-4


def test_quiet_after_loud_keeps_its_digits() -> None:
    """120 dB down, from one window to the next."""
    read = meter((3, 0.0), (3, -120.0)).momentary_lufs
    assert read[-1] == pytest.approx(-120.0 + 0.0067, abs=1e-3)


@pytest.mark.parametrize("rate", [22_050, 44_100, 47_999])
def test_rates_without_a_whole_number_of_frames_in_10_ms(rate: int) -> None:
    sound = segments((4, -23.0), rate=rate)
    read = loudness_over_time(sound, rate)
    assert read.momentary_lufs.size == 361
    assert read.short_term_lufs.size == 101
    assert read.momentary_lufs[100:] == pytest.approx(integrated_lufs(sound, rate), abs=0.001)


def test_silent_short_and_empty_sounds() -> None:
    silent = loudness_over_time(np.zeros((2, 4 * RATE)), RATE)
    assert silent.most_momentary_lufs == silent.most_short_term_lufs == -math.inf
    exact = meter((0.4, -23.0))
    assert exact.momentary_lufs.size == 1
    assert exact.short_term_lufs.size == 0
    assert math.isnan(exact.most_short_term_lufs)
    for frames in (0, 1, round(0.4 * RATE) - 1):
        short = loudness_over_time(np.ones((1, frames)), RATE)
        assert math.isnan(short.most_momentary_lufs)


def test_twin_channels_are_two() -> None:
    sound = segments((1, -20))
    both = loudness_over_time(sound, RATE).momentary_lufs
    one = loudness_over_time(sound[:1], RATE).momentary_lufs
    nearly = sound.copy()
    nearly[1, -1] += 1e-12
    np.testing.assert_allclose(both, one + 10.0 * math.log10(2.0), atol=1e-9)
    np.testing.assert_allclose(both, loudness_over_time(nearly, RATE).momentary_lufs, atol=1e-9)
