"""How two sounds differ to the ear in one channel: distribution, movement, events, long-term bands.

Each takes the two sounds' takes, one list each: the same phases of free-running modulators in the
same order, or one take alone. Exchanging the sounds changes nothing.
"""

import math
from collections.abc import Sequence
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from simchain.decide.ear import Heard
from simchain.measure.excitation import CENTRES_HZ, EXPONENT, internal_noise_db

Floats = NDArray[np.float64]
# float64 of ears, float32 of kept ones.
Kept = NDArray[np.floating[Any]]
Numbers = Sequence[int] | NDArray[np.integer[Any]]
Each = TypeVar("Each")
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
_EVENT_FRAMES = np.array((1, 4))
# A band less than this above the ear's own noise is hardly heard, however it changes. Fitted to
# judging.md's pairs: with 11 dB, 1 % of dirt is not free at 90 dB SPL. (In a listening booth a tone
# so far above threshold must change by 1.3 dB: Jesteadt, Wier and Green, JASA 61, 1977; from
# memory.)
LEAST_HEARD_DB = 15.0


class Stack(NamedTuple):
    """What the ear has of one channel of many sounds, each in K takes, for all to be compared.

    `levels_db`, shape (sounds, K, quantiles, bands), and `swings_db`, (sounds, K, filters, groups),
    are of each take; of the means over the takes, `loudness` has shape (sounds, bands),
    `long_term_db` too, `swings` (sounds, filters, groups), `group_loudness` (sounds, groups).
    """

    levels_db: Kept
    loudness: Kept
    long_term_db: Kept
    swings_db: Kept
    swings: Kept
    group_loudness: Kept


def stacked(sounds: Sequence[Takes]) -> Stack:
    """Return the stack of many sounds; those of one take stand for as many as any other has."""
    takes = max(map(len, sounds))
    each = [_as_many(sound, takes) for sound in sounds]

    def of(name: str) -> Kept:
        return np.array([[getattr(take, name) for take in sound] for sound in each])

    def mean_of(name: str) -> Kept:
        return np.ascontiguousarray(of(name).mean(axis=1))

    movement = of("movement")
    return Stack(
        of("levels_db"),
        mean_of("loudness"),
        mean_of("long_term_db"),
        20.0 * np.log10(movement + LEAST_SWING),
        np.ascontiguousarray(movement.mean(axis=1)),
        mean_of("group_loudness"),
    )


def distribution_db(a: Takes, b: Takes) -> float:
    """How the distribution of level in each band differs, wherever it falls in time, in dB.

    RMS of B's ten quantiles less A's over all bands, weighted by the bands' mean loudness; less
    what another phase would change too (`kernels.hearing`).
    """
    return float(distributions_db(stacked((a, b)), 0, [1])[0])


def distributions_db(stack: Stack, one: int, many: Numbers) -> Floats:
    """Return `distribution_db` of one sound of a stack against each of many."""
    from simchain.kernels.hearing import levels_apart

    levels, loudness = stack.levels_db[many], stack.loudness[many]
    found = np.empty(len(levels))
    levels_apart(stack.levels_db[one], stack.loudness[one], levels, loudness, found)
    return found


def movement_db(a: Takes, b: Takes) -> float:
    """How movement between 1 and 32 Hz differs, in dB.

    RMS of the change in 20 log10(swing + 0.01) over modulation filters and groups of 3 ERB,
    weighted by the group's loudness and by the louder movement; less what another phase would
    change too.
    """
    return float(movements_db(stacked((a, b)), 0, [1])[0])


def movements_db(stack: Stack, one: int, many: Numbers) -> Floats:
    """Return `movement_db` of one sound of a stack against each of many."""
    from simchain.kernels.hearing import swings_apart

    theirs = stack.swings_db[many], stack.swings[many], stack.group_loudness[many]
    found = np.empty(len(theirs[0]))
    mine = stack.swings_db[one], stack.swings[one], stack.group_loudness[one]
    swings_apart(*mine, *theirs, found)
    return found


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
    return largest_change(long_term_changes_db(stacked((a, b)), 0, [1])[0])


def long_term_changes_db(stack: Stack, one: int, many: Numbers) -> Floats:
    """Return the long-term change of each band of many sounds against one, (sounds, bands).

    0 where neither is heard.
    """
    mine, theirs = stack.long_term_db[one], stack.long_term_db[many]
    heard = np.maximum(mine, theirs) >= internal_noise_db(CENTRES_HZ) + LEAST_HEARD_DB
    return np.asarray(np.where(heard, np.abs(theirs - mine), 0.0))


def largest_change(change_db: Floats) -> tuple[float, float]:
    """Return the largest of the changes of all bands, and the band's centre in Hz."""
    most = int(np.argmax(change_db))
    return float(change_db[most]), float(CENTRES_HZ[most])


def _mean_jump(pairs: Sequence[tuple[Floats, Floats]], floor: float) -> float:
    """Mean over pairs of the largest log10 by which one stands out beside the other."""
    if not pairs:
        return 0.0
    return sum(max(_jump(a, b, floor), _jump(b, a, floor)) for a, b in pairs) / len(pairs)


def _jump(a: Floats, b: Floats, floor: float) -> float:
    """The largest of `rises`."""
    return math.log10(float(_times_as_loud(a, b, floor).max()))


def rises(a: Floats, b: Floats, floor: float) -> Floats:
    """Return how far b stands out beside a in each short frame and group, as log10 of loudness.

    (b + floor) over what a has within ±20 ms, at its largest, + floor; or the same of means over
    40 ms where that is more.
    """
    return np.asarray(np.log10(_times_as_loud(a, b, floor)))


def _times_as_loud(a: Floats, b: Floats, floor: float) -> Floats:
    from simchain.kernels.hearing import standing_out

    one, other = (np.ascontiguousarray(each, dtype=np.float64) for each in (a, b))
    found = np.empty(one.shape)
    standing_out(one, other, floor, EVENT_BESIDE, _EVENT_REACH, _EVENT_FRAMES, found)
    return found


def _neighbours(takes: Sequence[Floats]) -> list[tuple[Floats, Floats]]:
    """Each take and the one after it, the first after the last; none where there is one only."""
    if len(takes) == 1:
        return []
    return list(zip(takes, (*takes[1:], takes[0]), strict=True))


def _as_many(values: Sequence[Each], takes: int) -> Sequence[Each]:
    return values if len(values) == takes else [values[0]] * takes
