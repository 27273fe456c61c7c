"""The level at every test point of one order, in every passage."""

from collections.abc import Sequence

from simchain.board import Board, Order
from simchain.chain.render import render
from simchain.chain.walk import Rendering


def levels(
    board: Board,
    order: str | Order,
    *,
    passages: Sequence[str] | None = None,
    amp: str | None = None,
) -> tuple[Rendering, ...]:
    """Render `order` in `passages` (default all); keep levels and noise floors at test points.

    `amp` puts an amplifier of the board in place of the one in [output].

    Raises RequestError for names that the board does not have, ClipError for its clips.
    """
    chosen = tuple(passages or board.passages)
    for passage in chosen:
        board.passage(passage)
    return tuple(
        render(board, order, passage, amp=amp, points=False, floors=True) for passage in chosen
    )
