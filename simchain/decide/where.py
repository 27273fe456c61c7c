"""Where in music two sounds differ most: in its soft or its loud moments, low or high, and when."""

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simchain.decide.ear import EVENT_GROUPS, QUANTILES, Heard
from simchain.decide.parts import event_floor, rises
from simchain.measure.excitation import CENTRES_HZ, HOP_S

Floats = NDArray[np.float64]
Moments = Literal["soft", "loud", "all"]
Range = Literal["low", "middle", "high", "all"]

LOW_HZ, HIGH_HZ = 250.0, 2500.0
SOFT_SHARE, LOUD_SHARE = 0.4, 0.6
# A part of the music is named where so much of the difference lies in it.
MOST = 0.6
# A change that is more than this share as large in the other ranges is not one of that range.
LESS_ELSEWHERE = 0.75
# Below this share of its own size a change has no one direction.
ONE_WAY = 0.6


class Where(NamedTuple):
    """By how many dB B differs, on average, in the part of the music that differs most.

    `moments` and `range` say which part: `soft` are the softer 40 % of each band's moments, `loud`
    the louder 40 %; `low` is under 250 Hz, `high` over 2.5 kHz.
    """

    change_db: float
    moments: Moments
    range: Range


def where(a: Sequence[Heard], b: Sequence[Heard]) -> Where | None:
    """Tell in which part of one channel's takes most of the difference lies; None where in no part.

    What is looked at is the distribution of level in each band, as `parts.distribution_db` does.
    The smallest part wins that holds 60 % of the weighted squares, changes more than the other
    ranges do then, and does so in one direction.
    """
    loudness = np.mean([take.loudness for take in (*a, *b)], axis=0)
    change = np.mean([take.levels_db for take in b], axis=0)
    change = change - np.mean([take.levels_db for take in a], axis=0)
    weights = np.broadcast_to(loudness, change.shape)
    squares = weights * change**2
    total = float(squares.sum())
    if total == 0.0:
        return None
    for moments, times in _moments():
        for name, bands in _ranges():
            if moments == "all" and name == "all":
                return None
            inside = np.outer(times, bands)
            if float(squares[inside].sum()) < MOST * total:
                continue
            beside = np.outer(times, ~bands)
            rms_db, rest_db = (_rms(weights, squares, part) for part in (inside, beside))
            mean_db = float((weights * change)[inside].sum() / weights[inside].sum())
            if rest_db <= LESS_ELSEWHERE * rms_db and abs(mean_db) >= ONE_WAY * rms_db:
                return Where(mean_db, moments, name)
    return None


def _rms(weights: Floats, squares: Floats, part: NDArray[np.bool_]) -> float:
    total = float(weights[part].sum())
    return math.sqrt(float(squares[part].sum()) / total) if total > 0.0 else 0.0


def _moments() -> list[tuple[Moments, NDArray[np.bool_]]]:
    return [
        ("soft", QUANTILES <= SOFT_SHARE),
        ("loud", QUANTILES >= LOUD_SHARE),
        ("all", np.ones(QUANTILES.size, bool)),
    ]


def _ranges() -> list[tuple[Range, NDArray[np.bool_]]]:
    low, high = CENTRES_HZ < LOW_HZ, CENTRES_HZ > HIGH_HZ
    return [
        ("low", low),
        ("high", high),
        ("middle", ~low & ~high),
        ("all", np.ones(CENTRES_HZ.size, bool)),
    ]


class When(NamedTuple):
    """The single moment at which two sounds differ most, in seconds, and in which range."""

    at_s: float
    range: Range


def when(a: Sequence[Heard], b: Sequence[Heard]) -> When:
    """Tell at which moment of the first takes one of them stands out most beside the other.

    Both are one channel's and not silent; see `parts.event_phon`. Time counts from the first frame.
    """
    one, other = a[0].events, b[0].events
    floor = event_floor((one, other))
    both = np.maximum(rises(one, other, floor), rises(other, one, floor))
    frame, group = np.unravel_index(int(np.argmax(both)), both.shape)
    edges = [*EVENT_GROUPS, CENTRES_HZ.size]
    hz = float(np.median(CENTRES_HZ[edges[group] : edges[group + 1]]))
    return When(float(frame) * HOP_S, _range_of(hz))


def _range_of(hz: float) -> Range:
    return "low" if hz < LOW_HZ else "high" if hz > HIGH_HZ else "middle"
