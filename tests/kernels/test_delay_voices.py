"""Bucket line and tape against slow recursions, the compander against its closed forms."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from simchain.kernels import delay_voices
from simchain.kernels.delay_voices import Loop, compress, expand

RATE = 96_000
UNITY, TAU_S, FLOOR = 0.35, 0.02, 0.01
NO_FILTER = np.zeros((0, 6))
LOW_PASS = butter(3, 0.2, output="sos")
LOW_CUT = butter(1, 0.001, "highpass", output="sos")
RNG = np.random.default_rng(1)


def steady(frames: float, feedback: float, crossed: float = 0.0) -> Loop:
    late_s = frames / RATE
    return Loop(RATE, late_s, late_s, feedback, crossed)


def tape_repeats(rows: np.ndarray, *given) -> np.ndarray:
    return np.concatenate([wet for _, wet in delay_voices.tape_repeats(rows, *given)], axis=1)


def bucket_repeats(rows: np.ndarray, *given) -> np.ndarray:
    return np.concatenate([wet for _, wet in delay_voices.bucket_repeats(rows, *given)], axis=1)


def soft(x: np.ndarray, ceiling: float) -> np.ndarray:
    return x / np.sqrt(1 + (x / ceiling) ** 2)


def slow_compander(x: np.ndarray, way: int) -> np.ndarray:
    """Compressor (-1) and expander (+1) as their equations stand."""
    keeps, mean, out = np.exp(-1 / (TAU_S * RATE)), FLOOR, np.empty(x.size)
    for n, one in enumerate(x):
        out[n] = one * (mean / UNITY) ** way
        heard = abs(out[n] if way < 0 else one)
        mean = max(FLOOR, keeps * mean + (1 - keeps) * heard)
    return out


def slow_repeats(rows: np.ndarray, frames: int, own: float, across: float, held) -> np.ndarray:
    """The whole recursion again and again until nothing is new."""
    wet = np.zeros_like(rows)
    for _ in range(rows.shape[1] // frames + 2):
        fed = rows + own * wet + across * wet[::-1]
        for row, out in zip(fed, wet, strict=True):
            out[:] = np.concatenate((np.zeros(frames), held(row)))[: row.size]
    return wet


@pytest.mark.parametrize(("frames", "crossed"), [(60, 0.0), (700, 0.0), (700, 0.3), (1500, 1.0)])
def test_a_tape_as_the_slow_recursion(frames: int, crossed: float) -> None:
    x = RNG.normal(size=(2, 6000))
    found = tape_repeats(x, steady(frames, 0.8, crossed), LOW_PASS, 1.5)
    slow = slow_repeats(
        x, frames, 0.8 * (1 - crossed), 0.8 * crossed, lambda row: sosfilt(LOW_PASS, soft(row, 1.5))
    )
    assert np.abs(found - slow).max() < 1e-12


@pytest.mark.parametrize(("frames", "crossed"), [(60, 0.0), (1700, 1.0)])
def test_a_bucket_line_as_the_slow_recursion(frames: int, crossed: float) -> None:
    x = RNG.normal(size=(2, 4000))

    def held(row: np.ndarray) -> np.ndarray:
        inside = soft(sosfilt(LOW_PASS, slow_compander(row, -1)), 1.5)
        return sosfilt(LOW_CUT, slow_compander(sosfilt(LOW_PASS, inside), +1))

    sections, compander = (LOW_PASS, LOW_PASS, LOW_CUT), (UNITY, TAU_S, FLOOR)
    found = bucket_repeats(x, steady(frames, 0.8, crossed), sections, compander, 1.5)
    slow = slow_repeats(x, frames, 0.8 * (1 - crossed), 0.8 * crossed, held)
    assert np.abs(found - slow).max() < 1e-11


def test_lines_move_on_without_a_seam() -> None:
    """Three seconds through lines that fill many times, with no saturation: echoes exact."""
    x = RNG.normal(size=(1, 3 * RATE))
    frames = 5003
    found = tape_repeats(x, steady(frames, 0.5), NO_FILTER, 1e9)[0]
    slow = np.zeros(x.size)
    for k in range(1, 40):
        slow[k * frames :] += 0.5 ** (k - 1) * x[0, : x.size - k * frames]
    assert np.abs(found - slow).max() < 1e-11


@pytest.mark.parametrize("dbu", [0, -20, -40, -60])
def test_compressor_and_expander_track_over_60_db(dbu: float) -> None:
    """Steady state: the compressor gives sqrt(x U), 1 dB for 2; the expander takes it back."""
    t = np.arange(2 * RATE) / RATE
    peak = UNITY * np.pi / 2 * 10 ** (dbu / 20)
    x = peak * np.sin(2 * np.pi * 997 * t)
    inside = compress(x, UNITY, TAU_S, UNITY / 10**1.5, RATE)
    level_db = 20 * np.log10(np.abs(inside[RATE:]).mean() / UNITY)
    back = expand(inside, UNITY, TAU_S, UNITY / 10**1.5, RATE)
    returned_db = 20 * np.log10(np.std(back[RATE:]) / np.std(x[RATE:]))
    print(f"{dbu} dB re unity: compressed {level_db:.4f}, off after expansion {returned_db:.6f}")
    assert level_db == pytest.approx(dbu / 2, abs=0.1)
    assert returned_db == pytest.approx(0.0, abs=0.1)


def test_expansion_takes_compression_back_sample_by_sample() -> None:
    x = RNG.normal(size=RATE // 4) * np.repeat([1.0, 1e-4, 0.1, 0.0], RATE // 16)
    back = expand(compress(x, UNITY, TAU_S, FLOOR, RATE), UNITY, TAU_S, FLOOR, RATE)
    assert np.abs(back - x).max() < 1e-13


@pytest.mark.parametrize(("before", "after"), [(0.01, 1.0), (1.0, 0.02), (0.1, 0.2)])
def test_compressor_settles_as_its_equation(before: float, after: float) -> None:
    """(m^2)' = 2 (x U - m^2) / tau: m^2 from x0 U to x1 U with tau / 2; a steady |x|."""
    step = RATE // 2
    x = np.repeat([before, after], step) * np.where(np.arange(2 * step) % 2, 1.0, -1.0)
    found = np.abs(compress(x, UNITY, TAU_S, 1e-3, RATE)[step:])
    t = np.arange(1, step) / RATE
    square = UNITY * (after + (before - after) * np.exp(-2 * t / TAU_S))
    wanted = after * UNITY / np.sqrt(square)
    worst_db = np.abs(20 * np.log10(found[1:] / wanted)).max()
    print(f"{before} to {after} V: within {worst_db:.4f} dB")
    assert worst_db < 0.1


