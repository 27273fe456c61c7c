"""The ear's filters: published values, closed forms, and the definition done slowly."""

import math

import numpy as np
import pytest

from simchain.measure.excitation import (
    BANDS,
    CENTRES_HZ,
    INTERNAL_NOISE,
    LONG_FRAME_S,
    SHORT_FRAME_S,
    ear_weight_db,
    erb_hz,
    erb_number_to_hz,
    excitation,
    frames_in,
    hz_to_erb_number,
    internal_noise_db,
    roex,
    specific_loudness,
)

RATE = 48_000
RATES = [44_100, 48_000, 88_200, 96_000, 192_000]


def sine(hz: float, db_spl: float, rate: int = RATE, seconds: float = 0.5) -> np.ndarray:
    """In units of 20 µPa."""
    rms = 10 ** (db_spl / 20)
    return rms * math.sqrt(2) * np.sin(2 * math.pi * hz * np.arange(round(seconds * rate)) / rate)


def in_db(power: np.ndarray | float) -> np.ndarray:
    return 10 * np.log10(power)


# Glasberg and Moore (1990), equations 3 and 4, at these frequencies (references.md, section 12).
@pytest.mark.parametrize(
    ("hz", "width"),
    [
        (100, 35.4939),
        (250, 51.6848),
        (440, 72.1932),
        (500, 78.6695),
        (1000, 132.639),
        (2000, 240.578),
        (4000, 456.456),
        (8000, 888.212),
        (10_000, 1104.09),
    ],
)
def test_equivalent_rectangular_bandwidth(hz: float, width: float) -> None:
    assert erb_hz(np.array(hz)) == pytest.approx(width, rel=1e-5)


@pytest.mark.parametrize(
    ("hz", "number"),
    [(100, 3.36957), (500, 10.76654), (1000, 15.62145), (4000, 27.10742), (10_000, 35.31658)],
)
def test_erb_number(hz: float, number: float) -> None:
    assert hz_to_erb_number(np.array(hz)) == pytest.approx(number, abs=1e-5)
    assert erb_number_to_hz(np.array(number)) == pytest.approx(hz, rel=1e-5)


@pytest.mark.parametrize(("number", "hz"), [(10, 442.2996), (20, 1739.4975), (30, 5543.9831)])
def test_the_inverse(number: float, hz: float) -> None:
    assert erb_number_to_hz(np.array(number)) == pytest.approx(hz, abs=1e-4)


def test_rounded_exponential() -> None:
    """p = 4 f / ERB is 30.1570 at 1 kHz; 100 Hz beside it the filter is 7.0594 dB down."""
    slope = 4000 / erb_hz(np.array(1000.0))
    assert slope == pytest.approx(30.1570, abs=1e-4)
    assert in_db(roex(np.array(0.1), slope)) == pytest.approx(-7.0594, abs=1e-4)


def test_ear_weight_and_internal_noise() -> None:
    """BS.1387's formulas worked out by hand at 1 kHz and 3.3 kHz, where the bump's middle lies.

    -2.184 + 6.5 · 0.041836 - 0.001, and -2.184 · 0.384742 + 6.5 - 0.001 · 73.566.
    """
    assert ear_weight_db(np.array(1000.0)) == pytest.approx(-1.9131, abs=2e-4)
    assert ear_weight_db(np.array(3300.0)) == pytest.approx(5.5862, abs=2e-4)
    assert internal_noise_db(np.array(1000.0)) == pytest.approx(1.456, abs=1e-9)
    assert internal_noise_db(np.array(100.0)) == pytest.approx(1.456 * 10**0.8, abs=1e-9)


def test_bands_are_half_an_erb_apart_from_60_hz_to_14_khz() -> None:
    assert BANDS == 73
    assert CENTRES_HZ[0] == pytest.approx(60.0)
    assert 13_000 < CENTRES_HZ[-1] <= 14_000
    np.testing.assert_allclose(np.diff(hz_to_erb_number(CENTRES_HZ)), 0.5, atol=1e-12)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("frame_s", "lowest_hz"), [(LONG_FRAME_S, 1000), (SHORT_FRAME_S, 3000)])
def test_a_tone_at_a_centre_excites_by_its_own_level(
    rate: int, frame_s: float, lowest_hz: float
) -> None:
    """Where the filter is wide against the window's main lobe, 94 Hz (long) and 188 Hz (short) from
    end to end; below, some of the tone slips past its filter."""
    for band in (20, 33, 45, 58, 68):
        hz = float(CENTRES_HZ[band])
        found = excitation(sine(hz, 75.0, rate), rate, frame_s)[25, band]
        off = in_db(found) - 75.0 - ear_weight_db(np.array(hz))
        print(f"{rate} Hz, {hz:.0f} Hz: {off:+.3f} dB")
        assert -1.5 < off < 0.1
        if hz > lowest_hz:
            assert abs(off) < 0.25


def test_a_tone_between_centres_falls_off_as_the_filters_do() -> None:
    """Within what the window's main lobe smears: a slope of 0.12 dB a Hz, convex, at most."""
    band = 40
    centre = float(CENTRES_HZ[band])
    slope = 4 * centre / erb_hz(np.array(centre))
    for detuning in (-0.4, -0.2, -0.1, 0.1, 0.2, 0.4, 0.7):
        hz = centre * (1 + detuning)
        found = excitation(sine(hz, 75.0), RATE, LONG_FRAME_S)[25, band]
        expected = 75.0 + ear_weight_db(np.array(hz)) + in_db(roex(np.array(abs(detuning)), slope))
        print(f"g {detuning:+.1f}: expected {expected:.2f}, found {in_db(found):.2f} dB")
        assert in_db(found) == pytest.approx(expected, abs=0.2)


