"""Lines that move: the still network when they do not, the split's power, no growth."""

import numpy as np
import pytest
from scipy.signal import butter, freqz

from simchain.kernels import moving_lines
from simchain.kernels.moving_lines import Octaves, Sways, moving_network, split_all_passes
from simchain.kernels.pitch import Splices, interpolator
from simchain.kernels.reverb import LINES, network

LENGTHS = np.array([151, 101, 71, 113, 89, 131, 97, 137, 61, 83, 107, 139, 127, 73, 79, 149])
RATE = 48_000
LONG = np.array([n * 20 + 1 for n in LENGTHS])
NO_LINES = np.zeros(0, dtype=np.int64)
STILL = Sways(NO_LINES, np.zeros(0), np.zeros(0), np.zeros(0))
LEVEL = Octaves(NO_LINES, (), 0.0, 4000 / RATE, 80 / RATE)


def ring(volts, sways=STILL, octaves=LEVEL, decay_s=60.0, out_of=None):
    gains = 10 ** (-3.0 * LONG / RATE / decay_s)
    into = np.where(np.arange(LINES) % 3 == 0, -0.25, 0.25)[None]
    ends = into if out_of is None else out_of
    return moving_network(volts, LONG, gains, np.zeros(LINES), into, ends, sways, octaves, RATE)


def still_ring(volts, decay_s=60.0):
    into = np.where(np.arange(LINES) % 3 == 0, -0.25, 0.25)[None]
    return network(volts, LONG, 10 ** (-3.0 * LONG / RATE / decay_s), np.zeros(LINES), into, into)


def rising(share: float) -> Octaves:
    line = int(np.argmax(LONG))
    plan = Splices(True, int(LONG[line]) - 420, 280, 840, 280, 280, 10, 20, int(LONG[line]) + 420)
    return Octaves(np.array([line]), (plan,), share, 4000 / RATE, 80 / RATE)


def test_moving_by_nothing_is_the_still_network() -> None:
    volts = np.random.default_rng(7).normal(size=(1, 30_000))
    still = still_ring(volts)
    assert np.array_equal(ring(volts), still)
    sways = Sways(np.array([3, 5]), np.zeros(2), np.full(2, 1e-5), np.zeros(2))
    assert np.abs(ring(volts, sways) - still).max() < 1e-9


def test_a_line_moves_by_one_rule() -> None:
    volts = np.zeros((1, 10))
    with pytest.raises(ValueError, match="either sways or rises"):
        ring(volts, Sways(rising(1).lines, np.ones(1), np.ones(1), np.ones(1)), rising(1))


def test_the_split_keeps_power() -> None:
    """Against scipy's Butterworth low-pass; low + high and the two high-pass halves add to 1."""
    below, above = 4000 / RATE, 80 / RATE
    rows = split_all_passes(below, above)
    w, wanted = freqz(*butter(5, 2 * below), worN=2000)
    z = np.exp(-1j * w)
    second = [(a2 + a1 * z + z * z) / (1 + a1 * z + a2 * z * z) for a1, a2 in rows[1:3]]
    first = [(a1 + z) / (1 + a1 * z) for a1 in (rows[0, 0], rows[3, 0])]
    low, high = (0.5 * (first[0] * second[0] + sign * second[1]) for sign in (1, -1))
    assert np.abs(np.abs(low) - np.abs(wanted)).max() < 1e-12
    assert np.abs(np.abs(low) ** 2 + np.abs(high) ** 2 - 1).max() < 1e-12
    high_pass = np.abs(freqz(*butter(1, 2 * above, "high"), worN=2000)[1])
    assert np.abs(np.abs(0.5 * (1 - first[1])) - high_pass).max() < 1e-12


SOUNDS = {
    "noise": lambda t: np.random.default_rng(1).normal(size=t.size),
    "chord": lambda t: sum(np.sin(2 * np.pi * hz * t) for hz in (110.3, 164.9, 220.7)),
    "low note": lambda t: np.sin(2 * np.pi * 82.4 * t),
    "clicks": lambda t: (np.arange(t.size) % 480 == 0) * 1.0,
    "steady": lambda t: np.ones(t.size),
}


@pytest.mark.parametrize("name", SOUNDS)
def test_what_rises_never_makes_the_loop_grow(name: str) -> None:
    """What all lines hold together, over 60 s without damping, told to fall by 60 dB.

    A lossless matrix keeps the sum; what is put into a line may exceed what it gave for the tenth
    of a second over which it is trimmed, so half a second may rise by some tenths of a dB.
    """
    for share in (0.4, 1.0):
        volts = np.zeros((1, 60 * RATE))
        volts[0, :RATE] = SOUNDS[name](np.arange(RATE) / RATE)
        made = ring(volts, octaves=rising(share), out_of=np.eye(LINES))
        held = (made.reshape(LINES, 120, -1) ** 2).sum(axis=(0, 2))
        level = 10 * np.log10(held)
        rise, fall = np.diff(level[3:]).max(), level[3] - level[-1]
        print(f"{name}, shimmer {share}: half a second by {rise:+.2f} dB at most, fall {fall:.1f}")
        assert level[3:].max() < level[2]
        assert rise < 0.2
        assert 55.0 < fall < 62.0


def test_a_swaying_line_as_in_plain_python_and_as_its_closed_form() -> None:
    """A sine in the past, read at a swaying place, is the sine of that place."""
    size, length, fill = 400, 900, 1200
    motions = np.array([[20.0], [0.7 / RATE], [0.1]])
    past = np.sin(0.3 * np.arange(1700.0))[None]
    made = []
    for run in (moving_lines._sway, moving_lines._sway.py_func):
        lines = np.zeros((1, 1000))
        table, moved = interpolator(2048), np.array([0])
        at = np.array([700])
        run(lines, np.array([length]), at, moved, motions, table, past, fill, 5000, size)
        made.append(np.roll(lines[0, :length], -700)[:size])
    n = np.arange(size)
    place = fill + n - length - 20.0 * np.sin(2 * np.pi * (0.1 + 0.7 / RATE * (5000 + n)))
    assert np.abs(made[0] - made[1]).max() < 1e-12
    assert np.abs(made[0] - np.sin(0.3 * place)).max() < 4e-4
