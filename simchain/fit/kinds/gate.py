"""A gate: when it opens and closes, and how it glides from one to the other."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import ClassVar, cast

import numpy as np
from numpy.typing import NDArray

from simchain import units
from simchain.blocks import Block
from simchain.blocks.gate import DB_A_NEPER, SHORTEST_HOLD_MS, Gate
from simchain.fit.comparing import Comparison
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.received import Received
from simchain.fit.searching import found
from simchain.fit.sent import RAMP_DBFS, RAMP_HZ, RAMP_S, RATE, sent

Floats = NDArray[np.float64]

DECISIONS = (
    Free("threshold_dbu", -90.0, 20.0),
    Free("hysteresis_db", 0.0, 20.0),
    Free("hold_ms", 10.0, 2_000.0, log=True),
)
GLIDES = (
    Free("attack_ms", 0.02, 200.0, log=True, step=0.03),
    Free("release_ms", 2.0, 10_000.0, log=True, step=0.03),
    Free("range_db", 3.0, 120.0, step=0.5),
    Free("level_db", -60.0, 40.0),
)
# What is looked for at a glance, in the sequence of `_AT`; times by their logarithm.
_AT = ("threshold_dbu", "hysteresis_db", "hold_ms", "attack_ms", "release_ms", "range_db")
_LEAST = (-80.0, 0.0, *np.log([10.0, 0.05, 5.0]), 3.0)
_MOST = (5.0, 14.0, *np.log([1_000.0, 50.0, 3_000.0]), 100.0)
_ROUNDS, _SEARCHERS, _SEED = 70, 8, 1
# Gains are read twice a millisecond, of tones alone: a sweep's pitch is soon beyond such a glance.
_GLANCE = 24
_TONES = (
    *("marker1", "level", "steps1", "bursts1", "steps2", "bursts2"),
    *("ramp", "clicks", "chord", "marker2"),
)
_READ_TO, _LEAST_GAIN = 0.02, 1e-4
_OFF_BY = 0.003
# How fast the ramp falls, and how far off a threshold and a hold may be at a glance.
_RAMP_DB_S = (RAMP_DBFS[0] - RAMP_DBFS[1]) / RAMP_S[0]
# One stair of the ramp is a half-wave.
_STAIR_DB = _RAMP_DB_S / (2.0 * RAMP_HZ)
# How far off a threshold may stand at a glance where only soft tones tell it, and then.
_FAR_DB, _MORE_DB = np.linspace(-6.0, 6.0, 49), np.linspace(-0.4, 0.4, 81)
_MORE_MS, _FINER_MS = np.linspace(-9.0, 9.0, 46), np.linspace(-0.4, 0.4, 17)
_ON_STAIR = (-0.33, 0.0, 0.33)
# How often decisions and glides take turns, and the share of what is tried that is as good as all.
_TURNS, _ALL = 2, 0.6
# A converter's filter rings ahead of a click: above so many decibels under full scale two of
# different length are within a frame of each other, below it they are not.
_RINGS_DB = -50.0
# Whether it is open hangs on the last loud tone before: a sweep, or a burst.
_SINCE_S = 2.5


class GateFit(KindFit):
    """Its decisions fall or fall not: they are looked for at a glance, before waveforms are.

    A click opens it from silence at full force, which tells its attack: at eight times the rate,
    since that may be five frames. Where what a converter's filter makes ahead of a click would open
    it, by some frames that hang on the converter, only tones with soft edges tell.
    """

    kind: ClassVar[str] = "gate"
    coarse: ClassVar = ()
    fine: ClassVar = (
        Stretch("marker1", "steps1", times=8, off_by=_OFF_BY),
        Stretch("bursts1", "steps2", _SINCE_S, times=8, off_by=_OFF_BY),
        Stretch("ramp", "ramp", _SINCE_S, times=8, off_by=_OFF_BY),
        Stretch("marker2", "marker2", _SINCE_S, times=8, off_by=_OFF_BY),
        Stretch("clicks", "clicks", times=8, off_by=_OFF_BY),
    )

    def stretches(
        self, block: Block, received: Received
    ) -> tuple[Sequence[Stretch], Sequence[Stretch]]:
        """See `KindFit.stretches`: with the clicks, or without."""
        full_dbu = units.volts_to_dbu(float(np.abs(received.given).max()) / 2.0**0.5)
        rung = cast(Gate, block).threshold_dbu < full_dbu + _RINGS_DB
        return self.coarse, self.fine[:-1] if rung else self.fine

    def starts(self, block: Block, received: Received) -> Iterator[Start]:
        """See `KindFit.starts`: what comes nearest to the gain over time.

        When it decides and how it glides are told from the same few moments, and decisions have no
        slope that a search could follow: each is brought near with the other as it stands.
        """
        rough = Comparison(received, [replace(one, times=1) for one in self.fine[:-1]])
        near = _Glance(received).nearest(cast(Gate, block))
        for _ in range(_TURNS):
            near, _ = _decided(near, rough)
            near = cast(Gate, found([Start(near, GLIDES)], Comparison(received, ()), rough).block)
        near, deviations = _decided(near, rough)
        yield Start(near, GLIDES, read=tuple(zip(DECISIONS, deviations, strict=True)))


def _decided(block: Gate, compared: Comparison) -> tuple[Gate, list[float]]:
    """Return `block` with the decisions that suit best, and their standard deviations.

    First the threshold moves and the level at which it closes stays. Then the hold moves, and where
    it closes in the ramp stays: the ramp is a stair of half-waves, and hold and hysteresis may
    stand a few of them off together. The level may stand anywhere on a stair.
    """

    def off(one: Gate) -> float:
        made = zip(compared.stretches, compared.rendered(one), strict=True)
        return sum(float(np.square((line - at.heard) * at.weight).sum()) for at, line in made)

    def closing(about: Gate, more_ms: Floats) -> list[tuple[float, Gate]]:
        held = [_held(about, float(more), at) for more in more_ms for at in _ON_STAIR]
        return [(off(one), one) for one in held]

    def opening_about(about: Gate, more_db: Floats) -> list[tuple[float, Gate]]:
        return [(off(one), one) for one in (_opened(about, float(more)) for more in more_db)]

    opening = opening_about(_best(opening_about(block, _FAR_DB)), _MORE_DB)
    wide = closing(_best(opening), _MORE_MS)
    near = closing(_best(wide), _FINER_MS)
    frames = sum(at.heard.size for at in compared.stretches)
    spreads = [
        _spread(opening, "threshold_dbu", frames, _MORE_DB[1] - _MORE_DB[0]),
        _spread(wide + near, "hysteresis_db", frames, _STAIR_DB),
        _spread(wide + near, "hold_ms", frames, _FINER_MS[1] - _FINER_MS[0]),
    ]
    return _best(near), spreads


def _opened(block: Gate, more_db: float) -> Gate:
    """Return `block` with another threshold; the level at which it closes stays."""
    hysteresis_db = max(block.hysteresis_db + more_db, 0.0)
    moved = {"threshold_dbu": block.threshold_dbu + more_db, "hysteresis_db": hysteresis_db}
    return block.model_copy(update=moved)


def _held(block: Gate, more_ms: float, stairs: float) -> Gate:
    """Return `block` with another hold; where it closes in the ramp stays, but for `stairs`."""
    hold_ms = max(block.hold_ms + more_ms, SHORTEST_HOLD_MS)
    less_db = _RAMP_DB_S * (hold_ms - block.hold_ms) / 1e3 + stairs * _STAIR_DB
    hysteresis_db = max(block.hysteresis_db - less_db, 0.0)
    return block.model_copy(update={"hold_ms": hold_ms, "hysteresis_db": hysteresis_db})


def _best(weighed: Sequence[tuple[float, Gate]]) -> Gate:
    return min(weighed, key=lambda one: one[0])[1]


def _spread(weighed: Sequence[tuple[float, Gate]], control: str, frames: int, step: float) -> float:
    """Return a control's standard deviation: how far it may stand off as chance would have it.

    That is where the errors, in units of what each leaves at best, grow by one. Infinite where all
    that was tried is as good.
    """
    least = min(off for off, _ in weighed)
    tried = [float(getattr(one, control)) for _, one in weighed]
    good = [
        float(getattr(one, control)) for off, one in weighed if off <= least * (1.0 + 1.0 / frames)
    ]
    if max(good) - min(good) > _ALL * (max(tried) - min(tried)):
        return math.inf
    return max(max(good) - min(good), step) / 2.0


class _Glance:
    """What came out against what went in, twice a millisecond, and how sure each is."""

    def __init__(self, received: Received) -> None:
        frames = received.given.size // _GLANCE
        given, line = (
            one[: frames * _GLANCE].reshape(frames, _GLANCE)
            for one in (received.given, received.line)
        )
        there = np.zeros(frames, dtype=bool)
        for name in _TONES:
            part = sent().parts[name].frames(with_rest=False)
            there[part.start // _GLANCE : part.stop // _GLANCE] = True
        power = np.square(given).sum(axis=1)
        there &= power > 0.0
        power[~there] = 1.0
        self.peaks = np.abs(given).max(axis=1)
        self.gains = np.where(there, (given * line).sum(axis=1) / power, 0.0)
        deviation = received.noise_volts**2 / power + _LEAST_GAIN**2
        deviation += np.square(_READ_TO * self.gains)
        self.weights = np.where(there, 1.0 / deviation, 0.0)

    def nearest(self, block: Gate) -> Gate:
        """Return `block` with the settings whose gain over time is nearest.

        By differential evolution (Storn and Price, J. Global Optimization 11, 1997): a decision
        has no slope that a search could follow.
        """
        from scipy.optimize import differential_evolution

        ends = differential_evolution(
            lambda numbers: self._off(_at(block, numbers))[0],
            list(zip(_LEAST, _MOST, strict=True)),
            popsize=_SEARCHERS,
            maxiter=_ROUNDS,
            tol=1e-4,
            polish=False,
            rng=_SEED,
        )
        found = _at(block, ends.x)
        level_db = units.ratio_to_db(max(self._off(found)[1], _LEAST_GAIN))
        return found.model_copy(update={"level_db": level_db})

    def _off(self, block: Gate) -> tuple[float, float]:
        """Return how far `block` is from what was read, and the level that suits it best."""
        gains = np.exp(block.reductions_db(self.peaks[np.newaxis], RATE // _GLANCE) / -DB_A_NEPER)
        # A frame has the mean of its two ends.
        gains[1:] = (gains[1:] + gains[:-1]) / 2.0
        weighted = self.weights * gains
        level = float((weighted * self.gains).sum() / ((weighted * gains).sum() + 1e-30))
        off = self.weights * np.square(self.gains - level * gains)
        # What is off by far is a decision half a millisecond early: it counts by its logarithm.
        return float(np.log1p(off).sum()), level


def _at(block: Gate, numbers: Floats) -> Gate:
    values = [*numbers[:2], *np.exp(numbers[2:5]), numbers[5]]
    return block.model_copy(
        update={name: float(value) for name, value in zip(_AT, values, strict=True)}
    )
