"""Harmonic distortion against closed forms (references 4), within 0.01 dB."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.special import iv

from simchain.measure.distortion import HarmonicDistortion, harmonic_distortion
from simchain.measure.tones import Tones, single_tone
from simchain.units import db_to_ratio

RATE = 48_000
WITHIN_DB = 0.01
# So low that harmonics of every order stand on lines of their own, as the closed forms have them.
LOW = Tones((1,), (1.0,), 65_536, RATE)

Shape = Callable[[np.ndarray], np.ndarray]


def through(shape: Shape, tones: Tones = LOW, highest_hz: float = math.inf) -> HarmonicDistortion:
    (found,) = harmonic_distortion(shape(tones.volts(0.0)), tones, highest_hz)
    return found


def db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


def tell(what: str, read: float, asked: float) -> None:
    off = db(read) - db(asked)
    print(f"{what}: {100 * read:.6f} %, asked {100 * asked:.6f} %: {off:+.6f} dB")
    assert abs(off) <= WITHIN_DB


def hard_clip(g: float) -> Shape:
    return lambda x: np.clip(g * x, -1.0, 1.0)


def hard_clip_harmonic(g: float, n: int) -> float:
    """Fourier series of a clipped sine, a = asin(1/g)."""
    a = math.asin(1.0 / g)
    if n == 1:
        return 2.0 * g / math.pi * (a + 0.5 * math.sin(2.0 * a))
    first, second = math.sin((n - 1) * a) / (n - 1), math.sin((n + 1) * a) / (n + 1)
    return 2.0 * g / (math.pi * n) * (first + second)


@pytest.mark.parametrize(
    ("g", "thd_percent"),
    [
        *((1.5, 15.348786), (2.0, 23.293814), (4.0, 35.428016), (10.0, 43.039702)),
        *((db_to_ratio(6.0), 23.237079), (db_to_ratio(12.0), 35.368990)),
    ],
)
def test_hard_clipping(g: float, thd_percent: float) -> None:
    found = through(hard_clip(g))
    tell(f"hard clip, g = {g:.3f}", found.thd_f, thd_percent / 100.0)
    for n in range(1, 10, 2):
        exact = abs(hard_clip_harmonic(g, n))
        assert abs(db(found.peaks[n - 1]) - db(exact)) <= WITHIN_DB
    assert found.peaks[1::2].max() < 1e-12
    assert found.thd_r == pytest.approx(found.thd_f / math.hypot(1.0, found.thd_f), rel=1e-12)


@pytest.mark.parametrize(
    ("name", "shape", "thd_percent", "harmonics"),
    [
        ("1.5 x - 0.5 x^3", lambda x: 1.5 * x - 0.5 * x**3, 11.1111111, {1: 1.125, 3: 0.125}),
        ("x - x^3 / 3", lambda x: x - x**3 / 3.0, 11.1111111, {1: 0.75, 3: 1.0 / 12.0}),
        (
            *("the same at half the level", lambda x: 0.75 * x - 0.0625 * x**3),
            *(2.2222222, {1: 0.703125, 3: 0.015625}),
        ),
        (
            *("tanh, g = 0.5", lambda x: np.tanh(0.5 * x)),
            *(1.961782, {1: 0.4711428278, 3: 0.0092401835, 5: 0.0002196797}),
        ),
        (
            *("tanh, g = 1", lambda x: np.tanh(x)),
            *(6.706482, {1: 0.8116756851, 3: 0.0542458103, 9: 0.0000324439}),
        ),
        (
            *("tanh, g = 2", lambda x: np.tanh(2.0 * x)),
            *(17.340691, {1: 1.1179418373, 3: 0.1887423248, 9: 0.0023865052}),
        ),
        (
            *("tanh, g = 5", lambda x: np.tanh(5.0 * x)),
            *(33.385987, {1: 1.2513975717, 3: 0.3655749408, 9: 0.0475230409}),
        ),
        (
            *("atan, g = 1", lambda x: 2 / math.pi * np.arctan(x)),
            *(5.74978, {1: 0.5273930876, 3: 0.0301621161, 5: 0.0031050006}),
        ),
        (
            *("atan, g = 5", lambda x: 2 / math.pi * np.arctan(5.0 * x)),
            *(24.69320, {1: 1.0438067479, 3: 0.2338400032, 5: 0.0942952946}),
        ),
        (
            *("exp (Shockley)", np.exp),
            *(24.3424, {1: 0.565159104 * 2, 2: 0.135747670 * 2, 3: 0.022168425 * 2}),
        ),
        (
            *("square wave", lambda x: np.where(x >= 0.0, 1.0, -1.0)),
            *(48.3426, {1: 4.0 / math.pi, 3: 4.0 / (3.0 * math.pi)}),
        ),
        ("triangle", lambda x: np.arcsin(x) * 2.0 / math.pi, 12.1153, {1: 8.0 / math.pi**2}),
    ],
)
def test_closed_forms(
    name: str, shape: Shape, thd_percent: float, harmonics: dict[int, float]
) -> None:
    """THD over the fundamental and single harmonics."""
    found = through(shape)
    tell(name, found.thd_f, thd_percent / 100.0)
    for n, exact in harmonics.items():
        assert abs(db(found.peaks[n - 1]) - db(exact)) <= WITHIN_DB


def test_bessel_functions_of_the_exponential() -> None:
    found = through(np.exp)
    np.testing.assert_allclose(found.peaks[:8], 2.0 * iv(np.arange(1, 9), 1.0), rtol=1e-8)


def test_rectifiers() -> None:
    """Half wave: h1 1/2, h2 2/(3 pi), h4 0.04244132; full wave has no h1: h2 4/(3 pi)."""
    half = through(lambda x: np.maximum(x, 0.0))
    expected = [0.5, 0.21220659, 0.0, 0.04244132, 0.0, 0.01818914]
    np.testing.assert_allclose(half.peaks[:6], expected, atol=1e-8)
    full = through(np.abs)
    np.testing.assert_allclose(full.peaks[[1, 3, 5]], [0.42441318, 0.08488264, 0.03637827], 1e-6)
    assert full.thd_r == pytest.approx(1.0, abs=1e-12)


def test_over_the_whole() -> None:
    """THD_R of a square wave 43.5236 %: all but the fundamental over a whole of 1 V RMS."""
    found = through(lambda x: np.where(x >= 0.0, 1.0, -1.0))
    tell("square wave, over the whole", found.thd_r, 0.435236)
    assert found.thd_n == pytest.approx(found.thd_r, rel=1e-9)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("hz", [108.0, 442.0, 997.0])
def test_tones_of_a_guitar_up_to_20_khz(hz: float, rate: int) -> None:
    """Clipping is not band-limited, so aliases fold back; they land between the harmonics."""
    tones = single_tone(hz, 0.0, rate)
    g = 2.0 / tones.peaks[0]
    found = through(hard_clip(g), tones, 20_000.0)
    orders = range(3, int(20_000.0 / tones.hz[0]) + 1, 2)
    exact = math.sqrt(sum(hard_clip_harmonic(2.0, n) ** 2 for n in orders))
    tell(f"{tones.hz[0]:.2f} Hz at {rate}", found.thd_f, exact / hard_clip_harmonic(2.0, 1))
    assert found.peaks.size == int(20_000.0 / tones.hz[0])


def test_noise_counts_in_thd_n_alone() -> None:
    """Noise 40 dB below the tone, up to 20 of 24 kHz: 1 % times sqrt(20/24)."""
    tones = single_tone(997.0, 0.0, RATE)
    tone = tones.volts(0.0)
    noise = np.random.default_rng(1).standard_normal(tone.shape)
    noise *= 0.01 * np.sqrt(np.mean(tone**2) / np.mean(noise**2))
    (found,) = harmonic_distortion(tone + noise, tones)
    print(f"THD {100 * found.thd_f:.4f} %, with noise {100 * found.thd_n:.4f} %")
    assert found.thd_n == pytest.approx(0.01 * math.sqrt(20 / 24), rel=0.02)
    assert found.thd_f < 0.0005


def test_dc_is_no_distortion() -> None:
    tones = single_tone(997.0, 0.0, RATE)
    (found,) = harmonic_distortion(tones.volts() + 3.0, tones)
    assert found.thd_n < 1e-12


def test_silence_and_what_is_refused() -> None:
    tones = single_tone(997.0, 0.0, RATE)
    (silent,) = harmonic_distortion(np.zeros((1, tones.frames)), tones)
    assert math.isnan(silent.thd_f)
    assert math.isnan(silent.thd_r)
    assert math.isnan(silent.thd_n)
    pair = Tones((3, 5), (1.0, 1.0), 64, RATE)
    with pytest.raises(ValueError, match="with one tone, not 2"):
        harmonic_distortion(np.zeros((1, 64)), pair)


def test_each_channel_has_its_own() -> None:
    tones = single_tone(220.0, 0.0, RATE)
    clean = tones.volts(0.0)
    both = harmonic_distortion(np.concatenate((clean, clean**3)), tones)
    assert both[0].thd_f < 1e-12
    assert both[1].thd_f == pytest.approx(1.0 / 3.0, rel=1e-9)
