import numpy as np
import pytest

from simchain.kernels import oversample
from simchain.kernels.oversample import down, factor_for, reach, through, up

FACTORS = (2, 4, 8)
REJECTION = 10 ** (-95 / 20)
FLAT = 10 ** (0.005 / 20) - 1


def sine(hz, rate, frames, first=0):
    return np.cos(2 * np.pi * hz * np.arange(first, first + frames) / rate + 0.3)


@pytest.mark.parametrize(
    ("rate", "factor"),
    [(44_100, 8), (48_000, 8), (88_200, 4), (96_000, 4), (176_400, 2), (192_000, 2)],
)
def test_352_8_khz_or_more(rate, factor):
    assert factor_for(rate) == factor
    assert rate * factor >= 352_800


@pytest.mark.parametrize("factor", FACTORS)
@pytest.mark.parametrize("rate", [44_100, 48_000, 192_000])
def test_up_draws_the_sine_between_its_samples(factor, rate):
    """The sine itself is the truth: images, ripple and delay all show as a difference."""
    worst = {}
    for hz in (20, 1000, 10_000, 19_990):
        found = up(sine(hz, rate, 6000), factor)
        error = found - sine(hz, rate * factor, 6000 * factor)
        worst[hz] = np.abs(error[300 * factor : -300 * factor]).max()
    print(f"up by {factor} at {rate} Hz: off by", {hz: f"{e:.1e}" for hz, e in worst.items()})
    assert max(worst.values()) < 2 * REJECTION


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("factor", FACTORS)
def test_there_and_back_is_flat_to_20_khz_and_has_no_delay(factor, late):
    for hz in (20, 1000, 10_000, 19_990):
        x = sine(hz, 44_100, 6000)
        wave = up(x, factor)
        if late:
            wave[1:] = 0.5 * (wave[1:] + wave[:-1])
        error = np.abs(down(wave, factor, half_sample_late=late) - x)[300:-300].max()
        print(f"by {factor}, late {late}, {hz} Hz: {error:.1e}")
        assert error < FLAT


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("factor", FACTORS)
def test_down_rejects_what_would_fold_into_the_sound(factor, late):
    worst = -np.inf
    for image in range(1, factor):
        for offset in (-19_990, -7_000, 1_000, 19_990):
            hz = image * 44_100 + offset
            if not 0 < hz < 44_100 * factor / 2:
                continue
            found = down(sine(hz, 44_100 * factor, 4000 * factor), factor, half_sample_late=late)
            gain = np.abs(np.fft.rfft(found[300:-300] * np.hanning(3400))).max() / 850
            worst = max(worst, 20 * np.log10(gain))
    print(f"down by {factor}, late {late}: {worst:.1f} dB")
    assert worst < -95


@pytest.mark.parametrize("factor", FACTORS)
def test_samples_stay_where_they_were(factor, seeded):
    x = seeded.standard_normal(9000)
    assert np.array_equal(up(x, factor)[::factor], x)


def test_the_slow_way_gives_the_same(seeded):
    """Zeros stuffed in, then whole convolutions with all taps of each half-band filter."""
    x = seeded.standard_normal(700)
    wave = x
    for stage in range(3):
        stuffed = np.zeros(2 * wave.size)
        stuffed[::2] = wave
        wave = np.convolve(stuffed, all_taps(stage), mode="same")
    assert np.abs(up(x, 8) - wave)[1600:-1600].max() < 1e-13
    for stage in (2, 1, 0):
        wave = np.convolve(wave, all_taps(stage) / 2, mode="same")[::2]
    assert np.abs(down(up(x, 8), 8) - wave)[200:-200].max() < 1e-13


def all_taps(stage):
    beside = oversample.half_band(stage)
    taps = np.zeros(4 * beside.size - 1)
    middle = 2 * beside.size - 1
    taps[middle] = 1.0
    taps[middle + 1 :: 2] = beside
    taps[middle - 1 :: -2] = beside
    return taps


@pytest.mark.parametrize("frames", [1, 2, 100, 4096, 4097, 9000])
@pytest.mark.parametrize("factor", FACTORS)
def test_through_is_up_shape_down_of_one_piece(factor, frames, seeded):
    """A state carried from stretch to stretch shows any stretch that is lost or done twice."""
    x = seeded.standard_normal(frames)
    held = np.zeros(1)

    def leaky(wave):
        for i in range(wave.size):
            held[0] = 0.9 * held[0] + wave[i]
            wave[i] = held[0]

    found = through(x, factor, leaky)
    margin = 2 * reach(factor)
    whole = up(np.pad(x, margin), factor)
    held[0] = 0.0
    leaky(whole[margin // 2 * factor :])
    whole[: margin // 2 * factor] = 0.0
    expected = down(whole, factor)[margin : margin + frames]
    assert found.shape == (frames,)
    assert np.abs(found - expected).max() < 1e-12


def test_factor_1_changes_nothing(seeded):
    x = seeded.standard_normal(50)
    assert np.array_equal(down(up(x, 1), 1), x)


def test_refuses_other_factors(seeded):
    x = seeded.standard_normal(12)
    with pytest.raises(ValueError, match="factor = 3: 1, 2, 4 or 8"):
        up(x, 3)
    with pytest.raises(ValueError, match="half_sample_late needs"):
        down(x, 1, half_sample_late=True)


def test_compiled_as_written(seeded):
    x, lost = seeded.standard_normal(800), 40
    taps, late = oversample.half_band(0), oversample.half_sample_late_low_pass(0)
    for loop, line, taps_used, size in (
        (oversample._double, x, taps, 2 * (800 - 2 * lost)),
        (oversample._halve, x, taps, 400 - 2 * lost),
        (oversample._halve_late, x, late, 400 - 2 * lost),
    ):
        compiled, plain = np.empty(size), np.empty(size)
        loop(line, taps_used, lost, compiled)
        loop.py_func(line, taps_used, lost, plain)
        assert np.abs(compiled - plain).max() < 1e-14


@pytest.fixture
def seeded():
    return np.random.default_rng(2026)
