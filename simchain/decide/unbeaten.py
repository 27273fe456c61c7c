"""Which orders no other order beats: as good in every goal and better in one.

The maxima of a set of vectors, by halving (Kung, Luccio and Preparata, On finding the maxima of a
set of vectors, Journal of the ACM 22, 1975; from memory).
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ranks = NDArray[np.int32]
Flags = NDArray[np.bool_]

# Pairs of orders that are compared at once, one by one.
_PAIRS = 1 << 16


def unbeaten(costs: Mapping[str, Floats]) -> Flags:
    """Return which orders no other beats, as flags of shape (orders,).

    `costs` are arrays of shape (orders,), less is better, inf allowed. One order beats another when
    no cost of it is larger and one is smaller; equal orders do not beat each other.

    Raises ValueError without any goal.
    """
    if not costs:
        raise ValueError("without a goal no order can be better than another")
    columns = [np.unique(values, return_inverse=True)[1] for values in costs.values()]
    ranks = np.stack(columns, axis=1).astype(np.int32)
    # Sorted, an order can be beaten by one before it only; all different, "no larger" is "beats".
    rows, same = np.unique(ranks, axis=0, return_inverse=True)
    flags = np.zeros(len(rows), dtype=np.bool_)
    flags[_best(rows, np.arange(len(rows)))] = True
    return np.asarray(flags[same.reshape(-1)])


def _best(rows: Ranks, chosen: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return those of `chosen`, sorted, that none of `chosen` beats."""
    if chosen.size <= 1:
        return chosen
    if chosen.size**2 <= _PAIRS:
        here = rows[chosen]
        beaten = _no_larger(here, here)
        np.fill_diagonal(beaten, False)
        return chosen[~beaten.any(axis=0)]
    middle = chosen.size // 2
    first, second = _best(rows, chosen[:middle]), _best(rows, chosen[middle:])
    return np.concatenate([first, second[~_beaten(rows[first], rows[second])]])


def _beaten(by: Ranks, rows: Ranks) -> Flags:
    """Return which of `rows` have in `by` one that is nowhere larger."""
    beaten = np.zeros(len(rows), dtype=np.bool_)
    if len(by) and len(rows):
        by = by[(by <= rows.max(axis=0)).all(axis=1)]
    if not len(by) or not len(rows):
        return beaten
    # Only these are as large in every goal as the smallest there is.
    (within,) = np.nonzero((rows >= by.min(axis=0)).all(axis=1))
    if within.size:
        unsettled = by.max(axis=0) > rows[within].min(axis=0)
        beaten[within] = _beaten_within(by[:, unsettled], rows[within][:, unsettled])
    return beaten


def _beaten_within(by: Ranks, rows: Ranks) -> Flags:
    """The same where no goal is settled for all, by comparing or by halving along one goal."""
    if not by.shape[1]:
        return np.ones(len(rows), dtype=np.bool_)
    if len(by) * len(rows) <= _PAIRS:
        return np.asarray(_no_larger(by, rows).any(axis=0))
    goal, border = _border(by, rows)
    low_by, low = by[:, goal] <= border, rows[:, goal] <= border
    beaten = np.zeros(len(rows), dtype=np.bool_)
    beaten[low] = _beaten(by[low_by], rows[low])
    beaten[~low] = _beaten(by[low_by], rows[~low])
    (left,) = np.nonzero(~low & ~beaten)
    beaten[left] = _beaten(by[~low_by], rows[left])
    return beaten


def _border(by: Ranks, rows: Ranks) -> tuple[int, int]:
    """Return the goal with the widest spread and a value below its largest, near the middle."""
    both = np.concatenate([by, rows])
    goal = int(np.argmax(np.ptp(both, axis=0)))
    line = both[:, goal]
    middle = int(np.partition(line, line.size // 2)[line.size // 2])
    return goal, min(middle, int(line.max()) - 1)


def _no_larger(by: Ranks, rows: Ranks) -> Flags:
    """Return, of shape (by, rows), which of `by` is nowhere larger than which of `rows`."""
    flags = by[:, np.newaxis, 0] <= rows[np.newaxis, :, 0]
    for goal in range(1, by.shape[1]):
        flags &= by[:, np.newaxis, goal] <= rows[np.newaxis, :, goal]
    return np.asarray(flags)