@pytest.mark.parametrize(("before", "after"), [(0.01, 1.0), (1.0, 0.02)])
def test_expander_settles_as_its_equation(before: float, after: float) -> None:
    """m' = (|x| - m) / tau: first order."""
    step = RATE // 2
    x = np.repeat([before, after], step)
    found = expand(x, UNITY, TAU_S, 1e-3, RATE)[step:]
    t = np.arange(step) / RATE
    wanted = after * (after + (before - after) * np.exp(-t / TAU_S)) / UNITY
    assert np.abs(20 * np.log10(found / wanted)).max() < 0.01


def test_reads_exactly_where_the_swing_tells() -> None:
    """Truth: sin(2 pi f (t - d(t))), d swinging by 3 ms at 0.7 Hz and 0.2 ms at 13 Hz."""
    points_hz, t = 500.0, np.arange(RATE) / RATE
    grid = (np.arange(506) - 1) / points_hz
    swing, late = np.zeros((grid.size, 2)), np.full(t.size, 0.05)
    for hz, ms in ((0.7, 3.0), (13.0, 0.2)):
        swing[:, 0] += 1e-3 * ms * np.sin(2 * np.pi * hz * grid)
        swing[:, 1] += 1e-3 * ms * 2 * np.pi * hz / points_hz * np.cos(2 * np.pi * hz * grid)
        late += 1e-3 * ms * np.sin(2 * np.pi * hz * t)
    loop = Loop(RATE, 0.05, 0.0468, 0.0, 0.0, swing, points_hz)
    found = tape_repeats(np.sin(2 * np.pi * 3000 * t)[np.newaxis], loop, NO_FILTER, 1e9)[0]
    error = found - np.sin(2 * np.pi * 3000 * (t - late))
    worst = np.abs(error[6000:]).max()
    print(f"moving read of 3 kHz: off by {20 * np.log10(worst):.1f} dB at worst")
    assert worst < 1e-4


