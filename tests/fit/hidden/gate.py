"""A gate of another make: a comparator, a timer, and a gain that glides in decibels.

Written from the description in simchain's documentation, at eight times the rate: it opens when
|v| reaches the peak of a sine of the threshold, closes once |v| has stayed below the closing level
for the hold (10 ms at least), and runs exponentially in decibels, within 2 dB of its end after the
time that is named.
"""

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from simchain.fit.received import given_volts
from simchain.fit.sent import sent
from tests.fit.hidden.oversampled import FAST, RATE, down, ratio, up

Floats = NDArray[np.float64]

LOAD = 1e6 / (1e6 + 500.0)  # 500 ohm into 1 Mohm
DBU_PEAK_VOLTS = 0.7746 * 2.0**0.5
STRUM_DBU = -6.0  # hard strums' peaks, as a sine (common practice, no source), less a decibel
BOUNDS = {
    "threshold_dbu": ("db", 0.5),
    "hysteresis_db": ("db", 0.5),
    "attack_ms": ("share", 0.01),
    "hold_ms": ("share", 0.01),
    "release_ms": ("share", 0.01),
    "range_db": ("db", 0.3),
    "level_db": ("db", 0.3),
    "shuts_dbu": ("db", 0.5),
}
CONTROLS = (
    *("threshold_dbu", "hysteresis_db", "attack_ms", "hold_ms"),
    *("release_ms", "range_db", "level_db"),
)
RAMP_DB_S, HALF_WAVE_MS = 18.0, 1e3 / 880.0  # how fast the ramp falls, and half a wave of its tone
# By how much decisions are moved for slopes.
THRESHOLD_STEP_DB, HALF_WAVES = 0.1, 2
# The recording's noise, and how far under full scale the loudest is (3 dB less or more).
NOISE_DBFS, HEADROOM_DB = -80.0, 6.0
# Under it this unit's filter and one of ten times its length differ by more than half a frame in
# when a click opens it.
CLICK_RINGS_DBU = -48.0


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have, whose hard strums at least open the gate."""
    return {
        "threshold_dbu": float(rng.uniform(-80.0, STRUM_DBU)),
        "hysteresis_db": float(rng.uniform(0.0, 12.0)),
        "attack_ms": _spread(rng, 0.1, 20.0),
        "hold_ms": float(rng.uniform(0.0, 500.0)),
        "release_ms": _spread(rng, 10.0, 1500.0),
        "range_db": float(rng.uniform(6.0, 80.0)),
        "level_db": float(rng.uniform(-6.0, 0.0)),
    }


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    return down(_gated(up(volts), given, FAST))


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return found and true values, of what stands out of the recording's noise.

    A gate closes on what is soft, and what it makes of that may be under the noise, or the tones
    may never be so soft. A control counts if no unbiased estimate's standard deviation (Cramer and
    Rao's bound, given all else is unknown too) is above a third of its bound. Where hysteresis and
    hold do not count, but the level is told at which the falling ramp closes it, that does.

    Clicks bear no witness to a gate that opens below `CLICK_RINGS_DBU`: what a converter's filter
    makes ahead of them opens it first, by up to thirty frames, and nobody knows that filter. (A
    gate of 60 dB that opens in 7 ms is 1.7 dB further open three frames on.)
    """
    told = _told(_counted(given))
    pairs = [_counted(one) for one in (found, given)]
    return {key: (pairs[0][key], pairs[1][key]) for key in told}


def _counted(given: dict[str, Any]) -> dict[str, float]:
    """Return the controls as they count, and the level of the ramp at which it closes."""
    return _with_shuts(
        {key: float(given[key]) for key in CONTROLS}
        | {"hold_ms": max(float(given["hold_ms"]), 10.0)}
    )


def _with_shuts(controls: dict[str, float]) -> dict[str, float]:
    shuts_dbu = controls["threshold_dbu"] - controls["hysteresis_db"]
    return controls | {"shuts_dbu": shuts_dbu - RAMP_DB_S * controls["hold_ms"] / 1e3}


