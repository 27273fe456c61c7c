"""Every kind takes its pairs of numbers from a board file."""

import pytest

from simchain.blocks import kinds
from simchain.board.read import read_board


@pytest.mark.parametrize("kind", sorted(kinds()))
def test_every_kind_has_a_place_and_a_supply(kind: str) -> None:
    board = read_board(
        f'[blocks.a]\nkind = "{kind}"\nsize_mm = [40, 93]\nat_mm = [1, 2.5]\n'
        'supply_range_volts = [9, 18]\n[orders.one]\nfront = ["a"]\n[passages.all]\n'
    )
    block = board.blocks["a"]
    assert (block.size_mm, block.at_mm) == ((40.0, 93.0), (1.0, 2.5))
    assert block.supply_range_volts == (9.0, 18.0)
