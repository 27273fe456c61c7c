"""Third-octave bands against IEC 61260-1:2014, A-weighting against IEC 61672-1:2013."""

import math

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from simchain.measure.bands import (
    CENTRES_HZ,
    NOMINAL,
    a_weighting_db,
    band_weights,
    third_octaves_db,
)
from simchain.signal import Signal
from simchain.units import DBU_VOLTS

EDGE = 10.0**0.05

# IEC 61260-1:2014 Table F.1 breakpoints; limits of class 1 as in IEC 61260-3:2016 Table C.1
# (references 3): f/fm, least and most attenuation in dB. Two rows from memory, marked there.
CLASS_1 = [
    *((1.0, -0.4, 0.4), (1.02667, -0.4, 0.5), (1.05575, -0.4, 0.7), (1.08746, -0.4, 1.4)),
    *((1.12201, -0.4, 5.3), (1.12203, 1.6, 5.3), (1.29437, 16.6, math.inf)),
    *((1.88173, 40.5, math.inf), (3.05365, 60.0, math.inf), (5.39195, 70.0, math.inf)),
]
BUTTERWORTH = [0.0, 0.001, 0.047, 0.600, 3.010, 3.010, 21.29, 46.04, 64.34, 81.20]


def dbu(mean_square: float) -> float:
    return 10.0 * math.log10(mean_square / DBU_VOLTS**2)


def steady(hz: float, rate: int = 48_000, seconds: float = 4.0) -> Signal:
    """A sine of 1 V RMS under a window, so that its own edges do not sound."""
    time = np.arange(round(seconds * rate)) / rate
    window = np.sin(math.pi * time / seconds) ** 4
    line = window * np.sin(2.0 * math.pi * hz * time)
    return Signal(line / np.sqrt(np.mean(line**2)), rate)


def test_exact_and_nominal_centres() -> None:
    """Exact centres of references 3; a nominal name is within 1.3 % of its exact centre."""
    expected = {0: 25.1189, 6: 100.0, 7: 125.8925, 16: 1000.0, 22: 3981.0717, 29: 19952.6231}
    for index, hz in expected.items():
        assert CENTRES_HZ[index] == pytest.approx(hz, abs=6e-5)
    assert len(NOMINAL) == CENTRES_HZ.size == 30
    for name, hz in zip(NOMINAL, CENTRES_HZ, strict=True):
        value = float(name.removesuffix("k")) * (1000.0 if name.endswith("k") else 1.0)
        assert value == pytest.approx(hz, rel=0.013)


def test_weights_are_the_butterworth_band_pass_and_inside_class_1() -> None:
    margins = []
    for (ratio, least, most), expected in zip(CLASS_1, BUTTERWORTH, strict=True):
        for hz in (1000.0 * ratio, 1000.0 / ratio):
            attenuation = -10.0 * math.log10(band_weights(np.array([hz]))[16, 0])
            assert attenuation == pytest.approx(expected, abs=0.006)
            margins += [attenuation - least, most - attenuation]
    print(f"least margin to the limits of class 1: {min(margins):.3f} dB")
    assert min(margins) >= 0.35


