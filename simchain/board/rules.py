"""Rules that orders should keep, and which of them an order breaks."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from simchain.settings import Settings, control

if TYPE_CHECKING:
    from simchain.board.models import Board, Order

# As many as a board has blocks; and half as many pairs as those have.
MOST_ENTRIES, MOST_LISTS = 64, 1000
Names = Annotated[tuple[str, ...], Field(max_length=MOST_ENTRIES)]
Several = Annotated[tuple[str, ...], Field(min_length=2, max_length=MOST_ENTRIES)]
Place = Annotated[int, Field(ge=1, le=1000)]


class Rules(Settings):
    """Which sequences are wanted, read over the front and then the loop.

    A block that an order leaves out is skipped.
    """

    first: Names = control((), "the sequence begins with these blocks, as listed")
    last: Names = control((), "the sequence ends with these blocks, as listed")
    before: Annotated[tuple[Several, ...], Field(max_length=MOST_LISTS)] = control(
        (), "in each list, every block comes before the next"
    )
    front_only: Names = control((), "never in the loop")
    loop_only: Names = control((), "never in front of the amplifier")
    together: Annotated[tuple[Several, ...], Field(max_length=MOST_ENTRIES)] = control(
        (), "in each list, blocks stand side by side"
    )
    fixed: Annotated[dict[str, Place], Field(max_length=MOST_ENTRIES)] = control(
        {}, "place of a block, counted from 1"
    )

    def blocks(self) -> Iterator[tuple[str, str]]:
        """Yield each rule's key with each block that it names."""
        for key in ("first", "last", "front_only", "loop_only", "fixed"):
            yield from ((key, name) for name in getattr(self, key))
        for key in ("before", "together"):
            yield from ((key, name) for group in getattr(self, key) for name in group)


def broken_rules(board: Board, order: Order) -> list[str]:
    """Return a plain sentence for each rule of `board` that `order` breaks."""
    rules, sequence = board.rules, order.blocks
    return [
        *_broken_ends(rules, sequence),
        *_broken_sequences(rules, sequence),
        *(
            f"front_only: '{name}' belongs in front of the amplifier, not in the loop"
            for name in rules.front_only
            if name in order.loop
        ),
        *(
            f"loop_only: '{name}' belongs in the loop, not in front of the amplifier"
            for name in rules.loop_only
            if name in order.front
        ),
        *_broken_groups(rules, sequence),
        *(
            f"fixed: '{name}' belongs at place {place}, not {sequence.index(name) + 1}"
            for name, place in rules.fixed.items()
            if name in sequence and sequence.index(name) + 1 != place
        ),
    ]


def split_boxes(board: Board, order: Order) -> list[str]:
    """Return a plain sentence for each box whose blocks `order` pulls apart or turns round.

    Blocks in one box are wired to each other inside it, in the sequence in which the board lists
    them.
    """
    boxes: dict[str, list[str]] = {}
    for name, block in board.blocks.items():
        if block.box is not None and name in order.blocks:
            boxes.setdefault(block.box, []).append(name)
    sentences = []
    for box, members in boxes.items():
        listed = ", ".join(members)
        split = 0 < sum(name in order.loop for name in members) < len(members)
        places = [order.blocks.index(name) for name in members]
        if split or max(places) - min(places) >= len(members):
            sentences.append(f"box '{box}' holds {listed}: this order pulls them apart")
        elif places != sorted(places):
            sentences.append(f"box '{box}' is wired inside as {listed}: this order turns it round")
    return sentences


def _broken_ends(rules: Rules, sequence: tuple[str, ...]) -> Iterator[str]:
    first = [name for name in rules.first if name in sequence]
    last = [name for name in rules.last if name in sequence]
    if first != list(sequence[: len(first)]):
        yield f"first: the order should begin with {_listed(first)}"
    if last != list(sequence[len(sequence) - len(last) :]):
        yield f"last: the order should end with {_listed(last)}"


def _broken_sequences(rules: Rules, sequence: tuple[str, ...]) -> Iterator[str]:
    for group in rules.before:
        present = [name for name in group if name in sequence]
        for early, late in pairwise(present):
            if sequence.index(early) > sequence.index(late):
                yield f"before: '{early}' should come before '{late}'"


def _broken_groups(rules: Rules, sequence: tuple[str, ...]) -> Iterator[str]:
    for group in rules.together:
        places = [sequence.index(name) for name in set(group) if name in sequence]
        if places and max(places) - min(places) >= len(places):
            yield f"together: {_listed(list(group))} should stand side by side"


def _listed(names: list[str]) -> str:
    quoted = [f"'{name}'" for name in names]
    return ", ".join(quoted[:-1]) + " and " + quoted[-1] if len(quoted) > 1 else quoted[0]