@pytest.mark.parametrize("rate", RATES)
def test_noise_excites_by_its_density_over_an_erb(rate: int) -> None:
    """The integral of (1 + p g) exp(-p g) over frequency is 4 fc / p, which is the ERB.

    At 1.0 to 1.6 kHz, where the ear weight is nearly straight across the filter.
    """
    noise = np.random.default_rng(1).standard_normal(20 * rate)
    density = 1.0 / (rate / 2)
    mean = excitation(noise, rate, LONG_FRAME_S).mean(axis=0)
    for band in range(27, 35):
        hz = CENTRES_HZ[band]
        expected = in_db(density * erb_hz(hz)) + ear_weight_db(hz)
        assert in_db(mean[band]) == pytest.approx(expected, abs=0.25)


def slow_excitation(line: np.ndarray, rate: int, size: int, middle: int) -> np.ndarray:
    """One frame, bin by bin and band by band."""
    window = np.hanning(size + 1)[:-1]
    frame = np.zeros(size)
    for i in range(size):
        at = middle - size // 2 + i
        if 0 <= at < line.size:
            frame[i] = line[at] * window[i]
    powers = np.abs(np.fft.rfft(frame)) ** 2 * 2 / (size * np.sum(window**2))
    hz = np.arange(powers.size) * rate / size
    found = np.zeros(BANDS)
    for band, centre in enumerate(CENTRES_HZ):
        p = 4 * centre / (24.7 * (4.37 * centre / 1000 + 1))
        for k in range(1, powers.size):
            g = abs(hz[k] - centre) / centre
            khz = hz[k] / 1000
            ear = -2.184 * khz**-0.8 + 6.5 * math.exp(-0.6 * (khz - 3.3) ** 2) - 0.001 * khz**3.6
            found[band] += 10 ** (ear / 10) * (1 + p * g) * math.exp(-p * g) * powers[k]
    return found


def test_against_the_definition_done_slowly() -> None:
    line = np.random.default_rng(2).standard_normal(3000)
    for frame_s, size in ((LONG_FRAME_S, 2048), (SHORT_FRAME_S, 1024)):
        fast = excitation(line, RATE, frame_s)
        for frame in (0, 3, 7):
            slow = slow_excitation(line, RATE, size, 480 * frame)
            off = np.abs(in_db(fast[frame]) - in_db(slow)).max()
            print(f"{size} points, frame {frame}: {off:.4f} dB from bin by bin")
            assert off < 0.05


def test_frames_reach_both_ends() -> None:
    assert [frames_in(n, RATE) for n in (0, 1, 480, 481, 48_000)] == [1, 2, 2, 3, 101]
    assert excitation(np.zeros(0), RATE, LONG_FRAME_S).shape == (1, BANDS)
    click = np.zeros(4801)
    click[-1] = 1.0
    found = excitation(click, RATE, SHORT_FRAME_S).sum(axis=1)
    assert found.size == 12
    assert found.argmax() == 10
    assert (found[:9] == 0).all()


@pytest.mark.parametrize("late", [1, 100, 480, 960])
def test_frames_may_begin_later(late: int) -> None:
    line = np.random.default_rng(3).standard_normal(5000)
    late_line = np.concatenate((np.zeros(late), line))
    found = excitation(late_line, RATE, LONG_FRAME_S, start=late, frames=frames_in(5000, RATE))
    np.testing.assert_allclose(found, excitation(line, RATE, LONG_FRAME_S), rtol=1e-9)


def test_frames_beyond_the_end_are_silent() -> None:
    found = excitation(np.ones(100), RATE, LONG_FRAME_S, frames=20)
    assert found.shape == (20, BANDS)
    assert (found[5:] == 0).all()
    assert (excitation(np.ones(100), RATE, LONG_FRAME_S, start=5000) == 0).all()


def test_specific_loudness() -> None:
    """Nothing for nothing; ten times the excitation is 10^0.23 times the loudness far above the
    ear's own noise; at it, Nz^0.23 (2^0.23 - 1)."""
    assert (specific_loudness(np.zeros(BANDS)) == 0).all()
    loud = specific_loudness(1e20 * INTERNAL_NOISE)
    ratio = specific_loudness(1e21 * INTERNAL_NOISE) / loud
    np.testing.assert_allclose(ratio, 10**0.23, rtol=1e-4)
    just = specific_loudness(INTERNAL_NOISE) / INTERNAL_NOISE**0.23
    np.testing.assert_allclose(just, 0.172835, rtol=1e-5)


def test_the_linear_algebra_library_stays_on_one_thread() -> None:
    """Else a search with two workers gains nothing: processor time is no more than the clock's."""
    import time

    line = np.random.default_rng(4).standard_normal(10 * RATE)
    excitation(line, RATE, LONG_FRAME_S)
    ratios = []
    for _ in range(5):
        clock, processor = time.perf_counter(), time.process_time()
        excitation(line, RATE, LONG_FRAME_S)
        ratios.append((time.process_time() - processor) / (time.perf_counter() - clock))
    assert min(ratios) < 1.2
