"""How far sounds are apart by what the ear has of them: the sums over bands, moments and takes."""

import numpy as np
from numpy.typing import NDArray

from simchain.kernels.compile import kernel, summing_kernel

Floats = NDArray[np.floating]
Numbers = NDArray[np.float64]
Ints = NDArray[np.intp]


@summing_kernel
def _beyond_phase(a: Floats, b: Floats, weights: Floats, sums: Numbers) -> float:
    """Return the weighted RMS of b less a over K takes without what another phase would change.

    `a` and `b`, shape (K, rows, bands), `weights` (rows, bands), `sums` room for (5, bands): sums
    over takes of what a, and b, are off their first take by, of both squared, and of what b less a
    is off squared::

        X^2 = mean_k rms^2 - (1 + 2/K) min(V_diff, 2 min(V_a, V_b))
                           - (1 - 1/K) max(V_diff - V_a - V_b, 0)

    V are weighted variances over the takes, over K - 1. 0 where all weights are. Takes are the
    outer loop, so that several bands are done at once.
    """
    takes, rows, bands = a.shape
    total, square = 0.0, 0.0
    spread, spread_a, spread_b = 0.0, 0.0, 0.0
    off_a, off_b, squares_a, squares_b, squares = sums[0], sums[1], sums[2], sums[3], sums[4]
    for i in range(rows):
        sums[:] = 0.0
        first_a, first_b, weight = a[0, i], b[0, i], weights[i]
        for k in range(1, takes):
            here_a, here_b = a[k, i], b[k, i]
            for j in range(bands):
                x = np.float64(here_a[j]) - np.float64(first_a[j])
                y = np.float64(here_b[j]) - np.float64(first_b[j])
                off_a[j] += x
                off_b[j] += y
                squares_a[j] += x * x
                squares_b[j] += y * y
                squares[j] += (y - x) * (y - x)
        for j in range(bands):
            apart = np.float64(first_b[j]) - np.float64(first_a[j])
            moved = off_b[j] - off_a[j]
            total += weight[j]
            square += weight[j] * (apart * apart * takes + 2.0 * apart * moved + squares[j])
            spread += weight[j] * (squares[j] * takes - moved * moved)
            spread_a += weight[j] * (squares_a[j] * takes - off_a[j] * off_a[j])
            spread_b += weight[j] * (squares_b[j] * takes - off_b[j] * off_b[j])
    if total == 0.0:
        return 0.0
    square /= takes
    if takes > 1:
        pairs = takes * (takes - 1)
        spread, spread_a, spread_b = spread / pairs, spread_a / pairs, spread_b / pairs
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
    weights, sums = np.empty(one.shape[1:]), np.empty((5, one.shape[2]))
    for n in range(many.shape[0]):
        weights[:] = loudness_of_one + loudness[n]
        found[n] = _beyond_phase(one, many[n], weights, sums)


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
    takes, filters, groups = one.shape
    size = filters * groups
    # One long row, whose places are done several at once.
    weights, sums = np.empty((filters, groups)), np.empty((5, size))
    in_a_row = one.reshape(takes, 1, size)
    for n in range(many.shape[0]):
        weights[:] = np.maximum(swings_of_one, swings[n]) * (loudness_of_one + loudness[n])
        there = many[n].reshape(takes, 1, size)
        found[n] = _beyond_phase(in_a_row, there, weights.reshape(1, size), sums)


@kernel
def _add_shifted(line: Numbers, by: int, total: Numbers) -> None:
    """Add to each place of `total` what `line` has so many places on, where there is such."""
    first, end = max(-by, 0), min(line.size - by, line.size)
    here, there = total[first:end], line[first + by : end + by]
    for n in range(here.size):
        here[n] += there[n]


@kernel
def _most_shifted(line: Numbers, by: int, most: Numbers) -> None:
    """Put what `line` has so many places on into `most` where it is more."""
    first, end = max(-by, 0), min(line.size - by, line.size)
    here, there = most[first:end], line[first + by : end + by]
    for n in range(here.size):
        here[n] = there[n] if there[n] > here[n] else here[n]


@kernel
def standing_out(
    a: Numbers, b: Numbers, floor: float, beside: float, reach: int, over: Ints, found: Numbers
) -> None:
    """Write how many times b is as loud as all that a has near by, moment by moment.

    Loudness, shape (frames, groups), and its means over as many frames as each of `over` says,
    silence before and behind; the larger ratio goes into `found`, of the same shape::

        (b[i] + hidden) / (max of a[i - reach ... i + reach] + hidden)

    `hidden` is `floor`, or `beside` times the loudest group of either sound at i if that is more.
    A frame on is so many groups on in one line: long loops, which do several places at once.
    """
    frames, groups = a.shape
    size = frames * groups
    one, other, most = a.reshape(size), b.reshape(size), found.reshape(size)
    mean_a, mean_b, near, hidden = np.empty(size), np.empty(size), np.empty(size), np.empty(size)
    most[:] = 0.0
    for width in over:
        mean_a[:], mean_b[:] = 0.0, 0.0
        for shift in range(-(width // 2), width - width // 2):
            _add_shifted(one, shift * groups, mean_a)
            _add_shifted(other, shift * groups, mean_b)
        for n in range(size):
            mean_a[n] /= width
            mean_b[n] /= width
        near[:] = mean_a
        for shift in range(-reach, reach + 1):
            _most_shifted(mean_a, shift * groups, near)
        for i in range(frames):
            loudest = 0.0
            for n in range(i * groups, (i + 1) * groups):
                loudest = max(loudest, max(near[n], mean_b[n]))
            hidden[i * groups : (i + 1) * groups] = max(beside * loudest, floor)
        for n in range(size):
            ratio = (mean_b[n] + hidden[n]) / (near[n] + hidden[n])
            most[n] = ratio if ratio > most[n] else most[n]
