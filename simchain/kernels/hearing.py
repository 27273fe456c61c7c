"""How far sounds are apart by what the ear has of them: the sums over bands, moments and takes."""

import numpy as np
from numpy.typing import NDArray

from simchain.kernels.compile import kernel, summing_kernel

Floats = NDArray[np.floating]
Ints = NDArray[np.intp]


@summing_kernel
def _beyond_phase(a: Floats, b: Floats, weights: Floats) -> float:
    """Return the weighted RMS of b less a over K takes without what another phase would change.

    `a` and `b`, shape (K, rows, bands), `weights` (rows, bands)::

        X^2 = mean_k rms^2 - (1 + 2/K) min(V_diff, 2 min(V_a, V_b))
                           - (1 - 1/K) max(V_diff - V_a - V_b, 0)

    V are weighted variances over the takes, over K - 1. 0 where all weights are.
    """
    takes, rows, bands = a.shape
    total, square = 0.0, 0.0
    spread, spread_a, spread_b = 0.0, 0.0, 0.0
    for i in range(rows):
        for j in range(bands):
            weight = weights[i, j]
            total += weight
            first_a, first_b = float(a[0, i, j]), float(b[0, i, j])
            apart = first_b - first_a
            # Sums over takes of what they are off the first one by: of a, of b, of the difference.
            sum_a, sum_b, moved = 0.0, 0.0, 0.0
            squares_a, squares_b, squares = 0.0, 0.0, 0.0
            for k in range(1, takes):
                x, y = a[k, i, j] - first_a, b[k, i, j] - first_b
                sum_a += x
                sum_b += y
                moved += y - x
                squares_a += x * x
                squares_b += y * y
                squares += (y - x) * (y - x)
            square += weight * (apart * apart + (2.0 * apart * moved + squares) / takes)
            if takes > 1:
                spread += weight * (squares - moved * moved / takes) / (takes - 1)
                spread_a += weight * (squares_a - sum_a * sum_a / takes) / (takes - 1)
                spread_b += weight * (squares_b - sum_b * sum_b / takes) / (takes - 1)
    if total == 0.0:
        return 0.0
    if takes > 1:
        square -= (1.0 + 2.0 / takes) * min(spread, 2.0 * min(spread_a, spread_b))
        square -= (1.0 - 1.0 / takes) * max(spread - spread_a - spread_b, 0.0)
    return float(np.sqrt(max(square / total, 0.0)))


@summing_kernel
def levels_apart(
    one: Floats, loudness_of_one: Floats, many: Floats, loudness: Floats, found: Floats
) -> None:
    """Write how far the levels of many sounds are from those of one, beyond phase, into `found`.

    `one`, shape (K, quantiles, bands), `many` (sounds, K, quantiles, bands); a band's weight is the
    sum of both sounds' loudness, shape (bands,) and (sounds, bands). `found` has shape (sounds,).
    """
    weights = np.empty(one.shape[1:])
    for n in range(many.shape[0]):
        weights[:] = loudness_of_one + loudness[n]
        found[n] = _beyond_phase(one, many[n], weights)


@summing_kernel
def swings_apart(
    one: Floats,
    swings_of_one: Floats,
    loudness_of_one: Floats,
    many: Floats,
    swings: Floats,
    loudness: Floats,
    found: Floats,
) -> None:
    """Write how far the swings of many sounds are from those of one, beyond phase, into `found`.

    `one`, shape (K, filters, groups), and `many` (sounds, K, filters, groups) are in dB; the weight
    of a filter and group is the sum of both sounds' loudness, (groups,) and (sounds, groups), times
    the larger of their swings, (filters, groups) and (sounds, filters, groups).
    """
    weights = np.empty(one.shape[1:])
    for n in range(many.shape[0]):
        weights[:] = np.maximum(swings_of_one, swings[n]) * (loudness_of_one + loudness[n])
        found[n] = _beyond_phase(one, many[n], weights)


@kernel
def standing_out(
    a: Floats, b: Floats, floor: float, beside: float, reach: int, over: Ints, found: Floats
) -> None:
    """Write how many times b is as loud as all that a has near by, moment by moment.

    Loudness, shape (frames, groups), and its means over as many frames as each of `over` says,
    silence before and behind; the larger ratio goes into `found`, of the same shape::

        (b[i] + hidden) / (max of a[i - reach ... i + reach] + hidden)

    `hidden` is `floor`, or `beside` times the loudest group of either sound at i if that is more.
    """
    frames, groups = a.shape
    mean_a, mean_b = np.empty((frames, groups)), np.empty((frames, groups))
    near = np.empty(groups)
    found[:] = 0.0
    for width in over:
        for i in range(frames):
            first, end = max(i - width // 2, 0), min(i - width // 2 + width, frames)
            for j in range(groups):
                sum_a, sum_b = 0.0, 0.0
                for k in range(first, end):
                    sum_a += a[k, j]
                    sum_b += b[k, j]
                mean_a[i, j], mean_b[i, j] = sum_a / width, sum_b / width
        for i in range(frames):
            loudest = 0.0
            for j in range(groups):
                most = mean_a[i, j]
                for k in range(max(i - reach, 0), min(i + reach + 1, frames)):
                    most = max(most, mean_a[k, j])
                near[j] = most
                loudest = max(loudest, most, mean_b[i, j])
            hidden = max(beside * loudest, floor)
            for j in range(groups):
                ratio = (mean_b[i, j] + hidden) / (near[j] + hidden)
                found[i, j] = max(found[i, j], ratio)
