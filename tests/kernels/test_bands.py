"""Power in bands: against numpy's own sums and product, and Parseval's theorem."""

import numpy as np
import pytest

from simchain.kernels.bands import spectra_to_bands


def run(spectra: np.ndarray, starts: np.ndarray, weights: np.ndarray, plain: bool) -> np.ndarray:
    found = np.full((len(spectra), len(weights)), np.nan)
    kernel = spectra_to_bands.py_func if plain else spectra_to_bands  # type: ignore[attr-defined]
    kernel(spectra, starts, weights, found)
    return found


@pytest.mark.parametrize("plain", [False, True])
@pytest.mark.parametrize("frames", [1, 2, 3, 4, 5, 8, 11])
def test_it_is_what_numpy_makes_of_it(frames: int, plain: bool) -> None:
    """Groups of one bin and of many; bins before the first and behind the last do not count."""
    random = np.random.default_rng(frames)
    spectra = random.normal(size=(frames, 60)) + 1j * random.normal(size=(frames, 60))
    spectra[:, [0, 1, 51, 59]] = 1e9
    starts, weights = np.array([2, 3, 4, 9, 30, 51]), random.random((7, 5))
    powers = np.add.reduceat(np.abs(spectra[:, :51]) ** 2, starts[:-1], axis=1)
    assert run(spectra, starts, weights, plain) == pytest.approx(powers @ weights.T, rel=1e-12)


@pytest.mark.parametrize("plain", [False, True])
def test_all_bins_twice_are_the_energy(plain: bool) -> None:
    """Parseval: sum |X|^2 over the whole circle is N sum x^2; 0 and N/2 are in it once only."""
    waves = np.random.default_rng(1).normal(size=(6, 64))
    found = run(np.fft.rfft(waves), np.array([0, 1, 32, 33]), np.array([[1.0, 2.0, 1.0]]), plain)
    assert found[:, 0] == pytest.approx(64 * (waves**2).sum(axis=1), rel=1e-12)


def test_a_frame_does_not_hang_on_its_neighbours() -> None:
    """Four are taken at a time: each alone, and the last of a piece that is not full."""
    random = np.random.default_rng(3)
    spectra = random.normal(size=(7, 33)) + 1j * random.normal(size=(7, 33))
    starts, weights = np.array([1, 4, 20, 33]), random.random((5, 3))
    together = run(spectra, starts, weights, plain=False)
    alone = [run(spectra[i : i + 1], starts, weights, plain=False)[0] for i in range(7)]
    assert np.array_equal(together, alone)


def test_silence_has_no_power() -> None:
    starts, weights = np.array([0, 4, 9]), np.ones((3, 2))
    assert not run(np.zeros((5, 9), dtype=np.complex128), starts, weights, plain=False).any()
