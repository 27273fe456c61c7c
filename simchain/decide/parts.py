"""How two sounds differ to the ear in one channel: distribution, movement, events, long-term bands.

Each takes the two sounds' takes, one list each: the same phases of free-running modulators in the
same order, or one take alone. Exchanging the sounds changes nothing.
"""

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from simchain.decide.ear import Heard
from simchain.measure.excitation import CENTRES_HZ, EXPONENT, internal_noise_db

Floats = NDArray[np.float64]
Takes = Sequence[Heard]

LEAST_SWING = 0.01
# Loudness grows as the 0.23rd power of excitation here: one phon is one dB of it, and a note 6 dB
# softer reads 5.8. (10 log2 of the loudness with a floor of 3 % reads 4.7, and calls it free.)
PHON = 10.0 / EXPONENT
EVENT_FLOOR = 0.05
# What sounds beside it at that moment hides an event: with this share of the loudest group's
# loudness a gap of 50 ms reads 2.7 of judging.md's 2.4, without any 4.5; a note 6 dB softer reads
# 5.1 phon, without 5.8.
EVENT_BESIDE = 0.2
# In frames of 10 ms: how far around an event is looked for, and over how many frames at a time. A
# click is over in one. A gap of 50 ms, edges included, is all but filled by what is near unless
# means are taken: with edges of 0, 1, 5, 10 ms it reads 2.7, 2.1, 1.8, 1.4, without 2.7, 1.1, 0.7,
# 0.5 (judging.md: 2.4).
_EVENT_REACH = 2
_EVENT_FRAMES = (1, 4)
# A band less than this above the ear's own noise is hardly heard, however it changes. Fitted to
# judging.md's pairs: with 11 dB, 1 % of dirt is not free at 90 dB SPL. (In a listening booth a tone
# so far above threshold must change by 1.3 dB: Jesteadt, Wier and Green, JASA 61, 1977; from
# memory.)
LEAST_HEARD_DB = 15.0


def distribution_db(a: Takes, b: Takes) -> float:
    """How the distribution of level in each band differs, wherever it falls in time, in dB.

    RMS of B's ten quantiles less A's over all bands, weighted by the bands' mean loudness; less
    what another phase would change too (`_rms_beyond_phase`).
    """
    loudness = _total([take.loudness for take in a], [take.loudness for take in b])
    levels_a, levels_b = ([take.levels_db for take in takes] for takes in (a, b))
    return _rms_beyond_phase(levels_a, levels_b, np.broadcast_to(loudness, levels_a[0].shape))


def distributions_db(one: Heard, levels_db: Floats, loudness: Floats) -> Floats:
    """`distribution_db` of one take of a sound against one take of each of many, at once.

    Theirs are `levels_db`, shape (sounds, quantiles, bands), and `loudness`, (sounds, bands).
    """
    weights = one.loudness + loudness
    squares = np.square(levels_db - one.levels_db).mean(axis=1)
    totals = weights.sum(axis=1)
    means = np.sum(weights * squares, axis=1) / np.where(totals > 0.0, totals, 1.0)
    return np.asarray(np.sqrt(means))


def movement_db(a: Takes, b: Takes) -> float:
    """How movement between 1 and 32 Hz differs, in dB.

    RMS of the change in 20 log10(swing + 0.01) over modulation filters and groups of 3 ERB,
    weighted by the group's loudness and by the louder movement; less what another phase would
    change too.
    """
    loudness = _total([take.group_loudness for take in a], [take.group_loudness for take in b])
    swings_a, swings_b = ([take.movement for take in takes] for takes in (a, b))
    louder = np.maximum(np.mean(swings_a, axis=0), np.mean(swings_b, axis=0))
    in_db_a, in_db_b = (
        [20.0 * np.log10(take + LEAST_SWING) for take in takes] for takes in (swings_a, swings_b)
    )
    return _rms_beyond_phase(in_db_a, in_db_b, loudness * louder)


def event_phon(a: Takes, b: Takes) -> float:
    """How much the loudest click, gap or single note of one stands out beside the other, in phon.

    10 / 0.23 · log10((n_B + f) / (largest n_A within ±20 ms + f)), n the loudness of a group of
    4 ERB in a short frame, or its mean over 40 ms, f 5 % of its largest in either sound, or 20 % of
    the largest of any group at that moment where that is more; the largest of all groups, frames
    and of both directions; the mean of the takes, less the same between neighbouring takes of one
    order, the one where that is smaller.
    """
    events_a, events_b = ([take.events for take in takes] for takes in (a, b))
    floor = event_floor((*events_a, *events_b))
    if floor == 0.0:
        return 0.0
    takes = max(len(a), len(b))
    pairs = zip(_as_many(events_a, takes), _as_many(events_b, takes), strict=True)
    across = _mean_jump(list(pairs), floor)
    within = min(_mean_jump(_neighbours(takes), floor) for takes in (events_a, events_b))
    return max(PHON * (across - within), 0.0)


