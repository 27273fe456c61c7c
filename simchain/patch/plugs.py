"""What each unit asks of the supply, and plugs and outlets as the numbers `plugging` works on.

A unit is a housing: a box of several blocks has one plug and draws the sum of all that is in it,
also of blocks that the order leaves out. A fifth more current than it draws is kept for it (common
practice, no source). One that draws nothing and says nothing of a supply has no plug.

What a plug takes is what the unit's label says: any voltage of `supply_range_volts`, or else
`supply_volts` exactly, and its polarity.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from simchain.blocks import Block
from simchain.board import Board, Order
from simchain.board.gear import Outlet
from simchain.patch.plugging import Plugging
from simchain.patch.units import Unit, housings

MARGIN = 1.2
SAME_VOLTS = 1e-6
GRID_PER_MA = 100

OF_THE_SUPPLY = ("supply_volts", "supply_range_volts", "polarity")


@dataclass(frozen=True)
class Plug:
    """What one unit asks of the supply.

    `supply_volts` is what its sound is rendered with. `lowest_volts` to `highest_volts` is what it
    takes; the lowest is above the highest where its blocks have none in common, and `polarity`
    None where they contradict each other. `needed_ma` has the margin in it.
    """

    unit: str
    blocks: tuple[str, ...]
    supply_volts: float
    lowest_volts: float
    highest_volts: float
    polarity: str | None
    needed_ma: float
    is_digital: bool

    def takes(self, volts: float) -> bool:
        """Whether it may be fed that voltage."""
        return self.lowest_volts - SAME_VOLTS <= volts <= self.highest_volts + SAME_VOLTS

    def is_rendered_with(self, volts: float) -> bool:
        """Whether that is the voltage its sound is rendered with."""
        return abs(self.supply_volts - volts) <= SAME_VOLTS

    def suits(self, outlet: Outlet) -> bool:
        """Whether the outlet has a voltage and a polarity that it takes."""
        return self.takes(outlet.volts) and outlet.polarity == self.polarity


@dataclass(frozen=True)
class Fed:
    """An outlet with the plugs in it, none where it stays free."""

    outlet: Outlet
    plugs: tuple[Plug, ...]

    @property
    def needed_ma(self) -> float:
        """What its plugs need together, with the margin."""
        return sum(plug.needed_ma for plug in self.plugs)

    @property
    def is_shared_with_digital(self) -> bool:
        """Whether several units hang on it and one of them is digital."""
        return len(self.plugs) > 1 and any(plug.is_digital for plug in self.plugs)


def plugs_of(board: Board, order: str | Order) -> tuple[Plug, ...]:
    """Return the plugs of the units that `order` uses, in the sequence of the board."""
    used = set(board.order(order).blocks)
    return tuple(
        _plug(unit)
        for unit in housings(board)
        if used.intersection(unit.blocks) and any(map(_is_powered, unit.settings))
    )


def fit_together(plugs: Sequence[Plug], outlet: Outlet) -> bool:
    """Whether the outlet has a voltage and a polarity they all take, and current for them all."""
    needed = sum(_grid_up(plug.needed_ma) for plug in plugs)
    return all(plug.suits(outlet) for plug in plugs) and needed <= _grid_down(outlet.ma)


def plugging(plugs: Sequence[Plug], outlets: Sequence[Outlet]) -> Plugging:
    """Return plugs and outlets as numbers; needs are rounded up and what is there is down."""
    suits = tuple(
        tuple(number for number, outlet in enumerate(outlets) if plug.suits(outlet))
        for plug in plugs
    )
    return Plugging(
        needs=tuple(_grid_up(plug.needed_ma) for plug in plugs),
        suits=suits,
        rendered=tuple(
            frozenset(at for at in those if plug.is_rendered_with(outlets[at].volts))
            for plug, those in zip(plugs, suits, strict=True)
        ),
        digital=tuple(plug.is_digital for plug in plugs),
        gives=tuple(_grid_down(outlet.ma) for outlet in outlets),
        isolated=tuple(outlet.isolated for outlet in outlets),
    )


def _grid_up(ma: float) -> int:
    return math.ceil(round(ma * GRID_PER_MA, 6))


def _grid_down(ma: float) -> int:
    return math.floor(round(ma * GRID_PER_MA, 6))


def _is_powered(block: Block) -> bool:
    return block.current_ma > 0.0 or _says(block, *OF_THE_SUPPLY)


def _says(block: Block, *keys: str) -> bool:
    return not block.model_fields_set.isdisjoint(keys)


def _plug(unit: Unit) -> Plug:
    """Return what a unit asks for: in a box, what each block says of the supply must hold."""
    volts = _saying(unit, "supply_volts", "supply_range_volts")
    ranges = [block.supply_range_volts or (block.supply_volts,) * 2 for block in volts]
    polarities = {block.polarity for block in _saying(unit, "polarity")}
    return Plug(
        unit=unit.name,
        blocks=unit.blocks,
        supply_volts=_saying(unit, "supply_volts")[0].supply_volts,
        lowest_volts=max(low for low, _ in ranges),
        highest_volts=min(high for _, high in ranges),
        polarity=polarities.pop() if len(polarities) == 1 else None,
        needed_ma=MARGIN * sum(block.current_ma for block in unit.settings),
        is_digital=any(block.is_digital for block in unit.settings),
    )


def _saying(unit: Unit, *keys: str) -> Sequence[Block]:
    """Return the blocks that say something by themselves, or all where none does."""
    return [block for block in unit.settings if _says(block, *keys)] or unit.settings
