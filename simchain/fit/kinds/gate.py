"""A gate: when it opens and closes, and how it glides from one to the other."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import ClassVar, cast

import numpy as np
from numpy.typing import NDArray

from simchain import units
from simchain.blocks import Block
from simchain.blocks.gate import DB_A_NEPER, SHORTEST_HOLD_MS, Gate
from simchain.decide.parallel import in_parallel
from simchain.fit.comparing import Comparison
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.received import Received
from simchain.fit.searching import found, slopes_at
from simchain.fit.sent import RAMP_DBFS, RAMP_HZ, RAMP_S, RATE, sent

Floats = NDArray[np.float64]

DECISIONS = (Free("threshold_dbu", -90.0, 20.0), Free("hysteresis_db", 0.0, 20.0))
# How long it holds moves when it closes, but not where: that has a slope, at a rate that is high.
HOLD = Free("hold_ms", 10.0, 2_000.0, log=True, step=0.03)
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
# A waveform is off by so large a share of itself, as loud as it is within a half-wave or so.
_OFF_BY, _ABOUT_S = 0.003, 0.004
# How fast the ramp falls; one stair of it is a half-wave.
_RAMP_DB_S = (RAMP_DBFS[0] - RAMP_DBFS[1]) / RAMP_S[0]
_STAIR_DB = _RAMP_DB_S / (2.0 * RAMP_HZ)
# How far off decisions may stand at a glance, then, and where all is near: a threshold, in
# decibels; where it closes, in stairs; a hold, as a share. Each is tried, then about the best.
_FAR_DB, _MORE_DB, _NEAR_DB = (
    np.linspace(-6.0, 6.0, 49),
    np.linspace(-0.4, 0.4, 17),
    np.linspace(-0.06, 0.06, 7),
)
_MORE_STAIRS, _NEAR_STAIRS = np.linspace(-40.0, 40.0, 41), np.linspace(-2.0, 2.0, 13)
_MORE_HOLD, _NEAR_HOLD, _NEARER_HOLD = (
    np.geomspace(0.4, 2.5, 39),
    np.geomspace(0.95, 1.05, 17),
    np.geomspace(0.995, 1.005, 9),
)
# Of what is tried, so large a share that is as good tells nothing.
_ALL = 0.6
# A converter's filter rings ahead of a click: above so many decibels under full scale two of
# different length are within a frame of each other, below it they are not.
_RINGS_DB = -50.0
# Whether it is open hangs on the last loud tone before: a sweep, or a burst. Where a long tone
# begins it opens within so long.
_SINCE_S, _OPENS_S = 2.5, 0.3


def _closely(first: str, last: str, lead_s: float = 0.25, seconds: float | None = None) -> Stretch:
    """Return a stretch at eight times the rate, where noise decides how much an error counts."""
    return Stretch(first, last, lead_s, times=8, off_by=_OFF_BY, about_s=_ABOUT_S, seconds=seconds)


class GateFit(KindFit):
    """Its decisions fall or fall not: they are looked for at a glance, before waveforms are.

    A click opens it from silence at full force, which tells its attack: at eight times the rate,
    since that may be five frames. Where what a converter's filter makes ahead of a click would open
    it, by some frames that hang on the converter, only tones with soft edges tell.
    """

    kind: ClassVar[str] = "gate"
    coarse: ClassVar = ()
    fine: ClassVar = (
        _closely("marker1", "soft1", seconds=_OPENS_S),
        _closely("bursts1", "soft2", _SINCE_S, _OPENS_S),
        _closely("ramp", "room", _SINCE_S, _OPENS_S),
        _closely("chord", "chord", _SINCE_S, _OPENS_S),
        _closely("marker2", "marker2", _SINCE_S),
        _closely("clicks", "clicks"),
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
        slope that a search could follow: they are tried one by one, while the glides give way.
        Eight times the rate tells when it opens.
        """
        near = _Glance(received).nearest(cast(Gate, block))
        _, stretches = self.stretches(near, received)
        rough = Comparison(received, [replace(one, times=1) for one in stretches])
        closing = (
            _Decision("hysteresis_db", _closed, (_MORE_STAIRS, _NEAR_STAIRS)),
            _Decision("hold_ms", _held, (_MORE_HOLD, _NEAR_HOLD, _NEARER_HOLD)),
        )
        near, _ = _decided(near, GLIDES, rough, (_opening(_FAR_DB, _MORE_DB), *closing))
        near = cast(Gate, found([Start(near, GLIDES)], Comparison(received, ()), rough).block)
        near, (_, closes_db, _) = _decided(near, GLIDES, rough, (_opening(_MORE_DB), *closing))
        finely, free = Comparison(received, stretches), (*GLIDES, HOLD)
        near, (opens_db,) = _decided(near, free, finely, (_opening(_MORE_DB, _NEAR_DB),))
        yield Start(near, free, read=tuple(zip(DECISIONS, (opens_db, closes_db), strict=True)))


