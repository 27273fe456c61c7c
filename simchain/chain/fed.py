"""A board fed where the guitar goes by something with a low output impedance: phone, interface.

What is on, and set, is what the passage begins with; events are left out, and so are hum and hiss
unless they are asked for.
"""

from simchain.board import Board
from simchain.board.gear import Source as Guitar
from simchain.chain.source import Source, key_of
from simchain.chain.timeline import timeline_of_passage
from simchain.signal import Signal, Volts


def fed_board(board: Board, passage: str) -> Board:
    """Return `board` with a line source, and one passage: as it begins, and stays.

    The blocks have the settings that the passage gives them. Raises RequestError for a passage
    that the board does not have.
    """
    table = board.passage(passage)
    blocks = {name: board.block_in(passage, name) for name in board.blocks}
    still = table.model_copy(update={"events": (), "set": {}})
    return board.model_copy(
        update={
            "source": Guitar(kind="line"),
            "blocks": blocks,
            "passages": {passage: still},
            "songs": {},
        }
    )


def line_source(board: Board, passage: str, volts: Volts, *, noisy: bool = False) -> Source:
    """Return the source that feeds a `fed_board` with `volts`, shape (1, frames), at its rate."""
    timeline = timeline_of_passage(board, passage)
    frames = volts.shape[1]
    return Source(Signal(volts, board.rate), timeline, 1, frames, noisy, key_of(volts))
