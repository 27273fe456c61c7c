"""Momentary and short-term loudness by EBU Tech 3341 (v4, 2023): sliding windows without a gate.

K-weighting and the sum over channels are those of ITU-R BS.1770-5 Annex 1. The momentary window
is 0.4 s, the short-term one 3 s. EBU Tech 3341 asks for ten readings a second or more; here there
are a hundred, because its test case 13 (tones of 0.4 s at steps of 20 ms) reads up to 0.45 LU low
with ten.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.filters.analogue import Running
from simchain.measure.loudness import k_weighting, mean_square_to_lufs
from simchain.signal import Volts, twins

Floats = NDArray[np.float64]

HOP_S = 0.01
MOMENTARY_S = 0.4
SHORT_TERM_S = 3.0

# Filtered this many hops at a time, so that memory does not grow with the sound.
_HOPS_A_PIECE = 100


@dataclass(frozen=True, eq=False)
class LoudnessOverTime:
    """Loudness in LUFS of windows that start every 10 ms; only whole windows count.

    Entry n of `momentary_lufs` is the window from 0.01 n to 0.01 n + 0.4 s, entry n of
    `short_term_lufs` that from 0.01 n to 0.01 n + 3 s; minus infinity in silence. A sound shorter
    than a window has no entry.
    """

    momentary_lufs: Floats
    short_term_lufs: Floats

    @property
    def most_momentary_lufs(self) -> float:
        """The loudest 0.4 s; NaN for a sound shorter than that."""
        return _most(self.momentary_lufs)

    @property
    def most_short_term_lufs(self) -> float:
        """The loudest 3 s; NaN for a sound shorter than that."""
        return _most(self.short_term_lufs)


def loudness_over_time(
    samples: Volts, rate: int, channel_weights: Sequence[float] | None = None
) -> LoudnessOverTime:
    """Momentary and short-term loudness of `samples`, shape (channels, frames), full scale 1.0.

    `channel_weights` are the G of BS.1770-5 Annex 1 equation 2, one for each channel: 1 for left,
    right and centre, which is what None means, 1.41 for the two surround channels.
    Raises ValueError when their number is not the number of channels.
    """
    weights = np.ones(samples.shape[0]) if channel_weights is None else np.array(channel_weights)
    if weights.shape != samples.shape[:1]:
        raise ValueError(f"{weights.size} weights for {samples.shape[0]} channels")
    edges = np.rint(np.arange(int(samples.shape[1] / rate / HOP_S + 1e-9) + 1) * rate * HOP_S)
    edges = np.minimum(edges, samples.shape[1]).astype(np.intp)
    sums = np.zeros(edges.size)
    if edges.size > 1:
        sums[1:] = np.concatenate(list(_hop_sums(samples, rate, weights, edges)))
    return LoudnessOverTime(
        _windows_lufs(sums, edges, MOMENTARY_S), _windows_lufs(sums, edges, SHORT_TERM_S)
    )


def _hop_sums(
    samples: Volts, rate: int, weights: Floats, edges: NDArray[np.intp]
) -> Iterator[Floats]:
    """Sums of the weighted squares from edge to edge, a piece of hops at a time."""
    if twins(samples):
        samples, weights = samples[:1], weights.sum(keepdims=True)
    running = Running(k_weighting(rate).copy())
    for first in range(0, edges.size - 1, _HOPS_A_PIECE):
        inside = edges[first : first + _HOPS_A_PIECE + 1]
        piece = samples[:, inside[0] : inside[-1]]
        weighted = running(piece)
        np.multiply(weighted, weighted, out=weighted)
        yield np.add.reduceat(weights @ weighted, inside[:-1] - inside[0])


def _windows_lufs(sums: Floats, edges: NDArray[np.intp], window_s: float) -> Floats:
    """Loudness of each whole window; entry 0 of `sums` is 0, entry n the sum up to edge n."""
    hops = round(window_s / HOP_S)
    if edges.size <= hops:
        return np.zeros(0)
    # Not by a running sum: after a loud passage its rounding would be louder than silence.
    inside = np.lib.stride_tricks.sliding_window_view(sums[1:], hops)
    return mean_square_to_lufs(inside.sum(axis=1) / (edges[hops:] - edges[:-hops]))


def _most(lufs: Floats) -> float:
    return float(lufs.max()) if lufs.size else math.nan
