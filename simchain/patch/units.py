"""Housings on the floor: what has jacks, a plug for its supply, and perhaps a place."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from simchain.blocks import Block
from simchain.board import Board

Jack = Literal["input", "output"]
JACKS: tuple[Jack, ...] = ("input", "output")


@dataclass(frozen=True)
class Unit:
    """A block, or neighbours that share a housing: one pair of jacks, one supply plug.

    `blocks` are its blocks in the sequence of the order. What the housing has is what its first
    block says; where that says nothing, the next.
    """

    name: str
    blocks: tuple[str, ...]
    settings: tuple[Block, ...]

    @property
    def housing(self) -> str:
        """The box it is in, or its own name: two units of one box stand in one place."""
        return self.settings[0].box or self.blocks[0]

    @property
    def size_mm(self) -> tuple[float, float] | None:
        """Width and depth, seen from above."""
        return next((block.size_mm for block in self.settings if block.size_mm), None)

    @property
    def at_mm(self) -> tuple[float, float] | None:
        """Its left front corner, from the board's left front corner; front is where one stands."""
        return next((block.at_mm for block in self.settings if block.at_mm), None)

    @property
    def input_side(self) -> str:
        """Where its input jack sits: on the right unless said (common practice, no source)."""
        return self._side("input_side") or "right"

    @property
    def output_side(self) -> str:
        """Where its output jack sits: on the left unless said (common practice, no source)."""
        return self._side("output_side") or "left"

    def side(self, jack: Jack) -> str:
        """Return the side a jack sits on."""
        return self.input_side if jack == "input" else self.output_side

    @property
    def controls_side(self) -> str | None:
        """A side on which switches or controls sit that fingers must reach."""
        return self._side("controls_side")

    @property
    def is_often_used(self) -> bool:
        """Whether a foot must find it often."""
        return any(block.reach == "often" for block in self.settings)

    @property
    def inputs(self) -> int:
        """Channels that its input jacks take."""
        return self.settings[0].inputs

    @property
    def outputs(self) -> int:
        """Channels that leave it."""
        return self.settings[-1].outputs

    def _side(self, key: str) -> str | None:
        return next((getattr(block, key) for block in self.settings if getattr(block, key)), None)


def units_in(board: Board, names: Iterable[str]) -> tuple[Unit, ...]:
    """Return the units of a row of blocks: neighbours that share a `box` are one."""
    rows: list[list[str]] = []
    for name in names:
        box = board.blocks[name].box
        if rows and box is not None and board.blocks[rows[-1][-1]].box == box:
            rows[-1].append(name)
        else:
            rows.append([name])
    return tuple(_unit(board, tuple(row)) for row in rows)


def housings(board: Board) -> tuple[Unit, ...]:
    """Return everything that stands on the board, each box once with all that is in it."""
    boxes: dict[str, list[str]] = {}
    for name, block in board.blocks.items():
        boxes.setdefault(block.box or name, []).append(name)
    return tuple(_unit(board, tuple(names)) for names in boxes.values())


def _unit(board: Board, names: tuple[str, ...]) -> Unit:
    settings = tuple(board.blocks[name] for name in names)
    name = settings[0].box if settings[0].box is not None and len(names) > 1 else names[0]
    return Unit(name, names, settings)