def _told(given: dict[str, float]) -> list[str]:
    volts = given_volts()
    moves = _moves(given)

    def played(move: dict[str, float], way: float) -> Floats:
        moved = {key: given[key] + way * step for key, step in move.items()}
        return _gated(volts, given | moved, RATE)

    slopes = np.stack([(played(move, 1.0) - played(move, -1.0)) / 2.0 for move in moves])
    if given["threshold_dbu"] < CLICK_RINGS_DBU:
        slopes[:, sent().parts["clicks"].frames()] = 0.0
    loudest = max(float(np.abs(volts).max()), float(np.abs(_gated(volts, given, RATE)).max()))
    slopes /= loudest * ratio(HEADROOM_DB + NOISE_DBFS)
    # How far each move takes what counts, in units of its bound; and a trifle of certainty.
    counted = [_with_shuts(dict.fromkeys(CONTROLS, 0.0) | move) for move in moves]
    reach = np.array([[one[key] / _bound(key, given[key]) for one in counted] for key in BOUNDS])
    covariance = np.linalg.inv(slopes @ slopes.T + 1e-6 * reach[:-1].T @ reach[:-1])
    deviations = np.sqrt(np.diag(reach @ covariance @ reach.T))
    told = [key for key, one in zip(BOUNDS, deviations, strict=True) if one < 1.0 / 3.0]
    both = "hold_ms" in told and "hysteresis_db" in told
    return [key for key in told if key != "shuts_dbu" or not both]


def _moves(given: dict[str, float]) -> list[dict[str, float]]:
    """Return small moves of the controls, by which slopes are taken.

    Decisions fall with half-waves of the ramp, so they move by whole ones: the threshold while the
    level stays at which it closes; that level; the hold while it closes where it did. (Moves of
    other sizes differ in where they jump, and what cannot be told apart would seem to be.)
    """
    hold_ms = HALF_WAVES * HALF_WAVE_MS
    stairs_db = RAMP_DB_S * hold_ms / 1e3
    return [
        {"threshold_dbu": THRESHOLD_STEP_DB, "hysteresis_db": THRESHOLD_STEP_DB},
        {"hysteresis_db": stairs_db},
        {"hold_ms": hold_ms, "hysteresis_db": -stairs_db},
        *(
            {key: _bound(key, given[key])}
            for key in ("attack_ms", "release_ms", "range_db", "level_db")
        ),
    ]


def _bound(key: str, value: float) -> float:
    form, bound = BOUNDS[key]
    return value * bound if form == "share" else bound


def _gated(volts: Floats, given: dict[str, Any], rate: int) -> Floats:
    opens_at = DBU_PEAK_VOLTS * ratio(given["threshold_dbu"])
    closes_at = opens_at * ratio(-given["hysteresis_db"])
    hold = max(given["hold_ms"], 10.0) / 1e3 * rate
    opening, closing = (
        np.log(given["range_db"] / 2.0) / (given[key] / 1e3 * rate)
        for key in ("attack_ms", "release_ms")
    )
    reductions_db = _glide(
        np.abs(volts), opens_at, closes_at, hold, given["range_db"], opening, closing
    )
    gains = 10.0 ** ((given["level_db"] - reductions_db) / 20.0)
    return np.asarray(LOAD * volts * gains)


@njit(cache=False)
def _glide(
    peaks: Floats,
    opens_at: float,
    closes_at: float,
    hold: float,
    range_db: float,
    opening: float,
    closing: float,
) -> Floats:
    made = np.empty(peaks.size)
    is_open, since, now_db = False, 0.0, range_db
    for n in range(peaks.size):
        if peaks[n] >= opens_at:
            is_open = True
        since = 0.0 if peaks[n] >= closes_at else since + 1.0
        if is_open and since > hold:
            is_open = False
        if is_open:
            now_db *= np.exp(-opening)
        else:
            now_db = range_db + (now_db - range_db) * np.exp(-closing)
        made[n] = now_db
    return made


def _spread(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))
