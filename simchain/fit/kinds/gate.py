"""A gate: when it opens and closes, and how it glides from one to the other."""

from collections.abc import Iterator
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
from simchain.fit.sent import RAMP_DBFS, RAMP_S, RATE, sent

Floats = NDArray[np.float64]

FREE = (
    Free("threshold_dbu", -90.0, 20.0, step=0.4),
    Free("hysteresis_db", 0.0, 20.0, step=1.0),
    Free("attack_ms", 0.02, 200.0, log=True, step=0.03),
    Free("hold_ms", 10.0, 2_000.0, log=True, step=0.1),
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
_MORE_DB = np.linspace(-0.4, 0.4, 41)
_MORE_MS = np.linspace(-9.0, 9.0, 46)
# Whether it is open hangs on the last loud tone before: a sweep, or a burst.
_SINCE_S = 2.5


class GateFit(KindFit):
    """Its decisions fall or fall not: they are looked for at a glance, before waveforms are.

    A click opens it from silence at full force, which tells its attack: at eight times the rate,
    since that may be five frames.
    """

    kind: ClassVar[str] = "gate"
    coarse: ClassVar = ()
    fine: ClassVar = (
        Stretch("bursts1", "steps2", _SINCE_S, times=4, off_by=_OFF_BY),
        Stretch("ramp", "ramp", _SINCE_S, times=2, off_by=_OFF_BY),
        Stretch("clicks", "clicks", times=8, off_by=_OFF_BY),
    )

    def starts(self, block: Block, received: Received) -> Iterator[Start]:
        """See `KindFit.starts`: what comes nearest to the gain over time."""
        near = _Glance(received).nearest(cast(Gate, block))
        yield Start(_held(near, received), FREE)


def _held(block: Gate, received: Received) -> Gate:
    """Return `block` with the threshold that suits all, and then the hold that suits the bursts.

    The threshold moves and the level at which it closes stays. The hold moves, and where it closes
    in the ramp stays: the ramp is a stair of half-waves, hold and hysteresis may stand a few of
    them off together, and no slope leads back.
    """
    compared = Comparison(received, [replace(one, times=1) for one in GateFit.fine[:2]])

    def off(one: Gate) -> float:
        return float(np.square(compared.wave_errors(compared.rendered(one), 0.0)).sum())

    def opening(more_db: float) -> Gate:
        hysteresis_db = max(block.hysteresis_db + more_db, 0.0)
        moved = {"threshold_dbu": block.threshold_dbu + more_db, "hysteresis_db": hysteresis_db}
        return block.model_copy(update=moved)

    def closing(more_ms: float) -> Gate:
        hold_ms = max(opened.hold_ms + more_ms, SHORTEST_HOLD_MS)
        less_db = _RAMP_DB_S * (hold_ms - opened.hold_ms) / 1e3
        hysteresis_db = max(opened.hysteresis_db - less_db, 0.0)
        return opened.model_copy(update={"hold_ms": hold_ms, "hysteresis_db": hysteresis_db})

    opened = min((opening(more_db) for more_db in _MORE_DB), key=off)
    return min((closing(more_ms) for more_ms in _MORE_MS), key=off)


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
