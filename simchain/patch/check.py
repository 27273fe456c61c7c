"""Warnings about what feeds the blocks and where they stand, before any order is chosen."""

from collections.abc import Iterator

from simchain.board import Board, BoardWarning, Order
from simchain.patch.places import Floorplan


def check_floor(board: Board) -> list[BoardWarning]:
    """Return warnings of supply and places for all blocks of `board`.

    Codes: `power`, where the board lists outlets; `place`.
    """
    return [*_power(board), *(BoardWarning("place", "", text) for text in _places(board))]


def _power(board: Board) -> Iterator[BoardWarning]:
    if not board.supply.outlets:
        return
    from simchain.patch.power import assign

    for fault in assign(board, Order(tuple(board.blocks))).faults:
        block = fault.blocks[0] if len(fault.blocks) == 1 else ""
        yield BoardWarning("power", block, f"[supply] {fault.text}")


def _places(board: Board) -> Iterator[str]:
    return Floorplan(board).warnings()
