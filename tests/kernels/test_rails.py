import numpy as np
import pytest

from simchain.kernels import rails
from simchain.kernels.oversample import down, up
from simchain.kernels.rails import clipped
from tests.benchmarks.aliases import rails_aliases_db

# Hard clip of 10 sin to +-1 (references, Distortion; computed from the closed form there).
TEN_TIMES = {1: 1.271114284, 3: 0.418062926, 5: 0.244148749, 7: 0.167368506, 9: 0.123096455}


def hard_clip(g, n):
    """b1 = (2g/pi)(a + sin(2a)/2); bn = (2g/(pi n)) [...]: Fourier series of clipped g sin."""
    a = np.arcsin(1 / g)
    if n == 1:
        return 2 * g / np.pi * (a + np.sin(2 * a) / 2)
    ends = np.sin((n - 1) * a) / (n - 1) + np.sin((n + 1) * a) / (n + 1)
    return 2 * g / (np.pi * n) * ends


def test_the_closed_form_gives_the_published_figures():
    for n, figure in TEN_TIMES.items():
        assert hard_clip(10, n) == pytest.approx(figure, abs=1e-9)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("hz", [199, 1249, 4999])
@pytest.mark.parametrize("over", [1.5, 4, 10])
def test_harmonics_to_10_khz_are_those_of_the_closed_form(rate, hz, over):
    wave = over * 3.5 * np.sin(2 * np.pi * hz * np.arange(rate * 5 // 4) / rate)
    second = clipped(wave, 3.5, rate)[rate // 8 : rate // 8 + rate]
    found = np.abs(np.fft.rfft(second)) / (rate / 2) / 3.5
    first = hard_clip(over, 1)
    numbers = [n for n in range(1, 10_000 // hz + 1, 2) if abs(hard_clip(over, n)) > 1e-3 * first]
    off = [20 * np.log10(found[n * hz] / abs(hard_clip(over, n))) for n in numbers]
    worst = max(off, key=abs)
    print(f"{rate} Hz, {hz} Hz, {over} times over: worst of {len(off)} harmonics {worst:+.4f} dB")
    assert abs(worst) < 0.05


@pytest.mark.parametrize(("hz", "limit_db"), [(1249, -90), (4999, -70)])
def test_aliases(hz, limit_db):
    figure = rails_aliases_db(hz)
    print(f"rails, sine ten times over, {hz} Hz: {figure:.1f} dB")
    assert figure < limit_db


def test_what_touches_no_rail_comes_back_itself(seeded):
    wave = seeded.uniform(-1, 1, 5000)
    assert clipped(wave, 3.0, 48_000) is wave
    near = np.sin(2 * np.pi * 440 * np.arange(5000) / 48_000) * np.hanning(5000)
    assert clipped(near, 1.001, 48_000) is near


def test_stretches_far_from_a_touched_one_keep_their_values(seeded):
    wave = 0.1 * seeded.standard_normal(20_000)
    wave[9_000:9_100] += 5.0
    before = wave.copy()
    found = clipped(wave, 1.0, 48_000)
    assert np.array_equal(wave, before)
    changed = np.flatnonzero(found != wave)
    assert changed[0] > 8_900
    assert changed[-1] < 9_200


def test_stretches_give_what_one_piece_gives(seeded):
    wave = 2.0 * seeded.standard_normal(30_000)
    wave[10_000:15_000] *= 0.01
    whole = up(np.pad(wave, 200), 8)
    rails._to_mean_excess(whole, 1.0)
    expected = wave - down(whole, 8, half_sample_late=True)[200:-200]
    assert np.abs(clipped(wave, 1.0, 48_000) - expected).max() < 1e-12


def test_a_wave_that_passes_the_rail_between_samples_is_clipped():
    """A sine at a quarter of the rate, its samples at 45 degrees, stands 3 dB above them."""
    wave = np.sin(np.pi / 2 * np.arange(2000) + np.pi / 4)
    found = clipped(wave, 0.8, 48_000)
    assert np.abs(wave).max() < 0.8
    middle = np.abs(np.fft.rfft(found[400:1600])).max() / 600
    assert middle == pytest.approx(hard_clip(1 / 0.8, 1) * 0.8, rel=10 ** (0.05 / 20) - 1)


@pytest.mark.parametrize("frames", [1, 2, 7, 4096])
@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
def test_any_length(frames, rate):
    assert clipped(np.full(frames, 9.0), 3.5, rate).shape == (frames,)
    assert clipped(np.zeros(frames), 3.5, rate).tolist() == [0.0] * frames


def test_symmetric(seeded):
    wave = 3 * seeded.standard_normal(3000)
    assert np.array_equal(clipped(-wave, 1.0, 48_000), -clipped(wave, 1.0, 48_000))


def test_mean_excess_is_the_integral_over_each_step(seeded):
    """Judged by a midpoint sum over 20,000 points of the straight line between two samples."""
    wave = 3 * seeded.standard_normal(60)
    found, plain = wave.copy(), wave.copy()
    rails._to_mean_excess(found, 1.0)
    rails._to_mean_excess.py_func(plain, 1.0)
    assert np.array_equal(found, plain)
    part = (np.arange(20_000) + 0.5) / 20_000
    lines = wave[:-1, None] + np.diff(wave)[:, None] * part
    assert np.abs(found[1:] - (lines - lines.clip(-1, 1)).mean(axis=1)).max() < 1e-6


@pytest.fixture
def seeded():
    return np.random.default_rng(2026)
