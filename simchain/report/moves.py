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
    moves, two that change places, and several that go into the loop or come out of it. "Into the
    loop" and "out of the loop" alone mean that nothing was there: else the place is said too.
    """
    before, after = (_sequence(order, on) for order in (a, b))
    if sorted(before) != sorted(after) or before == after:
        return ""
    if crossing := _across(before, after):
        return f"moving {listed(crossing)} {_place(before, after, crossing)}"
    movers = [name for name in before if _without(before, name) == _without(after, name)]
    if movers:
        # There are two only where neighbours change places.
        return f"moving {movers[0]} {_place(before, after, movers[:1])}"
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


def _across(before: Sequence[str], after: Sequence[str]) -> list[str]:
    """Return the blocks that go across the split, where nothing else changes its place."""
    if _without(before, _SPLIT) != _without(after, _SPLIT):
        return []
    low, high = sorted((before.index(_SPLIT), after.index(_SPLIT)))
    return [name for name in before[low : high + 1] if name != _SPLIT]


def _place(before: Sequence[str], after: Sequence[str], names: Sequence[str]) -> str:
    """Say where `names`, neighbours in `after`, have gone: "after grit", "into the loop"."""
    was, now = _in_loop(before, names[0]), _in_loop(after, names[0])
    across = "" if was == now else "into the loop" if now else "out of the loop"
    first, last = after.index(names[0]), after.index(names[-1])
    split = after.index(_SPLIT)
    stretch = after[split + 1 :] if now else after[:split]
    if len(stretch) == len(names):
        return across
    if now and after[first - 1] == _SPLIT:
        return "to the start of the loop"
    beside = f"after {after[first - 1]}" if first else f"before {after[last + 1]}"
    return f"{across}{'' if now else ' to'} {beside}" if across else beside


def _in_loop(sequence: Sequence[str], name: str) -> bool:
    return sequence.index(name) > sequence.index(_SPLIT)
