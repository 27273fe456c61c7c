"""Why two orders differ: one number for each cause, every one with the other causes switched off.

Level and dirt are known from the judgement. The rest is a property of each order's own sound, its
`Character`, and their difference.
"""

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simchain.decide.ear import Ear, Heard
from simchain.decide.parts import movement_db
from simchain.measure.excitation import (
    CENTRES_HZ,
    INTERNAL_NOISE,
    LONG_FRAME_S,
    excitation,
    specific_loudness,
)
from simchain.measure.loudness_over_time import loudness_over_time
from simchain.measure.stereo import stereo_of
from simchain.measure.tail import Moments, tail_db
from simchain.signal import Volts, twins

Floats = NDArray[np.float64]
Name = Literal["level", "tone", "dirt", "touch", "movement", "tail", "noise", "width"]
CAUSES: tuple[Name, ...] = (
    "level", "tone", "dirt", "touch", "movement", "tail", "noise", "width",
)  # fmt: skip

# Loudness further below the mean is a rest, not a soft note (EBU Tech 3342 gates its range so).
REST_LU = 20.0
SOFT, HARD = 0.1, 0.9
LEAST_WIDTH_DB = -40.0


@dataclass(frozen=True, eq=False)
class Character:
    """What is to be told of one order's sound, apart from level and dirt.

    `tone` is what is heard in each channel of the dry sound, modulators held still. `touch_lu` is
    how far its loud moments lie above its soft ones (`touch_of`), NaN where it is too short.
    `movement_db` is how much the modulators' own swaying is (`parts.movement_db` of the sound
    against itself held still), 0 without any. `tail_db` is `tail_of`, None without rests.
    `noise_db` is `hiss_db` at the gain at which the sound plays at the listening level, None where
    it was not measured. `width_db` is the side over the mid, -40 at least, NaN in silence.
    """

    tone: tuple[Heard, ...]
    touch_lu: float
    movement_db: float
    tail_db: Floats | None
    noise_db: float | None
    width_db: float


class Cause(NamedTuple):
    """One cause: by how much B differs from A, in its unit; None where it cannot be told.

    `tone` has no direction; there `band_db` at `hz` is the largest change of 2 ERB.
    """

    difference: float | None
    band_db: float = 0.0
    hz: float = 0.0


def causes(
    a: Character, b: Character, *, trim_lu: float, more_dirt_db: float | None
) -> dict[Name, Cause]:
    """Tell the causes apart: B less A; `level` in LU, `touch` in LU, all others in dB.

    `more_dirt_db` is None where tones cannot tell it, as where a loop plays what was recorded.
    """
    tail = None
    if a.tail_db is not None and b.tail_db is not None:
        change = b.tail_db - a.tail_db
        tail = float(change[~np.isnan(change)].mean()) if not np.isnan(change).all() else None
    noise = None if a.noise_db is None or b.noise_db is None else b.noise_db - a.noise_db
    found: dict[Name, Cause] = {
        "level": Cause(trim_lu),
        "tone": tone_change(a.tone, b.tone),
        "dirt": Cause(more_dirt_db),
        "touch": Cause(b.touch_lu - a.touch_lu),
        "movement": Cause(b.movement_db - a.movement_db),
        "tail": Cause(tail),
        "noise": Cause(noise),
        "width": Cause(b.width_db - a.width_db),
    }
    return {name: _told(cause) for name, cause in found.items()}


def _told(cause: Cause) -> Cause:
    known = cause.difference is not None and math.isfinite(cause.difference)
    return cause if known else Cause(None)


def tone_change(a: tuple[Heard, ...], b: tuple[Heard, ...]) -> Cause:
    """How uneven the change of the long-term level is over the bands: a standard deviation in dB.

    Weighted by the bands' mean loudness; of two channels that which changes more. A change that is
    the same in all bands is one of level, and no tone.
    """
    channels = max(len(a), len(b))
    changes = [
        _uneven(one, other)
        for one, other in zip(a * (channels // len(a)), b * (channels // len(b)), strict=True)
    ]
    return max(changes, key=lambda cause: cause.difference or 0.0)


def _uneven(a: Heard, b: Heard) -> Cause:
    change, weight = b.long_term_db - a.long_term_db, a.loudness + b.loudness
    total = float(weight.sum())
    if total == 0.0:
        return Cause(0.0)
    off = change - float((weight * change).sum()) / total
    spread = math.sqrt(float((weight * off**2).sum()) / total)
    # What is hardly heard at all is not named as the largest change.
    most = int(np.argmax(np.abs(off) * np.sqrt(weight / weight.max())))
    return Cause(spread, float(off[most]), float(CENTRES_HZ[most]))


def touch_of(samples: Volts, rate: int) -> float:
    """Return how far loud moments lie above soft ones, in LU; NaN for less than 0.4 s.

    The 90 % less the 10 % quantile of the momentary loudness (BS.1770, 0.4 s), rests left out:
    those 20 LU below the mean.
    """
    momentary = loudness_over_time(samples, rate).momentary_lufs
    sounding = momentary[np.isfinite(momentary)]
    if not sounding.size:
        return math.nan
    mean = 10.0 * math.log10(float(np.mean(10.0 ** (sounding / 10.0))))
    notes = sounding[sounding >= mean - REST_LU]
    soft, hard = np.quantile(notes, (SOFT, HARD))
    return float(hard - soft)


def tail_of(live: Volts, dry: Volts, rate: int, moments: Moments) -> Floats | None:
    """Return how far a sound in rests lies above the same dry, each against its notes.

    In dB, for each group of `measure.tail.tail_db`, NaN where one of the two says nothing; None
    where neither does.
    """
    wet_db, dry_db = (tail_db(sound, rate, moments) for sound in (live, dry))
    if wet_db is None or dry_db is None or np.isnan(wet_db - dry_db).all():
        return None
    return np.asarray(wet_db - dry_db)


def movement_of(takes: list[Ear], held: Ear) -> float:
    """Return how much a sound sways beside the same held still, the louder of two channels."""
    length = max(ear.length for ear in (*takes, held))
    live = [take.heard(length=length) for take in takes]
    still = held.heard(length=length)
    channels = max(len(still), *(len(take) for take in live))
    return max(
        movement_db([take[c % len(take)] for take in live], [still[c % len(still)]])
        for c in range(channels)
    )


def hiss_db(quiet: Volts, rate: int, gain: float) -> float:
    """Return how far what is there while nobody plays rises above the ear's own noise, in dB.

    `quiet` has shape (1 or 2 channels, frames); `gain` brings it to units of 20 µPa. The mean over
    bands of 10 log10(1 + E / Nz), weighted by loudness, of the louder channel; 0 for silence.
    """
    lines = quiet[:1] if twins(quiet) else quiet
    found = [0.0]
    for line in lines:
        power = excitation(gain * line, rate, LONG_FRAME_S).mean(axis=0)
        weight = specific_loudness(power)
        total = float(weight.sum())
        if total > 0.0:
            over_db = 10.0 * np.log10(1.0 + power / INTERNAL_NOISE)
            found.append(float((weight * over_db).sum()) / total)
    return max(found)


def width_of(samples: Volts) -> float:
    """Return the side over the mid in dB, between -40 and 40; NaN in silence."""
    share = stereo_of(samples).width
    if math.isnan(share):
        return math.nan
    ratio = share / (1.0 - share) if share < 1.0 else math.inf
    least = 10.0 ** (LEAST_WIDTH_DB / 10.0)
    return 10.0 * math.log10(min(max(ratio, least), 1.0 / least))
