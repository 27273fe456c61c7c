"""Warnings about what feeds the blocks and where they stand, before any order is chosen."""

from collections.abc import Iterator

from simchain.board import Board, BoardWarning, Order
from simchain.patch.places import Floorplan
from simchain.patch.plugging import plain_places
from simchain.patch.plugs import plugging, plugs_of


def check_floor(board: Board) -> list[BoardWarning]:
    """Return warnings of supply and places for all blocks of `board`.

    Codes: `power`, where the board lists outlets; `place`.
    """
    places = (BoardWarning("place", "", text) for text in Floorplan(board).warnings())
    return [*_power(board), *places]


def _power(board: Board) -> Iterator[BoardWarning]:
    everything, outlets = Order(tuple(board.blocks)), board.supply.outlets
    # A board that is fed plainly has no faults, and the solver takes as long to load as all else.
    if not outlets or plain_places(plugging(plugs_of(board, everything), outlets)) is not None:
        return
    from simchain.patch.power import assign

    for fault in assign(board, everything).faults:
        block = fault.blocks[0] if len(fault.blocks) == 1 else ""
        yield BoardWarning("power", block, f"[supply] {fault.text}")
