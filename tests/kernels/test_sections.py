"""Sections one after another: against scipy.signal.sosfilt, and one pole's closed form."""

import numpy as np
import pytest
from scipy.signal import sosfilt

from simchain.kernels import sections
from simchain.kernels.sections import squares_behind_sections, through_sections


def some_sections(count: int) -> np.ndarray:
    """As many sections, no two alike: random zeros, pairs of poles at up to 0.95 of the circle."""
    random = np.random.default_rng(count)
    size, turn = random.uniform(0.3, 0.95, count), random.uniform(0, np.pi, count)
    below = np.stack((np.ones(count), -2 * size * np.cos(turn), size**2), axis=1)
    return np.hstack((random.normal(size=(count, 3)), below))


def noise(*shape: int) -> np.ndarray:
    return np.random.default_rng(5).normal(size=shape)


@pytest.fixture(params=["compiled", "plain"])
def either(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Compiled, or all of the file in plain Python."""
    if request.param == "plain":
        for name in ("_through_one", "_through_two", "_still", "_through"):
            monkeypatch.setattr(sections, name, getattr(sections, name).py_func)
    return request.param


def run(either: str, kernel, *arguments) -> None:
    (kernel if either == "compiled" else kernel.py_func)(*arguments)


@pytest.mark.parametrize("lines", [1, 2])
@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_it_is_sosfilt_and_moves_its_state_on(either: str, count: int, lines: int) -> None:
    """In pieces of odd sizes, one of a single frame and one of none; from a state not at rest."""
    filters, volts = some_sections(count), noise(lines, 700)
    memory = noise(lines, count, 2)
    wanted, state = sosfilt(filters, volts, axis=1, zi=memory.swapaxes(0, 1).copy())
    made = np.full(volts.shape, np.nan)
    for first, end in ((0, 333), (333, 334), (334, 334), (334, 700)):
        out = np.empty((lines, end - first))
        run(either, through_sections, filters, memory, volts[:, first:end].copy(), out)
        made[:, first:end] = out
    assert made == pytest.approx(wanted, rel=1e-12, abs=1e-13)
    assert memory.swapaxes(0, 1) == pytest.approx(state, rel=1e-12, abs=1e-13)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_in_place(either: str, count: int) -> None:
    filters, volts = some_sections(count), noise(2, 200)
    wanted = sosfilt(filters, volts, axis=1)
    run(either, through_sections, filters, np.zeros((2, count, 2)), volts, volts)
    assert volts == pytest.approx(wanted, rel=1e-12, abs=1e-13)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_pieces_are_the_whole_to_the_last_digit(count: int) -> None:
    filters, volts = some_sections(count), noise(1, 500)
    whole, pieces = np.empty_like(volts), np.empty_like(volts)
    through_sections(filters, np.zeros((1, count, 2)), volts, whole)
    memory = np.zeros((1, count, 2))
    for part in np.split(np.arange(500), [7, 100, 101]):
        out = np.empty((1, part.size))
        through_sections(filters, memory, volts[:, part], out)
        pieces[:, part] = out
    assert np.array_equal(pieces, whole)


@pytest.mark.parametrize("count", [1, 2, 5])
@pytest.mark.parametrize(("frames", "hop"), [(400, 100), (430, 100), (99, 100), (301, 1)])
def test_squares_are_summed_hop_after_hop(either: str, count: int, frames: int, hop: int) -> None:
    """The last hop may not be full; what `sums` held stays in it."""
    filters, volts = some_sections(count), noise(frames)
    squares = sosfilt(filters, volts) ** 2
    wanted = 3.0 + np.add.reduceat(squares, np.arange(0, frames, hop))
    sums = np.full(-(-frames // hop), 3.0)
    run(either, squares_behind_sections, filters, volts, hop, sums)
    assert sums == pytest.approx(wanted, rel=1e-12)


def test_squares_of_one_pole(either: str) -> None:
    """Closed form: behind 1 / (1 - p / z) an impulse is p^n, a hop of its squares a geometric sum.

    Of h frames, the i-th: p^(2 h i) (1 - p^(2 h)) / (1 - p^2).
    """
    pole, hop, impulse = 0.97, 20, np.zeros(90)
    impulse[0] = 1.0
    sums = np.zeros(5)
    one_pole = np.array([[1.0, 0.0, 0.0, 1.0, -pole, 0.0]])
    run(either, squares_behind_sections, one_pole, impulse, hop, sums)
    first = pole ** (2 * hop * np.arange(5))
    end = pole ** (2 * np.minimum(hop * np.arange(1, 6), 90))
    assert sums == pytest.approx((first - end) / (1 - pole**2), rel=1e-12)


def test_no_denormal_numbers_are_left(either: str) -> None:
    """One pole at 0.9 after an impulse: what is under 1e-100 at the end of a piece is forgotten."""
    filters = np.array([[1.0, 0.0, 0.0, 1.0, pole, 0.0] for pole in (-0.9, 0.0, 0.0)])
    memory, volts, out = np.zeros((1, 3, 2)), np.zeros((1, 2100)), np.empty((1, 2100))
    volts[0, 0] = 1.0
    run(either, through_sections, filters, memory, volts, out)
    assert memory[0, 0, 0] == pytest.approx(0.9**2100, rel=1e-9)
    assert 0.0 < memory[0, 0, 0] < 1e-95
    run(either, through_sections, filters, memory, np.zeros((1, 200)), np.empty((1, 200)))
    assert not memory.any()
