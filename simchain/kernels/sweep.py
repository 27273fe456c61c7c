"""A resonance that is swept: the two-integrator loop, stepped with its own state.

With w(t) the centre in rad/s, u the input and y the band-pass of 0 dB at its centre:

    x1' = w (u - x1 / q - x2)      x2' = w x1      y = x1 / q

In the time that w itself measures out the loop stands still, so it is stable however it is swept
(the state-variable filter of Kerwin, Huelsman and Newcomb, IEEE JSSC 2(3), 1967, from memory). A
step of one frame is exact for a w that rests: x[n+1] = R x[n] + g v[n], R = exp(w A / rate).
"""

import numpy as np

from simchain.kernels.compile import kernel
from simchain.signal import Volts


def fitted(sections: Volts, w: float) -> Volts:
    """Return what is fitted in a resting resonance: c of its all-pass, then the FIR F over `w`.

    `sections` as `simchain.filters.resonance` gives them: zeros and two poles, the all-pass last;
    `w` in radians a frame. Their zeros are (1 - 1/z) F(z). All of it changes slowly with w.
    """
    zeros = np.array([1.0])
    for section in sections[:-1]:
        zeros = np.convolve(zeros, section[:3])
    return np.concatenate((sections[-1, :1], np.cumsum(zeros)[:-1] / w))


def rows(w: Volts, q: float, fits: Volts) -> Volts:
    """Return the numbers of resting resonances, a row each: R (4), g (2), c, then F.

    `w`, shape (rungs,), in radians a frame; `fits`, shape (rungs, 1 + F's length), of `fitted`.
    With v = F u and a(z) the poles, y[n] = v[n] + x1[n] / q must be (1 - 1/z) / a(z) of v: from
    that g follows.
    """
    half = 0.5 / q
    turn = np.sqrt(1.0 - half * half)
    keeps, c, s = np.exp(-w * half), np.cos(w * turn), np.sin(w * turn) / turn
    down, across, up = keeps * (c - half * s), -keeps * s, keeps * (c + half * s)
    trace, determinant = down + up, keeps * keeps
    first = q * (trace - 1.0)
    second = (up * first - q * determinant) / across
    loop = np.stack((down, across, -across, up, first, second, fits[:, 0]), axis=1)
    return np.ascontiguousarray(np.concatenate((loop, fits[:, 1:] * w[:, np.newaxis]), axis=1))


@kernel
def swept(volts: Volts, table: Volts, places: Volts, q: float, out: Volts) -> None:
    """Write to `out` what the resonance makes of `volts`, both of shape (frames,), from rest.

    `out` may be `volts`.

    `table` (rungs, 7 + F's length) holds `rows`; `places` says between which two of them each
    frame lies, 2.25 being a quarter of the way from table[2] to table[3]. A step from one frame to
    the next takes the middle of both.
    """
    taps = table.shape[1] - 7
    here = np.zeros(table.shape[1])
    past = np.zeros(taps)
    x1 = x2 = fed = left = 0.0
    for n in range(volts.size):
        place = 0.5 * (places[n] + places[min(n + 1, volts.size - 1)])
        rung = min(int(place), table.shape[0] - 2)
        part = place - rung
        for k in range(here.size):
            here[k] = table[rung, k] + part * (table[rung + 1, k] - table[rung, k])
        for k in range(taps - 1, 0, -1):
            past[k] = past[k - 1]
        past[0] = volts[n]
        v = 0.0
        for k in range(taps):
            v += here[7 + k] * past[k]
        y = v + x1 / q
        old = x1
        x1 = here[0] * old + here[1] * x2 + here[4] * v
        x2 = here[2] * old + here[3] * x2 + here[5] * v
        if abs(x1) + abs(x2) < 1e-150:
            x1 = x2 = 0.0
        left = here[6] * (y - left) + fed
        fed = y
        out[n] = left