@dataclass(frozen=True)
class _Decision:
    """What tells when a gate opens or closes, how it is moved, and where it is tried in turn."""

    control: str
    moved: Callable[[Gate, float], Gate]
    tries: tuple[Floats, ...]


def _opening(*tries: Floats) -> _Decision:
    return _Decision("threshold_dbu", _opened, tries)


def _decided(
    block: Gate, free: tuple[Free, ...], compared: Comparison, decisions: Sequence[_Decision]
) -> tuple[Gate, list[float]]:
    """Return `block` with the decisions that suit best, and their standard deviations.

    What is `free` gives way while they are tried.
    """
    off = _off(block, free, compared)
    frames = sum(at.heard.size for at in compared.stretches)
    deviations = []
    for one in decisions:
        weighed: list[tuple[float, Gate]] = []
        for tries in one.tries:
            at = [one.moved(block, float(more)) for more in tries]
            weighed += zip(in_parallel(off, at), at, strict=True)
            block = min(weighed, key=lambda each: each[0])[1]
        deviations.append(_spread(weighed, one.control, frames))
    return block, deviations


def _off(about: Gate, free: tuple[Free, ...], compared: Comparison) -> Callable[[Gate], float]:
    """Return what tells how far a gate is off, in squares, what is `free` and its delay given way.

    They are for each gate what suits it best, as along straight lines from `about`.
    """

    def errors(one: Block) -> Floats:
        return compared.wave_errors(compared.rendered(one), 0.0)

    made = compared.rendered(about)
    slopes = slopes_at(Start(about, free), errors, compared.wave_errors(made, 0.0))
    basis, _ = np.linalg.qr(np.column_stack((slopes, compared.late_slope(made, 0.0))))

    def off(one: Gate) -> float:
        left = errors(one)
        return float(left @ left - np.square(left @ basis).sum())

    return off


def _opened(block: Gate, more_db: float) -> Gate:
    """Return `block` with another threshold; the level at which it closes stays."""
    hysteresis_db = max(block.hysteresis_db + more_db, 0.0)
    moved = {"threshold_dbu": block.threshold_dbu + more_db, "hysteresis_db": hysteresis_db}
    return block.model_copy(update=moved)


def _closed(block: Gate, more_stairs: float) -> Gate:
    """Return `block` with another level at which it closes."""
    hysteresis_db = max(block.hysteresis_db - more_stairs * _STAIR_DB, 0.0)
    return block.model_copy(update={"hysteresis_db": hysteresis_db})


def _held(block: Gate, times: float) -> Gate:
    """Return `block` with another hold; where it closes in the ramp stays."""
    hold_ms = max(block.hold_ms, SHORTEST_HOLD_MS) * times
    less_db = _RAMP_DB_S * (hold_ms - block.hold_ms) / 1e3
    hysteresis_db = max(block.hysteresis_db - less_db, 0.0)
    return block.model_copy(update={"hold_ms": hold_ms, "hysteresis_db": hysteresis_db})


def _spread(weighed: Sequence[tuple[float, Gate]], control: str, frames: int) -> float:
    """Return a control's standard deviation: how far it may stand off as chance would have it.

    That is where the errors, in units of what each leaves at best, grow by one; half of what was
    tried last at least. Infinite where all that was tried is as good.
    """
    least = min(off for off, _ in weighed)
    tried = sorted(float(getattr(one, control)) for _, one in weighed)
    good = [
        float(getattr(one, control)) for off, one in weighed if off <= least * (1.0 + 1.0 / frames)
    ]
    if max(good) - min(good) > _ALL * (tried[-1] - tried[0]):
        return math.inf
    finest = min(more - less for less, more in pairwise(tried) if more > less)
    return max(max(good) - min(good), finest) / 2.0


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
