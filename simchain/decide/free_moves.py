"""Where each block of an order may stand without a difference being expected, one moved at a time.

For whoever moves blocks by hand and wants to see at once which places are free: passages are heard
whole, at half the rate and at fewer phases of what sways (`decide.runs`), so that all moves are
known in seconds. `swaps` and `compare` judge at full quality.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from threading import Event

import numpy as np

from simchain.board import Allowed, Board, Order
from simchain.chain.render import amp_name
from simchain.chain.unchanged import of_unchanged_sounds
from simchain.decide.engine import engine
from simchain.decide.listen import Progress
from simchain.decide.moves import ascending, neighbours
from simchain.decide.runs import COARSE, Pass
from simchain.decide.trial import Asked, Trial

WHOLE = Pass("coarse", COARSE.rate, None, COARSE.takes)


@dataclass(frozen=True)
class FreeMove:
    """A block that may stand elsewhere, alone: the order that makes, and by how much it is louder.

    `louder_lu` is the largest difference in level of any passage, in LU. What is `proved` is the
    very same sound.
    """

    block: str
    order: Order
    louder_lu: float
    proved: bool


@of_unchanged_sounds
def free_moves(
    board: Board,
    order: str | Order,
    *,
    passages: Sequence[str] | None = None,
    amp: str | None = None,
    progress: Progress | None = None,
    stop: Event | None = None,
) -> list[FreeMove]:
    """Return all moves of one block of `order` of which no difference but in level is expected.

    In all of `passages` (default the board's), on `amp` (default the board's). Blocks of one box
    move together, and stand under the name of the first. Moves that the board's rules forbid are
    not among them. Where two neighbours change places it is a move of either.

    Raises RequestError for names that the board does not have, ClipError for clips;
    StoppedError once `stop` is set.
    """
    given, end = board.order(order), amp_name(board, amp)
    played = tuple(board.passages if passages is None else passages)
    for name in played:
        board.passage(name)
    allowed = Allowed(board, given.blocks, has_amplifier=end is not None)
    word = bytes(allowed.word(given))
    words = ascending({word, *neighbours(allowed, word)})
    with engine() as workers:
        asked = Asked(board, end, played, {}, allowed, workers, progress=progress, stop=stop)
        trial = Trial(asked, WHOLE, words)
        here = trial.number_of(np.frombuffer(word, dtype=np.uint8))
        numbers = np.arange(len(trial.words), dtype=np.int32)
        louder_lu = trial.alike.louder_lu(here, numbers)
    found = []
    for number in numbers[~np.isnan(louder_lu)].tolist():
        for moved in trial.members(number):
            for block in _moved(allowed, word, moved.tobytes()):
                order_made = allowed.order(moved)
                found.append(
                    FreeMove(block, order_made, float(louder_lu[number]), proved=number == here)
                )
    return found


def _moved(allowed: Allowed, word: bytes, other: bytes) -> list[str]:
    """Return which blocks have moved, alone, from one word to the other: two for a swap."""
    tokens = [
        token
        for token in word
        if word != other
        and word.replace(bytes((token,)), b"") == other.replace(bytes((token,)), b"")
    ]
    return [allowed.tokens[token][0] for token in tokens if allowed.tokens[token]]
