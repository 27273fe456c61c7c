"""The score of two sounds, and the word for it: how far apart they are expected to be heard.

The parts, their units and what they were fitted to are ours; the thresholds are settings. Nothing
here knows what made the sounds.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple, Protocol

from simchain.board.wishes import Judging
from simchain.decide.difference import Difference
from simchain.decide.ear import Heard
from simchain.decide.parts import (
    distributions_db,
    event_phon,
    largest_change,
    long_term_changes_db,
    movements_db,
    stacked,
)

Verdict = Literal["same", "free", "subtle", "clear"]
Part = Literal["distribution", "movement", "event", "dirt", "width"]
PARTS: tuple[Part, ...] = ("distribution", "movement", "event", "dirt", "width")

# What counts as one, each in its own unit: dB, dB, phon, dB, and the side's share of the energy.
# That one stands for what is just heard of the lateral energy fraction in rooms: 0.05 (ISO 3382-1,
# table A.1, from memory).
UNITS = (0.3, 0.5, 5.0, 3.0, 0.05)
BORDER = (0.8, 1.25)
NARROWEST_FREE_DB = 1.5


@dataclass(frozen=True)
class Score:
    """How far apart two sounds are, and what decided it.

    `distribution_db`, `movement_db`, `event_phon` and `dirt_db` are the parts, each of the channel
    that is further apart, and `width_share`, by how much the side's share of the energy differs;
    `score` is the largest of them in units of 0.3 dB, 0.5 dB, 5 phon, 3 dB and 0.05, and infinite
    where one sound is silent. `decided_by` is that part.

    `max_erb_change_db` is the largest long-term change of 2 ERB, at `max_erb_change_hz`;
    `raised_by_band` says that it alone kept the verdict from `free`.

    `borderline`: the score lies within 0.8 to 1.25 times a threshold between two words.
    """

    verdict: Verdict
    score: float
    decided_by: Part
    borderline: bool
    distribution_db: float
    movement_db: float
    event_phon: float
    dirt_db: float
    max_erb_change_db: float
    max_erb_change_hz: float
    raised_by_band: bool
    width_share: float = 0.0


class Hearing(Protocol):
    """What `scored` asks of a sound: an `Ear`, or what was kept of one."""

    @property
    def rate(self) -> int:
        """Samples a second."""

    @property
    def listening_db_spl(self) -> float:
        """At which level it plays."""

    @property
    def length(self) -> int:
        """Samples in each channel."""

    @property
    def width(self) -> float:
        """The side's share of the energy."""

    def gated(self, length: int | None = None) -> bool:
        """Whether the sound, so many samples of it, has an integrated loudness."""

    def heard(
        self, *, start: int = 0, length: int | None = None, gated: bool = True
    ) -> tuple[Heard, ...]:
        """Return what is heard in each channel."""


class _Parts(NamedTuple):
    """Of one channel: dB, dB, phon; and the 2 ERB that change most in the long term, dB and Hz."""

    distribution_db: float
    movement_db: float
    event_phon: float
    band_db: float
    band_hz: float

    def in_units(self, dirt_db: float, width_share: float) -> list[float]:
        parts = (*self[:3], dirt_db, width_share)
        return [part / unit for part, unit in zip(parts, UNITS, strict=True)]