def limits(ratio: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Limits of class 1 between the breakpoints: straight lines over log f (IEC 61260-1:2014,
    from memory); beyond the last the last. The edge itself, where they jump, has the wider ones."""
    away = np.abs(np.log(ratio))
    corners = np.log([one for one, _, _ in CLASS_1])
    least = np.interp(away, corners, [low for _, low, _ in CLASS_1])
    most = np.interp(away, corners[:6], [high for _, _, high in CLASS_1[:6]], right=math.inf)
    return least, most


def test_every_band_is_inside_class_1_at_every_frequency() -> None:
    """Not at the breakpoints alone: 30 bands, 4,000 frequencies from 1 Hz to 200 kHz. The filter's
    power response is what `third_octaves_db` weighs the spectrum with."""
    hz = np.geomspace(1.0, 200_000.0, 4_000)
    attenuation = -10.0 * np.log10(band_weights(hz))
    margin = math.inf
    for band, centre in enumerate(CENTRES_HZ):
        least, most = limits(hz / centre)
        margin = min(margin, (attenuation[band] - least).min(), (most - attenuation[band]).min())
    print(f"least margin of all bands at all frequencies: {margin:.3f} dB")
    assert margin >= 0.35


def test_effective_bandwidth() -> None:
    """IEC 61260-1:2014 (from memory): the integral of the power response over log f may differ
    from that of the ideal filter by 0.4 dB in class 1. Here by 10 log10(pi / 3) = 0.20 dB."""
    hz = np.geomspace(10.0, 100_000.0, 200_001)
    response = band_weights(hz)[16]
    wide = float(np.sum(response) * np.log(hz[1] / hz[0]))
    deviation = 10.0 * math.log10(wide / (2.0 * math.log(EDGE)))
    print(f"effective bandwidth: {deviation:+.3f} dB, allowed 0.4")
    assert abs(deviation) < 0.4
    assert deviation == pytest.approx(10.0 * math.log10(math.pi / 3.0), abs=0.01)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_neighbouring_bands_add_up(rate: int) -> None:
    """The power of all bands against that of the sound, sines anywhere from 63 Hz to 10 kHz."""
    off = []
    for hz in np.geomspace(63.0, 10_000.0, 40):
        levels = third_octaves_db(steady(hz, rate))[1]
        powers = 10.0 ** (levels[np.isfinite(levels)] / 10.0)
        off.append(10.0 * math.log10(powers.sum()) - dbu(1.0))
    print(f"sum of bands at {rate}: {min(off):+.3f} to {max(off):+.3f} dB")
    assert -0.1 < min(off) <= max(off) < 0.4


@pytest.mark.parametrize("band", [2, 9, 16, 23, 27])
@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_sines_pass_the_mask_of_class_1(band: int, rate: int) -> None:
    centre = CENTRES_HZ[band]
    for ratio, least, most in CLASS_1:
        for hz in (centre * ratio, centre / ratio):
            if 10.0 < hz < 0.45 * rate:
                levels = third_octaves_db(steady(hz, rate))[1]
                attenuation = dbu(1.0) - levels[band]
                assert least <= attenuation <= most, f"{hz:.1f} Hz in {centre:.0f} Hz"


def test_a_sine_reads_its_level_in_its_band() -> None:
    for band in range(4, 30):
        levels = third_octaves_db(steady(CENTRES_HZ[band]))[1]
        assert int(np.argmax(levels)) == band
        assert levels[band] == pytest.approx(dbu(1.0), abs=0.01)


def test_gathering_bins_costs_nothing() -> None:
    """Sines at band edges, where the weights are steepest: 3.01 dB down within 0.02 dB."""
    for band in range(4, 29):
        levels = third_octaves_db(steady(CENTRES_HZ[band] * EDGE, seconds=10.0))[1]
        assert levels[band] == pytest.approx(dbu(0.5), abs=0.025)
        assert levels[band] == pytest.approx(levels[band + 1], abs=0.05)


def test_white_noise_rises_3_db_an_octave() -> None:
    """A Butterworth band-pass of sixth order passes noise of pi / 3 times its bandwidth
    (pi / 2N over sin(pi / 2N), N = 3)."""
    noise = np.random.default_rng(8).standard_normal((1, 30 * 48_000))
    levels = third_octaves_db(Signal(noise, 48_000))[1]
    width = CENTRES_HZ * (EDGE - 1.0 / EDGE)
    expected = [dbu(math.pi / 3 * hz / 24_000.0) for hz in width]
    frames_a_band = 60.0 * width
    within = 4.0 * 4.34 * np.sqrt(1.0 / frames_a_band) * 1.5
    assert (np.abs(levels - expected) < within)[:-1].all()
    assert np.abs(levels - expected)[16:-1].max() < 0.15


def test_against_filters_run_in_time() -> None:
    """Sixth-order Butterworth band-pass filters by scipy, made at 192 kHz so that the bilinear
    transform's warping is small: level of a noise burst in each band, ringing included."""
    rate = 192_000
    rng = np.random.default_rng(9)
    burst = np.zeros(2 * rate)
    burst[: rate // 2] = np.cumsum(rng.standard_normal(rate // 2)) * 1e-3
    burst[: rate // 2] -= burst[: rate // 2].mean()
    levels = third_octaves_db(Signal(burst, rate))[1]
    worst = 0.0
    for band in range(5, 27):
        edges = (CENTRES_HZ[band] / EDGE, CENTRES_HZ[band] * EDGE)
        through = sosfilt(butter(3, edges, "bandpass", fs=rate, output="sos"), burst)
        worst = max(worst, abs(levels[band] - dbu(float(np.mean(through**2)))))
    print(f"against filters in time: within {worst:.4f} dB")
    assert worst < 0.03


@pytest.mark.parametrize("rate", [22_050, 44_100, 48_000, 192_000])
def test_bands_beyond_half_the_rate_are_missing(rate: int) -> None:
    _, levels = third_octaves_db(Signal(np.random.default_rng(1).standard_normal(5000), rate))
    np.testing.assert_array_equal(np.isnan(levels), rate / 2 < CENTRES_HZ * EDGE)


def test_channels_count_by_their_mean_power() -> None:
    one = np.random.default_rng(1).standard_normal(20_000)
    alone = third_octaves_db(Signal(one, 48_000))[1]
    both = third_octaves_db(Signal(np.stack((one, one)), 48_000))[1]
    half = third_octaves_db(Signal(np.stack((one, 0.0 * one)), 48_000))[1]
    np.testing.assert_allclose(both, alone, atol=1e-9)
    np.testing.assert_allclose(half, alone - 3.0103, atol=1e-4)


@pytest.mark.parametrize("frames", [0, 1, 48_000])
def test_silence_is_the_floor(frames: int) -> None:
    assert (third_octaves_db(Signal(np.zeros((1, frames)), 48_000))[1] == -200.0).all()


def test_a_short_click_is_flat() -> None:
    """One sample of 1 V: the spectrum is flat, so bands rise with their width, also where the
    clip is far shorter than one period of the band."""
    levels = third_octaves_db(Signal(np.eye(1, 100, 50), 48_000))[1]
    width = math.pi / 3 * CENTRES_HZ * (EDGE - 1.0 / EDGE)
    expected = [dbu(2.0 * hz / 48_000.0 / 100.0) for hz in width]
    np.testing.assert_allclose(levels[:-2], expected[:-2], atol=0.06)


# IEC 61672-1:2013 Table 3, column A, 25 Hz to 20 kHz (references 3).
A_TABLE = [
    *(-44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4, -10.9, -8.6, -6.6, -4.8),
    *(-3.2, -1.9, -0.8, 0.0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1, -2.5, -4.3, -6.6, -9.3),
]


def test_a_weighting() -> None:
    """0.05 dB of rounding and 0.01 for the table's 5 kHz, which is 0.55 by the formula."""
    assert np.abs(a_weighting_db(CENTRES_HZ) - A_TABLE).max() <= 0.06