def event_floor(events: Sequence[Floats]) -> float:
    """Return the loudness below which nothing stands out, anywhere in these sounds."""
    return EVENT_FLOOR * max(float(take.max()) for take in events)


def long_term_change_db(a: Takes, b: Takes) -> tuple[float, float]:
    """Largest change of long-term level over 2 ERB, in dB, and the band's centre in Hz.

    Bands count that lie 15 dB above the ear's own noise in one of the two; 0 where none does.
    """
    levels_a, levels_b = (
        np.mean([take.long_term_db for take in takes], axis=0) for takes in (a, b)
    )
    heard = np.maximum(levels_a, levels_b) >= internal_noise_db(CENTRES_HZ) + LEAST_HEARD_DB
    change = np.where(heard, np.abs(levels_b - levels_a), 0.0)
    most = int(np.argmax(change))
    return float(change[most]), float(CENTRES_HZ[most])


def _rms_beyond_phase(a: Sequence[Floats], b: Sequence[Floats], weights: Floats) -> float:
    """Weighted RMS of B less A over K takes, without what another phase would change too.

    X^2 = mean_k rms^2 - (1 + 2/K) min(V_diff, 2 min(V_A, V_B)) - (1 - 1/K) max(V_diff - V_A - V_B,
    0), V the weighted variance over takes (that of the phases of which the takes are a sample: over
    K - 1). One take has none. The last part is what takes differ by for going against each other
    at equal phases, by chance: at random phases V_diff is V_A + V_B.
    """
    total = float(weights.sum())
    if total == 0.0:
        return 0.0
    takes = max(len(a), len(b))
    all_a, all_b = np.stack(_as_many(a, takes)), np.stack(_as_many(b, takes))
    difference = all_b - all_a

    def weighted(squares: Floats) -> float:
        return float(np.sum(weights * squares)) / total

    square = weighted(np.mean(difference**2, axis=0))
    if takes > 1:
        spread, spread_a, spread_b = (
            weighted(np.var(all_of_them, axis=0, ddof=1))
            for all_of_them in (difference, all_a, all_b)
        )
        square -= (1.0 + 2.0 / takes) * min(spread, 2.0 * min(spread_a, spread_b))
        square -= (1.0 - 1.0 / takes) * max(spread - spread_a - spread_b, 0.0)
    return math.sqrt(max(square, 0.0))


def _mean_jump(pairs: Sequence[tuple[Floats, Floats]], floor: float) -> float:
    """Mean over pairs of the largest log10 by which one stands out beside the other."""
    if not pairs:
        return 0.0
    return sum(max(_jump(a, b, floor), _jump(b, a, floor)) for a, b in pairs) / len(pairs)


def _jump(a: Floats, b: Floats, floor: float) -> float:
    """The largest of `rises`."""
    return float(rises(a, b, floor).max())


def rises(a: Floats, b: Floats, floor: float) -> Floats:
    """Return how far b stands out beside a in each short frame and group, as log10 of loudness.

    (b + floor) over what a has within ±20 ms, at its largest, + floor; or the same of means over
    40 ms where that is more.
    """
    each = (_rises(_mean_over(a, n), _mean_over(b, n), floor) for n in _EVENT_FRAMES)
    return np.asarray(np.maximum(*each))


def _rises(a: Floats, b: Floats, floor: float) -> Floats:
    near = a
    for shifted in _shifted(a, 2 * _EVENT_REACH + 1):
        near = np.maximum(near, shifted)
    beside = EVENT_BESIDE * np.maximum(near, b).max(axis=1, keepdims=True)
    hidden = np.maximum(beside, floor)
    return np.asarray(np.log10((b + hidden) / (near + hidden)))


def _mean_over(values: Floats, frames: int) -> Floats:
    return np.asarray(sum(_shifted(values, frames)) / frames)


def _shifted(values: Floats, frames: int) -> Iterator[Floats]:
    """So many neighbours of each frame, about it: silence before the first and after the last."""
    before = frames // 2
    padded = np.zeros((len(values) + frames - 1, values.shape[1]), values.dtype)
    padded[before : before + len(values)] = values
    return (padded[shift : shift + len(values)] for shift in range(frames))


def _neighbours(takes: Sequence[Floats]) -> list[tuple[Floats, Floats]]:
    """Each take and the one after it, the first after the last; none where there is one only."""
    if len(takes) == 1:
        return []
    return list(zip(takes, (*takes[1:], takes[0]), strict=True))


def _as_many(values: Sequence[Floats], takes: int) -> Sequence[Floats]:
    return values if len(values) == takes else [values[0]] * takes


def _total(a: Sequence[Floats], b: Sequence[Floats]) -> Floats:
    return np.asarray(np.mean(a, axis=0) + np.mean(b, axis=0))
