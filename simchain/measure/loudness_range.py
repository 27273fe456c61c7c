"""Loudness range by EBU Tech 3342: how far a programme's short-term loudness spreads."""

import math

import numpy as np

from simchain.measure.loudness import lufs_to_mean_square, mean_square_to_lufs
from simchain.measure.loudness_over_time import HOP_S, LoudnessOverTime

ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -20.0
LOW_SHARE, HIGH_SHARE = 0.10, 0.95

# Ten windows a second: the least that EBU Tech 3342 allows, and what its tables were made with.
_WINDOW_EVERY_S = 0.1


def loudness_range_lu(loudness: LoudnessOverTime) -> float:
    """Loudness range in LU: the 95 % less the 10 % quantile of short-term loudness.

    Of the windows of 3 s, one every 100 ms, those count that reach -70 LUFS and then a threshold
    20 LU below the mean (in power) of these (EBU Tech 3342). A quantile is the nearest window of
    the sorted ones. NaN where no window counts: sounds under 3 s or too quiet, for which the
    standard defines nothing. The standard itself is meant for programmes of a minute and more;
    of a short passage it is a figure about few independent windows.
    """
    lufs = loudness.short_term_lufs[:: round(_WINDOW_EVERY_S / HOP_S)]
    lufs = lufs[lufs >= ABSOLUTE_GATE_LUFS]
    if lufs.size == 0:
        return math.nan
    threshold = mean_square_to_lufs(lufs_to_mean_square(lufs).mean()) + RELATIVE_GATE_LU
    counted = np.sort(lufs[lufs >= threshold])
    low, high = (math.floor((counted.size - 1) * q + 0.5) for q in (LOW_SHARE, HIGH_SHARE))
    return float(counted[high] - counted[low])
