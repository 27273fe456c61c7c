"""Linear analogue circuits as digital filters, true to the circuit's level up to 10 kHz.

Each pole p becomes exp(pT) and each zero z below the Nyquist frequency exp(zT), so that a zero
at 0 Hz stays at 0 Hz and a notch stays a notch. What these leave of the analogue magnitude
(the zeros at infinity, and all that lies near or beyond the Nyquist frequency) is a smooth curve;
a short minimum-phase correction is fitted to it. The bilinear transform alone is 1 to 2 dB off
near 10 kHz at 44.1 kHz.
"""

from collections.abc import Callable, Iterable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simchain.filters.sections import Roots, Sections, response, sections_of
from simchain.signal import Volts, pieces

GOOD_ENOUGH_DB = 0.01
TRUE_TO_HZ = 10_000.0
HEARD_TO_HZ = 20_000.0
IN_STEP_HZ = 6_000.0
LONGEST_CORRECTION = 8
FIT_POINTS = 192


def analogue_sections(
    zeros: Iterable[complex], poles: Iterable[complex], gain: float, rate: float
) -> Sections:
    """Return the analogue filter H(s) = gain prod(s - zeros) / prod(s - poles) as sections.

    `zeros` and `poles` in rad/s, complex ones in conjugate pairs; `rate` in frames a second.
    The result has shape (n, 6), as scipy.signal.sosfilt takes it. Its magnitude is within 0.03 dB
    of |H| from 20 Hz to 10 kHz at rates from 44.1 to 192 kHz, and exact at 0 Hz where H(0) is
    finite and not 0. It is minimum-phase where H is, and adds no delay: its phase leads the
    circuit's by about a third of a frame for each zero that H has at infinity.

    Raises ValueError for more zeros than poles, poles not in the left half-plane, roots
    without their conjugate, and a rate that is not above 0.
    """
    zeros_key = tuple(complex(root) for root in zeros)
    poles_key = tuple(complex(root) for root in poles)
    return _designed(zeros_key, poles_key, float(gain), float(rate)).copy()


def low_cut(hz: float, rate: float) -> Sections:
    """Return a first-order high-pass, -3.01 dB at `hz`: H(s) = s / (s + w)."""
    return analogue_sections((0.0,), (-2 * np.pi * hz,), 1.0, rate)


def high_cut(hz: float, rate: float) -> Sections:
    """Return a first-order low-pass, -3.01 dB at `hz`: H(s) = w / (s + w)."""
    return analogue_sections((), (-2 * np.pi * hz,), 2 * np.pi * hz, rate)


def high_cut_in_step(hz: float, rate: float) -> Sections:
    """Return `high_cut` with the circuit's phase too, for sound that is mixed with dry sound.

    An all-pass behind it takes its lead away: exactly so at IN_STEP_HZ, and to a twenty-fifth of a
    frame from 20 Hz to 10 kHz at rates from 44.1 to 192 kHz.
    """
    sections = high_cut(hz, rate)
    lead = np.angle(response(sections, IN_STEP_HZ, rate) * (1.0 + 1j * IN_STEP_HZ / hz))
    # The all-pass (a + z^-1) / (1 + a z^-1) lags by 2 atan((1 - a) / (1 + a) tan(w / 2)).
    share = np.tan(0.5 * lead) / np.tan(np.pi * IN_STEP_HZ / rate)
    a = (1.0 - share) / (1.0 + share)
    return np.concatenate((sections, [[a, 1.0, 0.0, 1.0, a, 0.0]]))


def run_sections(sections: Sections, volts: Volts, out: Volts | None = None) -> Volts:
    """Return `volts`, shape (channels, frames), filtered from rest; no sections are a wire.

    The result is a new C-contiguous array of the same shape, or `out`, which may be `volts`.
    """
    result = np.empty(volts.shape) if out is None else out
    running = Running(sections)
    for part in pieces(volts.shape[1]):
        result[:, part] = running(volts[:, part])
    return result


class Running:
    """Sections on their way through a sound, from rest: each call filters the next piece of it."""

    def __init__(self, sections: Sections):
        self._sections = np.ascontiguousarray(sections)
        self._state: NDArray[np.float64] | None = None

    def __call__(self, volts: Volts) -> Volts:
        """Return the next piece, shape (channels, frames), filtered; itself without sections."""
        if len(self._sections) == 0:
            return volts
        from simchain.kernels.sections import through_sections

        if self._state is None:
            self._state = np.zeros((volts.shape[0], len(self._sections), 2))
        made = np.empty(volts.shape)
        through_sections(self._sections, self._state, np.ascontiguousarray(volts), made)
        return made


