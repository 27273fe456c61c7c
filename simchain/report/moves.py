"""How one order becomes another, in words: "moving push after grit"."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from simchain.report.wording import listed

_SPLIT = "|"


def move_words(
    a: Mapping[str, Any], b: Mapping[str, Any], on: Collection[str] | None = None
) -> str:
    """Say what makes order `b` of order `a`, each with its `front` and `loop`; '' where no few
    words do.

    With `on` only those blocks count: what is off may stand anywhere. Told are one block that
    moves, two that change places, and several that go into the loop or come out of it.
    """
    before, after = (_sequence(order, on) for order in (a, b))
    if sorted(before) != sorted(after) or before == after:
        return ""
    if crossing := _across(before, after):
        return crossing
    movers = [name for name in before if _without(before, name) == _without(after, name)]
    movers = [name for name in movers if name != _SPLIT]
    if movers:
        mover = min(movers, key=lambda name: abs(before.index(name) - after.index(name)))
        return f"moving {mover} {_place(after, mover)}"
    apart = [place for place, name in enumerate(before) if name != after[place]]
    if len(apart) == 2 and _SPLIT not in (before[apart[0]], before[apart[1]]):
        return f"exchanging {listed([before[place] for place in apart])}"
    return ""


def _sequence(order: Mapping[str, Any], on: Collection[str] | None) -> list[str]:
    front, loop = (
        [name for name in order[part] if on is None or name in on] for part in ("front", "loop")
    )
    return [*front, _SPLIT, *loop]


def _without(sequence: Sequence[str], name: str) -> list[str]:
    return [each for each in sequence if each != name]


def _across(before: Sequence[str], after: Sequence[str]) -> str:
    """Say which blocks go across the split, where nothing else changes its place."""
    if _without(before, _SPLIT) != _without(after, _SPLIT):
        return ""
    cut, its = before.index(_SPLIT), after.index(_SPLIT)
    names = listed(before[its:cut] if its < cut else after[cut:its])
    return f"moving {names} into the loop" if its < cut else f"moving {names} out of the loop"


def _place(sequence: Sequence[str], name: str) -> str:
    """Say where a block stands: after which other, or what begins with it."""
    place = sequence.index(name)
    neighbour = sequence[place - 1] if place else None
    if neighbour == _SPLIT:
        return "to the start of the loop"
    if neighbour is not None:
        return f"after {neighbour}"
    follower = sequence[place + 1]
    return "to the front" if follower == _SPLIT else f"before {follower}"
