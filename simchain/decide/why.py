"""Why one order comes first and what it gives up: plain sentences, with the figures."""

import math
from collections.abc import Mapping, Sequence

from simchain.board import Board, Order
from simchain.decide.found import Ranked
from simchain.decide.goals import GOALS

# What is said of an order that reads better in a goal than another, and of one that reads worse.
# The two of dirt change places where dirt is to be avoided.
_SAID = {
    "levels": ("sits closer to its levels", "sits further off its levels"),
    "headroom": ("has more headroom", "has less headroom"),
    "floor": ("has less noise", "has more noise"),
    "dirt": ("has more dirt", "has less dirt"),
    "clarity": ("lets repeats stand out more", "lets repeats stand out less"),
    "width": ("has more of its energy at the sides", "has less of its energy at the sides"),
    "closeness": ("is closer to the reference order", "is further from the reference order"),
    "every_amp": ("loses less on another amplifier", "loses more on another amplifier"),
    "patching": ("needs less cable", "needs more cable"),
    "reach": (
        "hides fewer of the blocks used often behind others",
        "hides more of the blocks used often behind others",
    ),
}

# What is said in place of a number below or above all others.
_ENDLESS = {
    "levels": ("", "silence in a passage"),
    "headroom": ("none", "no ceiling at all"),
    "floor": ("none at all", "no music"),
    "closeness": ("", "silence in a passage"),
    "every_amp": ("", "silence there"),
}


def why(board: Board, ranking: Sequence[Ranked], weights: Mapping[str, float]) -> str:
    """Say by what the first of `ranking` leads, and what it gives up.

    It is held against the best of the next group, or the next order where all are one group: named
    is the goal in which it is ahead by most, with the weights that it was ranked by. What it gives
    up is that in which any other order is ahead of it by most. Where two orders read the same, as
    far as digits are shown, none is ahead.

    Raises ValueError for a ranking of none.
    """
    if not ranking:
        raise ValueError("there is no order to speak of")
    winner, *others = ranking
    name = order_words(board, winner.order)
    if not others:
        return f"{name} is the only order."
    rival = next((each for each in others if each.group != winner.group), others[0])
    lead = max(weights, key=lambda goal: _ahead(goal, winner, rival, weights))
    if _ahead(lead, winner, rival, weights) > 0.0:
        first = f"because it {_compared(board, lead, winner, rival, weights)}"
    elif winner.score == rival.score:
        first = f"by its sequence alone: {order_words(board, rival.order)} has the same score"
    else:
        first = f"by less than any figure shows, before {order_words(board, rival.order)}"
    other, lost = max(
        ((each, goal) for each in others for goal in weights),
        key=lambda pair: _ahead(pair[1], pair[0], winner, weights),
    )
    second = "No other order is ahead of it in any goal."
    if _ahead(lost, other, winner, weights) > 0.0:
        second = f"What it gives up: it {_compared(board, lost, winner, other, weights)}."
    return f"{name} comes first {first}. {second}"


def order_words(board: Board, order: Order) -> str:
    """Return an order's line of words, with the name that the board has for it, if any."""
    loop = f"| {' '.join(order.loop)}" if order.loop else ""
    words = f"{' '.join(order.front)} {loop}".strip() or "the guitar alone"
    name = next((name for name, known in board.orders.items() if known == order), "")
    return f"{name.replace('_', ' ')} ({words})" if name else words


def _ahead(goal: str, one: Ranked, other: Ranked, weights: Mapping[str, float]) -> float:
    """Return by how much `one` is ahead, in steps times weight; 0 where it is not to be seen."""
    own, others = one.costs[goal], other.costs[goal]
    if others <= own or _told(goal, one.values[goal]) == _told(goal, other.values[goal]):
        return 0.0
    return abs(weights[goal]) * (others - own)


def _compared(
    board: Board, goal: str, one: Ranked, other: Ranked, weights: Mapping[str, float]
) -> str:
    """Say how `one` reads in a goal against `other`."""
    worse = one.costs[goal] > other.costs[goal]
    said = _SAID[goal][worse != (weights[goal] < 0.0)]
    (number, unit), (others, others_unit) = (
        _told(goal, each.values[goal]) for each in (one, other)
    )
    told = number if unit == others_unit else number + unit
    return f"{said} than {order_words(board, other.order)}: {told} against {others}{others_unit}"


def _told(goal: str, value: float) -> tuple[str, str]:
    """Return a goal's value as it is said in a sentence: the number, and what follows it."""
    digits = GOALS[goal].digits
    size, signed = f"{abs(value):.{digits}f}", f"{round(value, digits) + 0.0:.{digits}f}"
    if math.isinf(value):
        return _ENDLESS.get(goal, ("none", "none"))[value > 0.0], ""
    match goal:
        case "levels":
            return size, " LU off"
        case "headroom":
            return size, " dB too little" if value < 0.0 else " dB"
        case "floor" | "dirt":
            than = "music" if goal == "floor" else "tone"
            return size, f" dB {'below' if value < 0.0 else 'above'} the {than}"
        case "width":
            return f"{100.0 * value:.0f}", " %"
        case "every_amp":
            return signed, " steps"
        case _:
            return signed, f" {GOALS[goal].unit}".rstrip()
