"""A resonance: the second-order band-pass that a wah sweeps and a guitar's body is made of."""

import math

import numpy as np

from simchain.filters.analogue import analogue_sections
from simchain.filters.sections import Sections


def resonance_sections(hz: float, q: float, rate: float) -> Sections:
    """Return a resonant band-pass of 0 dB at `hz` as sections for `run_sections`.

    H(s) = (s w/q) / (s^2 + s w/q + w^2), w = 2 pi `hz`. It is 3.01 dB down at
    hz (sqrt(1 + 1/(4 q^2)) -+ 1/(2 q)), hz / q apart, and rings on for q / (pi hz) to 1/e.

    Its phase is the circuit's too, so that resonances may stand side by side and beside the dry
    sound: `analogue_sections` leads by a third of a frame or so, and an all-pass takes that back.

    Sources: the band-pass prototype of R. Bristow-Johnson, Audio EQ Cookbook (W3C note, 2021), and
    the first-order all-pass of D. A. Jaffe and J. O. Smith, Computer Music Journal 7(2), 1983,
    both from memory.

    Raises ValueError for `q` of 1/2 or less, where nothing rings, and for `hz` that does not lie
    between 0 and half of `rate`.
    """
    if not 0 < hz < rate / 2:
        raise ValueError(f"hz = {hz:g} must lie between 0 and half of rate = {rate:g}")
    if not q > 0.5:
        raise ValueError(f"q = {q:g} must be above 0.5: nothing rings below")
    w = 2.0 * math.pi * hz
    pole = w * complex(-0.5 / q, math.sqrt(1.0 - 0.25 / (q * q)))
    sections = analogue_sections((0.0,), (pole, pole.conjugate()), w / q, rate)
    return np.concatenate((sections, _all_pass(_turn(sections, w / rate), w / rate)))


def _turn(sections: Sections, w: float) -> float:
    """Return the phase of `sections` at `w` radians a frame."""
    z = np.exp(1j * w)
    powers = np.array([1.0, 1.0 / z, 1.0 / (z * z)])
    return float(np.angle(np.prod((sections[:, :3] @ powers) / (sections[:, 3:] @ powers))))


def _all_pass(turn: float, w: float) -> Sections:
    """Return (c + 1/z) / (1 + c/z), which turns the phase back by `turn` at `w`.

    c = (1 - d) / (1 + d), d = tan(turn / 2) / tan(w / 2): a delay of d frames.
    """
    d = math.tan(0.5 * turn) / math.tan(0.5 * w)
    c = (1.0 - d) / (1.0 + d)
    return np.array([[c, 1.0, 0.0, 1.0, c, 0.0]])
