"""By how much two boards of one plan read apart, and how unlikely a difference is.

A reading's tolerance is a base for what no model has, and what each control of a real unit moves it
when it is a little off; what other phases of the modulators change, too. The readings move
together: a level that is off moves all of them. So a difference is weighed by the whole covariance
of the readings, of first order in each control's own tolerance.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block
from simchain.board.models import OF_THE_UNIT
from simchain.fit.aligning import SAME_MARKER, likeness
from simchain.fit.traits import OF_LEVEL, Traits, base_db, readings
from simchain.fit.wired import Simulation, Wired
from simchain.settings import limits_of, unit_of

Floats = NDArray[np.float64]

# Standard deviations of a real board's controls: levels and gains, and all else as a share.
OFF_DB, OFF_SHARE = 0.2, 0.02
# What slopes are taken from, in decibels and as a share.
_STEP_DB, _STEP_SHARE = 1.0, 0.05
# Boards that are played with everything off at random, and how much of what they part by is
# counted reading by reading: few boards cannot tell which readings move together.
REAL_BOARDS, _APART = 24, 0.5
# How well an interface's own levels are known without a loop-back.
UNKNOWN_GAIN_DB = 20.0
_IN_DB = ("dB", "dBu")
# A difference beyond so many decibels counts no more.
_MOST_DB = 25.0
# What it weighs that a board is surely the other way up.
WRONG_WAY_UP = 250.0


@dataclass(frozen=True, eq=False)
class Expected:
    """What the board as planned reads, and how readings of real boards spread about it.

    `db` is the mean over modulators' phases, `still` at the phase in which all faults are played.
    `covariance` is that of the readings, `by_slopes` the share of it that each control's own
    tolerance explains. `whiten` times a difference of readings has a length whose square is how
    many squared standard deviations it is; `log_volume` is the logarithm of the determinant, for
    a wide spread makes everything likely, and each thing less so.
    """

    db: Floats
    still: Traits
    by_slopes: Floats
    covariance: Floats
    calibrated: bool

    @property
    def spread_db(self) -> Floats:
        """The standard deviation of each reading."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @cached_property
    def whiten(self) -> Floats:
        """See the class."""
        return np.asarray(np.linalg.inv(np.linalg.cholesky(self.covariance)))

    @property
    def log_volume(self) -> float:
        """See the class."""
        return -2.0 * float(np.log(np.diag(self.whiten)).sum())

    def misfit(self, heard: Traits, board: Traits) -> float:
        """Return how far a board is from what was heard, in squared standard deviations."""
        return float(np.square(self.off(heard, board)).sum()) + self.way_up(heard, board)

    def off(self, heard: Traits, board: Traits) -> Floats:
        """Return the whitened difference of readings."""
        there = self.db + (board.db - self.still.db)
        apart = np.clip(heard.db - there, -_MOST_DB, _MOST_DB)
        return np.asarray(self.whiten @ apart)

    def way_up(self, heard: Traits, board: Traits) -> float:
        """Return what it weighs that a board is surely of the other polarity; 0 where it is not."""
        if not self.calibrated or likeness(heard.marker, board.marker) > -SAME_MARKER:
            return 0.0
        return WRONG_WAY_UP


def expected(simulation: Simulation, wired: Wired, *, calibrated: bool) -> Expected:
    """Play the board as planned, with each control a little off, and as many real boards.

    What controls move in proportion is known by slopes; what is left of the spread between real
    boards, such as echoes that meet a steady tone in step or out of it, is taken as it is found.
    """
    off = list(_a_little_off(wired))
    played = simulation.traits(
        [wired, *(board for board, _ in off), *real_boards(wired, wired, REAL_BOARDS)]
    )
    still = played[0]
    columns = [
        (one.db - still.db) * share
        for one, (_, share) in zip(played[1 : len(off) + 1], off, strict=True)
    ]
    moved = np.stack(columns, axis=1)
    by_slopes = np.diag(base_db() ** 2) + moved @ moved.T
    return spread(still, played[len(off) + 1 :], by_slopes, calibrated=calibrated)


def spread(
    still: Traits, real: Sequence[Traits], by_slopes: Floats, *, calibrated: bool
) -> Expected:
    """Return what `real` boards read, and how they spread beyond what `by_slopes` explains."""
    lines = np.stack([one.db for one in real])
    mean = lines.mean(axis=0)
    base = base_db() ** 2
    left = base * np.linalg.solve(by_slopes, (lines - mean).T).T / np.sqrt(len(real) - 1.0)
    covariance = by_slopes + _APART * np.diag(np.square(left).sum(axis=0))
    covariance += (1.0 - _APART) * left.T @ left
    if not calibrated:
        gain = np.array([UNKNOWN_GAIN_DB * (one.family in OF_LEVEL) for one in readings()])
        covariance += np.outer(gain, gain)
    return Expected(mean, still, by_slopes, covariance, calibrated)


def real_boards(wired: Wired, plan: Wired, count: int) -> list[Wired]:
    """Return boards with every control of the plan's blocks off by its tolerance, at any phase."""
    return [_real(wired, plan, seed) for seed in range(count)]


def _a_little_off(wired: Wired) -> Iterator[tuple[Wired, float]]:
    """Yield boards with one control off, and what its tolerance is of that."""
    for name in wired.on:
        block = wired.board.blocks[name]
        for control in toleranced(block):
            moved = _moved(block, control, 1.0, _STEP_DB, _STEP_SHARE)
            share = OFF_DB / _STEP_DB if _in_db(block, control) else OFF_SHARE / _STEP_SHARE
            yield wired.turned(name, control, moved), share


def _real(wired: Wired, plan: Wired, seed: int) -> Wired:
    rng = np.random.default_rng(seed)
    turn = float(rng.random())
    for name in plan.names:
        if name not in wired.on:
            continue
        for control in toleranced(wired.board.blocks[name]):
            way = float(rng.standard_normal())
            moved = _moved(wired.board.blocks[name], control, way, OFF_DB, OFF_SHARE)
            wired = wired.turned(name, control, moved)
    return replace(wired, turn=turn)


def _moved(block: Block, control: str, way: float, step_db: float, step_share: float) -> float:
    """Return where a control stands that is off by `way` steps; the other way at its limit."""
    planned = _standing(block, control)
    step = step_db if _in_db(block, control) else planned * step_share
    low, high = limits_of(type(block).model_fields[control])
    moved = planned + way * step
    if (high is not None and moved > high) or (low is not None and moved < low):
        return planned - way * step
    return moved


def _in_db(block: Block, control: str) -> bool:
    return unit_of(type(block).model_fields[control]) in _IN_DB


def toleranced(block: Block) -> Sequence[str]:
    """Return the controls of a block that are a little off on a real one."""
    found = []
    for name, field in type(block).model_fields.items():
        if name in OF_THE_UNIT or name in ("bpm", "phase"):
            continue
        value = block.delay_ms if name == "time_ms" else getattr(block, name)  # type: ignore[attr-defined]
        is_number = isinstance(value, int | float) and not isinstance(value, bool | int)
        in_db = unit_of(field) in _IN_DB
        if is_number and (in_db or value != 0.0) and not (name == "level_db" and block.pot):
            found.append(name)
    return found


def _standing(block: Block, control: str) -> float:
    if control == "time_ms":
        return float(block.delay_ms)  # type: ignore[attr-defined]
    return float(getattr(block, control))
