"""The network's loop against a plain one, the loss of energy, and its cost at awkward sizes."""

import numpy as np
import pytest
from scipy.linalg import hadamard

from simchain.kernels import reverb
from simchain.kernels.reverb import LINES, network

LENGTHS = np.array([151, 101, 71, 113, 89, 131, 97, 137, 61, 83, 107, 139, 127, 73, 79, 149])


def slow_network(volts, lengths, gains, poles, into, out_of):
    """Frame by frame, every line a list; the matrix is scipy's."""
    matrix = hadamard(len(lengths)) / np.sqrt(len(lengths))
    lines = [[0.0] * length for length in lengths]
    last = np.zeros(len(lengths))
    wet = np.zeros((len(out_of), volts.shape[1]))
    for n, frame in enumerate(volts.T):
        ends = np.array([line.pop(0) for line in lines])
        last = gains * (1 - poles) * ends + poles * last
        entering = frame @ into + matrix @ last
        for line, value in zip(lines, entering, strict=True):
            line.append(value)
        wet[:, n] = out_of @ entering
    return wet


@pytest.mark.parametrize(("channels", "count"), [(1, 16), (2, 16), (1, 8)])
def test_as_the_slow_network(channels: int, count: int) -> None:
    random = np.random.default_rng(channels)
    volts = random.normal(size=(channels, 1500))
    gains = random.uniform(0.5, 0.95, count) * random.choice((-1.0, 1.0), count)
    poles = random.uniform(0.0, 0.6, count)
    into, out_of = random.normal(size=(2, channels, count))
    lengths = LENGTHS[:count]
    fast = network(volts, lengths, gains, poles, into, out_of)
    assert np.abs(fast - slow_network(volts, lengths, gains, poles, into, out_of)).max() < 1e-12


def test_the_matrix_keeps_energy() -> None:
    """H H^T / 16 = I: without losses the lines hold the impulse's energy for ever."""
    assert np.abs(hadamard(LINES) @ hadamard(LINES).T / 16 - np.eye(LINES)).max() < 1e-15
    volts = np.zeros((1, 40_000))
    volts[0, 0] = 1.0
    into = np.random.default_rng(1).normal(size=(1, LINES))
    taps = np.eye(LINES)[:, None, :]
    entering = np.concatenate(
        [network(volts, LENGTHS, np.ones(LINES), np.zeros(LINES), into, tap) for tap in taps]
    )
    held = sum(np.sum(row[-length:] ** 2) for row, length in zip(entering, LENGTHS, strict=True))
    print(f"energy after 40,000 frames over energy put in: 1 {held / np.sum(into**2) - 1:+.1e}")
    assert held == pytest.approx(np.sum(into**2), rel=1e-11)


def test_compiled_as_in_plain_python() -> None:
    random = np.random.default_rng(5)
    volts, into, out_of = random.normal(size=(1, 300)), *random.normal(size=(2, 1, LINES))
    filters = np.stack((np.full(LINES, 0.2), np.full(LINES, 0.3), np.zeros(LINES)))
    made = []
    for run in (reverb._network, reverb._network.py_func):
        lines, work, wet = np.zeros((LINES, 200)), np.empty((LINES, 300)), np.zeros((1, 300))
        limits, at = np.array((256, 128, 0, 300)), np.zeros(LINES, dtype=np.int64)
        run(volts, LENGTHS, filters.copy(), into, out_of, limits, 1e-60, at, lines, work, wet)
        made.append(wet)
    assert np.abs(made[0] - made[1]).max() < 1e-12