def scored(
    a: Sequence[Hearing],
    b: Sequence[Hearing],
    difference: Difference,
    *,
    dirt_db: float = 0.0,
    judging: Judging | None = None,
) -> Score:
    """Score sound B against sound A, each given as its takes: the same for B against A.

    `a` and `b` hold one sound for each phase of the free-running modulators, the same phases in
    the same order; one alone stands for all. `difference` is that of the first takes: it gives the
    delay (B is heard that much later), and tells sounds that are the same or silent. `dirt_db` is
    `decide.dirt.dirt_db` where a block is nonlinear.

    The shorter sound is silent after its end. Where a sound has no integrated loudness (see `Ear`)
    all are played by their K-weighted RMS.

    Raises ValueError when the numbers of takes, the rates or the listening levels do not go
    together.
    """
    _refuse_unlike(a, b)
    judging = judging or Judging()
    lines_a, lines_b = _heard(a, b, difference.delay_samples)
    channels = [
        _parts([take[c] for take in lines_a], [take[c] for take in lines_b])
        for c in range(len(lines_a[0]))
    ]
    parts = max(channels, key=lambda channel: max(channel.in_units(0.0, 0.0)))
    widest = max(channels, key=lambda channel: channel.band_db)
    width_share = abs(_mean_width(b) - _mean_width(a))
    units = parts.in_units(dirt_db, width_share)
    score = math.inf if math.isinf(difference.trim_lu) else max(units)
    verdict, raised = _verdict(score, widest.band_db, difference, judging)
    return Score(
        verdict=verdict,
        score=score,
        decided_by=PARTS[units.index(max(units))],
        borderline=verdict != "same" and _borderline(score, judging),
        distribution_db=parts.distribution_db,
        movement_db=parts.movement_db,
        event_phon=parts.event_phon,
        dirt_db=dirt_db,
        max_erb_change_db=widest.band_db,
        max_erb_change_hz=widest.band_hz,
        raised_by_band=raised,
        width_share=width_share,
    )


def _mean_width(takes: Sequence[Hearing]) -> float:
    return sum(take.width for take in takes) / len(takes)


def _refuse_unlike(a: Sequence[Hearing], b: Sequence[Hearing]) -> None:
    if not a or not b or (len(a) != len(b) and 1 not in (len(a), len(b))):
        raise ValueError(f"as many takes of both are needed, or one of either: {len(a)}, {len(b)}")
    settings = {(ear.rate, ear.listening_db_spl) for ear in (*a, *b)}
    if len(settings) > 1:
        raise ValueError(f"one rate and one listening level are needed, not {sorted(settings)}")


def _verdict(
    score: float, band_db: float, difference: Difference, judging: Judging
) -> tuple[Verdict, bool]:
    """The word, and whether a narrow band alone kept it from being `free`."""
    deep = difference.null_db <= judging.same_null_db
    if deep and abs(difference.trim_lu) <= judging.same_trim_lu:
        return "same", False
    if score > judging.clear_above:
        return "clear", False
    raised = score < judging.free_below and band_db > NARROWEST_FREE_DB
    return ("free" if score < judging.free_below and not raised else "subtle"), raised


def _borderline(score: float, judging: Judging) -> bool:
    low, high = BORDER
    thresholds = (judging.free_below, judging.clear_above)
    return any(low * edge <= score <= high * edge for edge in thresholds)


def _heard(
    a: Sequence[Hearing], b: Sequence[Hearing], delay: int
) -> tuple[list[tuple[Heard, ...]], list[tuple[Heard, ...]]]:
    """What is heard in each channel of each take, the later sound's frames beginning later."""
    both = (*a, *b)
    length = max(ear.length for ear in both)
    gated = all(ear.gated(length) for ear in both)
    starts = (max(-delay, 0), max(delay, 0))
    lines = [
        [ear.heard(start=start, length=length, gated=gated) for ear in takes]
        for start, takes in zip(starts, (a, b), strict=True)
    ]
    channels = max(len(take) for takes in lines for take in takes)
    lines_a, lines_b = ([take * (channels // len(take)) for take in takes] for takes in lines)
    return lines_a, lines_b


def _parts(a: Sequence[Heard], b: Sequence[Heard]) -> _Parts:
    """How far apart one channel is in all that the sounds themselves tell."""
    both = stacked((a, b))
    return _Parts(
        float(distributions_db(both, 0, [1])[0]),
        float(movements_db(both, 0, [1])[0]),
        event_phon(a, b),
        *largest_change(long_term_changes_db(both, 0, [1])[0]),
    )
