"""What a good order does: goals, what they read, and what an order is charged for each.

All orders are looked at at once, as arrays of shape (orders,). A goal has a value in its own unit
and a cost: how far the value falls short, in steps that matter, 0 being as good as it gets.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from simchain.board import Board, Order
from simchain.decide.score import PARTS, UNITS
from simchain.decide.targets import Target, targets_of
from simchain.errors import RequestError, unknown_name
from simchain.patch.cables import Patching

Floats = NDArray[np.float64]

# Room for a hard attack that the clip does not hold (common practice, no source).
ENOUGH_HEADROOM_DB = 6.0
# For sounds in dB the step is what the score counts as one of dirt; the share of the energy at the
# sides has its own there. 1 LU, 3 dB of headroom and 1 m of cable are ours.
_DB_STEP = UNITS[PARTS.index("dirt")]
_WIDTH_STEP = UNITS[PARTS.index("width")]
_EVERY_AMP = "every_amp"


@dataclass(frozen=True)
class Goal:
    """A goal: its `unit`, how much of that is one `step`, and `digits` behind the point.

    `words` name its value at the head of a column. `reads` is the field of `Readings` that it
    takes from each passage. The cost counts from the best order where `from_best`, else from 0.
    """

    name: str
    unit: str
    step: float
    digits: int
    words: str
    reads: str = ""
    more_is_better: bool = False
    from_best: bool = True


GOALS = {
    goal.name: goal
    for goal in (
        Goal("levels", "LU", 1.0, 1, "off its levels", "lufs", from_best=False),
        Goal("headroom", "dB", 3.0, 1, "headroom", "headroom_db", True, from_best=False),
        Goal("floor", "dB", _DB_STEP, 1, "noise against the music", "floor_db"),
        Goal("dirt", "dB", _DB_STEP, 1, "dirt against the tone", "dirt_db", True),
        Goal("clarity", "dB", _DB_STEP, 1, "repeats stand out by", "clarity_db", True),
        Goal("width", "of the energy", _WIDTH_STEP, 2, "at the sides", "width", True),
        Goal("closeness", "", 1.0, 1, "score against the reference", "apart", from_best=False),
        Goal(_EVERY_AMP, "", 1.0, 1, "worse on another amplifier by", from_best=False),
        Goal("patching", "m", 1.0, 2, "cable"),
        Goal("reach", "", 1.0, 0, "used often and behind others"),
    )
}


# Counted from the order alone, without a sound.
FLOOR_GOALS = ("patching", "reach")


@dataclass(frozen=True, eq=False)
class Readings:
    """What one passage reads in each order: arrays of shape (orders,), None where no goal asks.

    `lufs`: loudness at `out`, -inf for silence. `headroom_db`: the least room below a rail anywhere
    on the path, negative where it clips, inf without rails. `width`: the side's share of the
    energy, 0 to 1. `floor_db`: hiss and hum while nobody plays, less the passage's loudness.
    `dirt_db`: 10 log10 of the share of tones that is residual (`decide.dirt`, its least share
    added, so that what counts as no dirt reads alike). `clarity_db`: how far repeats stand out of
    what lies between them. `apart`: the score against the reference order.

    Raises ValueError for a number that is none (NaN) and for arrays of different shapes.
    """

    lufs: Floats
    headroom_db: Floats
    width: Floats
    floor_db: Floats | None = None
    dirt_db: Floats | None = None
    clarity_db: Floats | None = None
    apart: Floats | None = None

    def __post_init__(self) -> None:
        for field in fields(self):
            values = getattr(self, field.name)
            if values is None:
                continue
            if values.shape != self.lufs.shape:
                raise ValueError(f"{field.name} has shape {values.shape}, not {self.lufs.shape}")
            if np.isnan(values).any():
                raise ValueError(f"{field.name} of order {np.isnan(values).argmax()} is no number")


@dataclass(frozen=True, eq=False)
class Table:
    """All orders by all goals that count, arrays of shape (orders,).

    `values` are in each goal's own unit, `costs` in its steps, 0 or more, inf where an order is
    silent; `score` is the sum of |weight| times cost, less is better. None is ever NaN.
    """

    values: Mapping[str, Floats]
    costs: Mapping[str, Floats]
    score: Floats


def weights_of(
    board: Board, passages: Sequence[str], *, has_amplifier: bool
) -> tuple[dict[str, float], tuple[str, ...]]:
    """Return the goals that count with their weights, in a fixed sequence, and warnings.

    A goal with a weight that cannot be counted on this board is left out and warned of. Where none
    is left (`every_amp` alone has nothing to hold), levels and headroom are taken.

    Raises RequestError for a reference that is no order of the board.
    """
    given = {name: float(getattr(board.goals, name)) for name in GOALS}
    given = {name: weight for name, weight in given.items() if weight}
    faults = {name: _fault(name, board, passages, has_amplifier) for name in given}
    warnings = [
        f"[goals] {name} is not counted: {fault}" for name, fault in faults.items() if fault
    ]
    weights = {name: weight for name, weight in given.items() if not faults[name]}
    if not weights.keys() - {_EVERY_AMP}:
        taken = ("levels", "headroom") if _targets(board, passages) else ("headroom",)
        weights = dict.fromkeys(taken, 1.0) | weights
        chosen = " and ".join(f"{name} = 1" for name in taken)
        warnings.append(
            f"no goal {'that can be counted ' if given else ''}has a weight, so {chosen} "
            f"{'is' if len(taken) == 1 else 'are'} taken; write weights into the board's [goals]: "
            f"{', '.join(GOALS)}"
        )
    return weights, tuple(warnings)


def table(
    board: Board,
    passages: Sequence[str],
    readings: Mapping[str, Readings],
    weights: Mapping[str, float],
    *,
    on_the_floor: Mapping[str, Floats] | None = None,
    on_amps: Sequence[Table] = (),
) -> Table:
    """Return what every order reads and is charged for each goal in `weights`.

    `readings` are those of each of `passages`. A passage counts by its weight on the board; all
    alike where none has any. `on_the_floor` are the figures of the `FLOOR_GOALS`; `on_amps` are the
    tables of the same orders on the other amplifiers, for `every_amp`.

    - levels: the root mean square, over passages with a target, of what is reached less the target
    - headroom: the least of all passages; it costs what is missing to 6 dB
    - floor, dirt, clarity, width: the mean of all passages; the cost counts from the best order
    - closeness: the passage that is furthest off
    - every_amp: the most by which the score of the other goals is worse on another amplifier
    - patching: metres of cable, counted from the shortest
    - reach: units used often that the foot reaches only over others, counted from the fewest

    Raises ValueError where a goal lacks its readings.
    """
    shares = _shares(board, passages)
    values: dict[str, Floats] = {}
    costs: dict[str, Floats] = {}
    for name, weight in weights.items():
        if name == _EVERY_AMP:
            continue
        if name == "levels":
            values[name] = _off_levels(_targets(board, passages), readings, shares)
        elif name in FLOOR_GOALS:
            values[name] = _given((on_the_floor or {}).get(name), "figures from the floor")
        else:
            values[name] = _joined(name, weight, readings, shares)
        costs[name] = _cost(name, values[name], weight)
    if _EVERY_AMP in weights:
        others = [{name: amp.costs[name] for name in costs} for amp in on_amps]
        own, *elsewhere = (_score(each, weights) for each in (costs, *others))
        values[_EVERY_AMP] = costs[_EVERY_AMP] = _falls_back(own, elsewhere)
    values, costs = ({name: each[name] for name in weights} for each in (values, costs))
    return Table(values, costs, _score(costs, weights))


def on_the_floor(board: Board, orders: Sequence[Order], goals: Iterable[str]) -> dict[str, Floats]:
    """Return what those of `goals` that are `FLOOR_GOALS` read in each order."""
    patching = Patching(board)
    counts = {"patching": patching.metres, "reach": patching.hidden}
    return {
        name: np.array([counts[name](order) for order in orders], dtype=np.float64)
        for name in goals
        if name in FLOOR_GOALS
    }


def _fault(name: str, board: Board, passages: Sequence[str], has_amplifier: bool) -> str:
    """Say why a goal cannot be counted, or return ''."""
    if name == "levels" and not _targets(board, passages):
        return (
            f"no passage of {', '.join(passages)} has a target: give one how far it should be "
            'above another, above = { passage = "NAME", lu = 3.0 }, or target_lufs'
        )
    if name == "closeness":
        reference = board.goals.reference
        if reference is None:
            known = ", ".join(board.orders) or "none"
            return f'name the order to be close to, reference = "NAME" (there are: {known})'
        if reference not in board.orders:
            raise RequestError(
                f"[goals] reference: {unknown_name('order', reference, board.orders)}"
            )
    if name == _EVERY_AMP and not has_amplifier:
        return "the orders end at a mixer's input"
    if name == _EVERY_AMP and len(board.amps) < 2:
        return f"it needs two amplifiers, and this board has {len(board.amps)}"
    if name == "reach" and not any(block.reach == "often" for block in board.blocks.values()):
        return 'no block has reach = "often"'
    if name == "reach" and not (
        any(block.at_mm for block in board.blocks.values()) or board.floor.size_mm
    ):
        return "no block says where it stands: give at_mm, or [floor] size_mm and every size_mm"
    return ""


def _shares(board: Board, passages: Sequence[str]) -> dict[str, float]:
    """Return the passages that count, each with its weight."""
    weights = {name: board.passage(name).weight for name in passages}
    return {n: w for n, w in weights.items() if w > 0.0} or dict.fromkeys(passages, 1.0)


def _targets(board: Board, passages: Sequence[str]) -> tuple[Target, ...]:
    """Return the targets of passages that count, held against passages that are there."""
    played = [board.passage(name) for name in passages]
    if all(each.above is None and each.target_lufs is None for each in played):
        return ()
    shares = _shares(board, passages)
    found = targets_of(board, passages)[1]
    return tuple(t for t in found if t.passage in shares and set(t.passages) <= set(passages))


def _given(values: Floats | None, what: str) -> Floats:
    if values is None:
        raise ValueError(f"a goal asks for {what}, and there is none")
    return values


def _off_levels(
    targets: Sequence[Target], readings: Mapping[str, Readings], shares: Mapping[str, float]
) -> Floats:
    """Return how far passages are off their targets, in LU; inf where one is silent."""
    squares, silent, counted = [], [], []
    for target in targets:
        heard = [readings[name].lufs for name in target.passages]
        silent += [np.isinf(lufs) for lufs in heard]
        reached = [np.where(np.isinf(lufs), 0.0, lufs) for lufs in heard]
        squares.append((reached[0] - (reached[1] if target.against else 0.0) - target.lu) ** 2)
        counted.append(shares[target.passage])
    if not targets:
        raise ValueError("the goal of levels needs a passage with a target")
    off = np.sqrt(np.average(squares, axis=0, weights=counted))
    return np.where(np.any(silent, axis=0), np.inf, off)


def _joined(
    name: str, weight: float, readings: Mapping[str, Readings], shares: Mapping[str, float]
) -> Floats:
    """Return one value for all passages that read something for this goal."""
    read = {each: getattr(readings[each], GOALS[name].reads) for each in shares}
    there = [each for each in read if read[each] is not None]
    if not there:
        raise ValueError(f"the goal {name} needs readings of {GOALS[name].reads}")
    columns = np.array([read[each] for each in there], dtype=np.float64)
    if name == "headroom":
        return np.asarray(columns.min(axis=0))
    if name == "closeness":
        return np.asarray(columns.max(axis=0))
    worst = -math.inf if _more_is_better(name, weight) else math.inf
    return _mean(columns, np.array([shares[each] for each in there]), worst)


def _mean(columns: Floats, weights: Floats, worst: float) -> Floats:
    """Return the weighted mean of the rows; one that is infinite decides, the worse one first."""
    mean = weights @ np.where(np.isinf(columns), 0.0, columns) / weights.sum()
    mean[(columns == -worst).any(axis=0)] = -worst
    mean[(columns == worst).any(axis=0)] = worst
    return np.asarray(mean)


def _more_is_better(name: str, weight: float) -> bool:
    """Whether more is wanted; a weight below 0 turns it round."""
    return GOALS[name].more_is_better == (weight > 0.0)


def _cost(name: str, values: Floats, weight: float) -> Floats:
    """Return how far values fall short, in steps."""
    goal = GOALS[name]
    lacking = -values if _more_is_better(name, weight) else values
    best = -ENOUGH_HEADROOM_DB if name == "headroom" else 0.0
    if goal.from_best:
        best = float(lacking.min(where=np.isfinite(lacking), initial=math.inf))
        best = best if math.isfinite(best) else 0.0
    return np.maximum(lacking - best, 0.0) / goal.step


def _score(costs: Mapping[str, Floats], weights: Mapping[str, float]) -> Floats:
    """Return the sum of |weight| times cost."""
    if not costs:
        raise ValueError("a score needs a goal, and one that is not every_amp")
    return np.asarray(sum(abs(weights[name]) * cost for name, cost in costs.items()))


def _falls_back(own: Floats, others: Sequence[Floats]) -> Floats:
    """Return by how much the worst of other amplifiers is worse; 0 for an order that is silent."""
    worst = np.maximum.reduce([own, *others])
    return np.subtract(worst, own, out=np.zeros_like(own), where=np.isfinite(own))