@lru_cache(maxsize=1024)
def _designed(
    zeros: tuple[complex, ...], poles: tuple[complex, ...], gain: float, rate: float
) -> Sections:
    if not rate > 0:
        raise ValueError(f"rate = {rate:g} must be above 0")
    if len(zeros) > len(poles):
        raise ValueError(f"{len(zeros)} zeros on {len(poles)} poles: a circuit has no more zeros")
    if any(pole.real >= 0 for pole in poles):
        raise ValueError("poles must lie in the left half-plane")
    z, p = _in_pairs(zeros, "zeros") / rate, _in_pairs(poles, "poles") / rate
    gain *= rate ** (len(z) - len(p))
    if gain == 0 or len(p) == 0:
        return np.array([[gain, 0.0, 0.0, 1.0, 0.0, 0.0]])
    kept_z = z[np.abs(z) < np.pi]
    # A resonance beyond the Nyquist frequency would fold to a wrong place; exp(-40) is nothing.
    kept_p = p[(np.abs(p.imag) < np.pi) & (p.real > -40)]
    more_zeros, level = _correction(lambda w: _left_over(w, z, p, kept_z, kept_p), rate)
    far = z[np.abs(z) >= np.pi]
    turned = np.count_nonzero((far.imag == 0) & (far.real > 0)) % 2
    scale = gain * level * (-1.0) ** turned
    roots = np.concatenate((np.exp(kept_z), more_zeros))
    return sections_of(roots, np.exp(kept_p), scale)


def _in_pairs(roots: tuple[complex, ...], what: str) -> Roots:
    """Return `roots` with conjugates exact, or raise ValueError."""
    found = np.array(roots, dtype=np.complex128)
    if not np.isfinite(found).all():
        raise ValueError(f"{what} must be finite")
    near = 1e-8 * np.abs(found)
    real = found[np.abs(found.imag) <= near].real
    upper = np.sort_complex(found[found.imag > near])
    lower = np.sort_complex(found[found.imag < -near].conj())
    if len(upper) != len(lower) or not np.allclose(upper, lower, rtol=1e-8, atol=0):
        raise ValueError(f"complex {what} must come in conjugate pairs")
    return np.concatenate((real, upper, upper.conj()))


def _left_over(
    w: NDArray[np.float64], z: Roots, p: Roots, kept_z: Roots, kept_p: Roots
) -> NDArray[np.float64]:
    """Return the log of the power |H|^2 at `w` (rad a frame) over that of the kept poles and zeros.

    Root by root and in closed form, so that nothing cancels near a root: each kept one gives
    (|x| / |exp(x) - 1|)^2 with x = jw - root, times a constant.
    """
    level = np.zeros_like(w)
    for roots, kept, way in ((z, kept_z, 1.0), (p, kept_p, -1.0)):
        for root in roots:
            level += way * np.log(np.maximum(np.abs(1j * w - root), 1e-300))
        for root in kept:
            x = 1j * w - root
            digital = np.maximum(np.abs(np.expm1(x)), 1e-300)
            level -= way * (np.log(digital) + root.real)
    return 2.0 * level


def _correction(
    left_over: Callable[[NDArray[np.float64]], NDArray[np.float64]], rate: float
) -> tuple[Roots, float]:
    """Return zeros and gain of the shortest minimum-phase filter whose power is `left_over`.

    With x = cos w a filter of n zeros has the power c_0 + c_1 T_1(x) + ... + c_n T_n(x) (Chebyshev
    polynomials, T_k(cos w) = cos kw): linear in c, so least squares on the relative error find
    it, held exact at 0 Hz. Its roots in x give the zeros, of which the inner ones are taken.

    What lies above TRUE_TO_HZ weighs a tenth to HEARD_TO_HZ, and above that just enough to keep
    the power above 0.
    """
    from numpy.polynomial import chebyshev

    nyquist = rate / 2
    bend = np.linspace(0.0, 1.0, FIT_POINTS + 1)[1:]
    hz = nyquist * 0.999 * bend**1.5
    w = 2 * np.pi * np.append(0.0, hz) / rate
    log_power = left_over(w)
    level, target = np.exp(0.5 * log_power[0]), np.exp(log_power[1:] - log_power[0])
    x = np.cos(w[1:])
    basis = chebyshev.chebvander(x, LONGEST_CORRECTION)[:, 1:] - 1.0
    weight = np.where(hz <= TRUE_TO_HZ, 1.0, np.where(hz <= HEARD_TO_HZ, 0.1, 0.003)) / target
    heard = hz <= TRUE_TO_HZ * 1.1
    best: tuple[float, Roots, float] = (np.inf, np.empty(0, np.complex128), 1.0)
    for order in range(LONGEST_CORRECTION + 1):
        rows = basis[:, :order] * weight[:, np.newaxis]
        c = np.linalg.lstsq(rows, (target - 1.0) * weight)[0]
        power = 1.0 + basis[:, :order] @ c
        if not power.min() > 0:
            continue
        worst = np.max(np.abs(10 * np.log10(power[heard] / target[heard])))
        if worst < best[0]:
            zeros = _inner_zeros(np.append(1.0 - c.sum(), c))
            best = (worst, zeros, level / abs(np.prod(1.0 - zeros)))
        if worst < GOOD_ENOUGH_DB:
            break
    return best[1], best[2]


def _inner_zeros(c: NDArray[np.float64]) -> Roots:
    """Return the zeros inside the unit circle of a power sum(c_k T_k(cos w)) above 0."""
    from numpy.polynomial import chebyshev

    x = chebyshev.chebroots(c).astype(np.complex128)
    away = np.sqrt(x - 1.0) * np.sqrt(x + 1.0)
    one, other = x + away, x - away
    return np.asarray(np.where(np.abs(one) < np.abs(other), one, other), dtype=np.complex128)
