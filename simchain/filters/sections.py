"""Second-order sections of a digital filter: from its zeros and poles, and their response.

scipy.signal has both (`zpk2sos`, `sosfreqz`), and loading it takes most of a second, longer than a
passage takes to be rendered: tests hold these to it.
"""

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import ArrayLike, NDArray

Sections = NDArray[np.float64]
Roots = NDArray[np.complex128]


def sections_of(zeros: Roots, poles: Roots, gain: float) -> Sections:
    """Return H(z) = gain prod(z - zeros) / prod(z - poles) as sections, shape (n, 6).

    Complex roots in exact conjugate pairs, poles inside the unit circle. Poles near the circle take
    the zeros that are near to them, so that no section is very loud by itself; those come last
    (Oppenheim and Schafer, Discrete-Time Signal Processing, on ordering and pairing, from memory).
    The gain is the first section's.
    """
    count = max((len(zeros) + 1) // 2, (len(poles) + 1) // 2, 1)
    free_zeros, free_poles = (
        [*map(complex, roots), *[0j] * (2 * count - len(roots))] for roots in (zeros, poles)
    )
    rows = []
    for _ in range(count):
        pole, fellow = _taken(free_poles, lambda root: abs(1.0 - abs(root)))
        zero_pair = _taken(free_zeros, partial(_apart, pole))
        rows.append([*_square(*zero_pair), *_square(pole, fellow)])
    sections = np.array(rows[::-1])
    sections[0, :3] *= gain
    return sections


def response(sections: Sections, hz: ArrayLike, rate: float) -> NDArray[np.complex128]:
    """Return the complex response of `sections` at `hz`, in the shape of `hz`."""
    back = np.exp(-2j * np.pi * np.asarray(hz, dtype=np.float64) / rate)
    made = np.ones(back.shape, dtype=np.complex128)
    for b0, b1, b2, a0, a1, a2 in sections:
        made *= (b0 + back * (b1 + back * b2)) / (a0 + back * (a1 + back * a2))
    return made


def _taken(free: list[complex], far: Callable[[complex], float]) -> tuple[complex, complex]:
    """Take the least `far` root out of `free`, and its conjugate, or the real one that is next."""
    root = min(free, key=far)
    free.remove(root)
    fellow = root.conjugate() if root.imag else min((r for r in free if not r.imag), key=far)
    free.remove(fellow)
    return root, fellow


def _apart(one: complex, other: complex) -> float:
    return abs(one - other)


def _square(one: complex, other: complex) -> tuple[float, float, float]:
    """Return 1, b, c of z^2 + b z + c = (z - one) (z - other)."""
    return 1.0, -(one + other).real, (one * other).real
