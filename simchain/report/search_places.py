"""Where a block of an order may also stand, in words.

A group is that of a `search_document`, an order its `front` and `loop`.
"""

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby, pairwise
from typing import Any, Literal, NamedTuple

from simchain.report.wording import listed

Stretch = Literal["front", "loop"]
Facts = Mapping[str, Any]


def free_sentence(order: Facts, block: str, others: Sequence[Facts]) -> str:
    """Say where a block may also stand: "room may also stand before sweep or in the loop"."""
    return f"{block} may also stand {_either(free_places(order, block, others))}"


def free_sentences(group: Facts) -> list[str]:
    """Say it of all blocks of a group, of those with the same places at once."""
    blocks: dict[str, list[str]] = {}
    for free in group["free_places"]:
        places = _either(free_places(group["representative"], free["block"], free["orders"]))
        blocks.setdefault(places, []).append(free["block"])
    return [f"{listed(names)} may also stand {places}" for places, names in blocks.items()]


def free_notes(group: Facts) -> dict[str, str]:
    """Say it beside each block that may move: "or before sweep; or in the loop"."""
    order = group["representative"]
    return {
        free["block"]: "; ".join(
            f"or {words}" for words in free_places(order, free["block"], free["orders"])
        )
        for free in group["free_places"]
    }


def free_places(order: Facts, block: str, others: Sequence[Facts]) -> list[str]:
    """Return the places where `block` stands in `others`, orders that differ from `order` by it.

    Places beside each other are one: "anywhere between press and room".
    """
    home = _Place.of(order, block)
    places = {_Place.of(other, block) for other in others} | {home}
    runs = [
        _Run(home, stretch, [name for name in order[stretch] if name != block], run)
        for stretch in ("front", "loop")
        for run in _runs(place.slot for place in places if place.stretch == stretch)
    ]
    split = bool(order["loop"]) or any(run.stretch == "loop" for run in runs)
    told = [run.words(split) for run in runs if not run.is_home_alone]
    for one, two in pairwise(runs):
        if one.ends_front and two.begins_loop:
            across = f"{_between(one.before, two.after)}, in front or in the loop"
            told = [words for words in told if words not in (one.words(split), two.words(split))]
            told.insert(sum(not run.is_home_alone for run in runs[: runs.index(one)]), across)
    return told


class _Place(NamedTuple):
    """Where a block stands: in which stretch, and how many blocks of it stand before."""

    stretch: Stretch
    slot: int

    @classmethod
    def of(cls, order: Facts, block: str) -> "_Place":
        stretch: Stretch = "front" if block in order["front"] else "loop"
        return cls(stretch, order[stretch].index(block))


class _Run(NamedTuple):
    """Places beside each other in one stretch, told from the block's own, `home`.

    `slots` count the blocks of `rest`, the stretch without the block, that stand before it.
    """

    home: _Place
    stretch: Stretch
    rest: Sequence[str]
    slots: Sequence[int]

    @property
    def before(self) -> str:
        """The block in front of all these places, '' where there is none."""
        return self.rest[self.slots[0] - 1] if self.slots[0] > 0 else ""

    @property
    def after(self) -> str:
        """The block behind them, '' where there is none."""
        return self.rest[self.slots[-1]] if self.slots[-1] < len(self.rest) else ""

    @property
    def has_home(self) -> bool:
        return self.stretch == self.home.stretch and self.home.slot in self.slots

    @property
    def is_home_alone(self) -> bool:
        return self.has_home and len(self.slots) == 1

    @property
    def ends_front(self) -> bool:
        return self.stretch == "front" and not self.after and len(self.slots) > 1

    @property
    def begins_loop(self) -> bool:
        return self.stretch == "loop" and not self.before and len(self.slots) > 1

    def words(self, split: bool) -> str:
        """Say which places they are; `split`: there is a loop to be told from the front."""
        where = "in the loop" if self.stretch == "loop" else "in front"
        if self.has_home and len(self.slots) == 2:
            at = self.home.slot
            return (
                f"before {self.rest[at - 1]}" if at == self.slots[1] else f"after {self.rest[at]}"
            )
        if not self.rest:
            return where
        if len(self.slots) == len(self.rest) + 1:
            return f"anywhere {where}" if split else "anywhere"
        words = _between(self.before, self.after)
        if len(self.slots) == 1:
            words = f"before {self.after}" if self.after else f"after {self.before}"
        return words if self.stretch == self.home.stretch else f"{where}, {words}"


def _runs(slots: Iterable[int]) -> list[list[int]]:
    """Return whole numbers as runs without a gap."""
    numbered = enumerate(sorted(slots))
    return [[slot for _, slot in run] for _, run in groupby(numbered, lambda one: one[1] - one[0])]


def _between(before: str, after: str) -> str:
    if before and after:
        return f"anywhere between {before} and {after}"
    if not before and not after:
        return "anywhere"
    return f"anywhere after {before}" if before else f"anywhere before {after}"


def _either(words: Sequence[str]) -> str:
    return " or ".join(filter(None, ("; ".join(words[:-1]), words[-1])))