@pytest.mark.parametrize("hz", [1000, 10_000, 15_000, 17_600])
def test_treble_is_kept_between_frames(hz: float) -> None:
    t = np.arange(3000) / 88_200
    worst = 0.0
    for fraction in np.linspace(0.0007, 0.9993, 31):
        late_s = (200 + fraction) / 88_200
        loop = Loop(88_200, late_s, late_s, 0.0, 0.0)
        out = tape_repeats(np.cos(2 * np.pi * hz * t)[np.newaxis], loop, NO_FILTER, 1e9)[0]
        truth = np.cos(2 * np.pi * hz * (t - late_s))
        gain = np.dot(out[400:], truth[400:]) / np.dot(truth[400:], truth[400:])
        worst = max(worst, abs(20 * np.log10(gain)))
    print(f"{hz} Hz at 88.2 kHz: within {worst:.4f} dB")
    assert worst < 0.003


@pytest.mark.parametrize(
    ("name", "arguments"),
    [
        ("_compress", (UNITY, 0.99, FLOOR, FLOOR)),
        ("_expand", (UNITY, 0.99, FLOOR, FLOOR)),
        ("_saturate", (0.5,)),
        ("_section", (LOW_PASS[0], np.zeros(2))),
    ],
)
def test_compiled_as_in_plain_python(name: str, arguments: tuple) -> None:
    compiled = getattr(delay_voices, name)
    rows = [RNG.normal(size=300)] * 2
    made = []
    for run, row in zip((compiled, compiled.py_func), rows, strict=True):
        changed = row.copy()
        run(changed, *(np.copy(one) if np.ndim(one) else one for one in arguments))
        made.append(changed)
    assert np.abs(made[0] - made[1]).max() < 1e-14


def test_loops_compiled_as_in_plain_python() -> None:
    figures = np.array([0.4, 0.2, 80.3, RATE, 1.0, 250 / RATE, 1.5, 1e-60, UNITY, 0.99, FLOOR])
    swing = RNG.normal(size=(9, 2)) * 1e-5
    x, table = RNG.normal(size=(2, 500)), delay_voices.interpolator()
    made = []
    for tape, buckets in (
        (delay_voices._tape, delay_voices._buckets),
        (delay_voices._tape.py_func, delay_voices._buckets.py_func),
    ):
        wet, lines, state = x.copy(), np.zeros((2, 600)), np.zeros((2, len(LOW_PASS), 2))
        tape(wet, lines, 100, figures, swing, table, LOW_PASS, state, 60)
        made.append(wet)
        wet, lines, state = x.copy(), np.zeros((2, 600)), np.zeros((2, 2 * len(LOW_PASS) + 1, 2))
        sections = (LOW_PASS, LOW_PASS, LOW_CUT)
        means = np.full((2, 2), FLOOR)
        taps = np.ascontiguousarray(table[150])
        buckets(wet, lines, 100, figures, taps, *sections, state, means, 60)
        made.append(wet)
    assert np.abs(made[0] - made[2]).max() < 1e-13
    assert np.abs(made[1] - made[3]).max() < 1e-13


def test_reading_compiled_as_in_plain_python() -> None:
    line, table = RNG.normal(size=400), delay_voices.interpolator()
    late = 50 + 10 * RNG.random(100)
    figures = np.array([0.0, 0.0, 80.3, RATE, 1.0, 0.01])
    swing = RNG.normal(size=(9, 2)) * 1e-5
    out = np.empty((6, 100))
    for k, way in enumerate((lambda one: one, lambda one: one.py_func)):
        way(delay_voices._read)(line, 200, late, table, out[k])
        way(delay_voices._read_still)(line, table[99], out[2 + k])
        way(delay_voices._swing)(out[4 + k], swing, figures, 5)
    assert np.abs(out[::2] - out[1::2]).max() < 1e-12


def test_the_end_of_a_tail_is_exact_silence() -> None:
    """No denormals: what has died away below 1e-60 V is nothing."""
    x = np.zeros((1, RATE))
    x[0, 0] = 1.0
    loop, compander = steady(100, 0.1), (UNITY, TAU_S, FLOOR)
    for wet in (
        tape_repeats(x, loop, LOW_PASS, 1.5),
        bucket_repeats(x, loop, (LOW_PASS, LOW_PASS, LOW_PASS), compander, 1.5),
    ):
        assert np.abs(wet[wet != 0.0]).min() > 1e-300
        assert not wet[0, -10_000:].any()
