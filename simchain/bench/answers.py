"""What the page asks of two orders, or of all moves of one: sentences, figures, free places."""

from typing import Any

import numpy as np

from simchain.board import Board, Order
from simchain.chain.timeline import timeline_of_passage
from simchain.chain.walker import Output
from simchain.units import db_to_ratio

WINDOW_S = 0.5


def against(
    board: Board,
    a: str | Order,
    b: str | Order,
    passage: str,
    amp: str | None,
    words: tuple[str, str],
) -> dict[str, Any]:
    """Hold order B against order A in a passage: the sentence, the verdict and its figures.

    `words` are what the sentence calls them by. Raises RequestError and ClipError.
    """
    from simchain.decide.compare import compare
    from simchain.report.page_data import without_sounds
    from simchain.report.sentences import moved_in, pair_sentence

    amps = None if amp is None else [amp]
    told = without_sounds(compare(board, [a, b], passages=[passage], amps=amps))
    (pair,) = told["pairs"]
    sentence = pair_sentence(pair, *words, moved=moved_in(told, passage, 0, 1))
    return {"sentence": sentence, **pair}


def free_places(board: Board, order: str, passage: str, amp: str | None) -> dict[str, Any]:
    """Say where each block may stand in a passage without a difference being expected.

    `sentences` tell of those that are on in the passage; what is off may stand where it is proved
    to, which is told by its marks alone. Raises RequestError and ClipError.
    """
    from simchain.decide.free_moves import free_moves
    from simchain.report.search_places import free_sentences

    moves = free_moves(board, order, passages=[passage], amp=amp)
    given, ever_on = board.order(order), timeline_of_passage(board, passage).ever_on
    on = [name for name in given.blocks if name in ever_on]
    may = {name: [_stretches(move.order) for move in moves if move.block == name] for name in on}
    places = [{"block": name, "orders": orders} for name, orders in may.items() if orders]
    told = {"representative": _stretches(given), "free_places": places}
    return {
        "order": order,
        "passage": passage,
        "sentences": free_sentences(told),
        "bound": [name for name, orders in may.items() if not orders],
        "moves": [
            {
                "block": move.block,
                **_stretches(move.order),
                "louder_lu": move.louder_lu,
                "proved": move.proved,
            }
            for move in moves
        ],
    }


def _stretches(order: Order) -> dict[str, list[str]]:
    return {"front": list(order.front), "loop": list(order.loop)}


def moment_of_most_difference_s(one: Output, other: Output, rate: int) -> float | None:
    """Return the middle of the half second in which two sounds differ most, evened out.

    None where they do not differ, or one is silent.
    """
    if not (np.isfinite(one.integrated_lufs) and np.isfinite(other.integrated_lufs)):
        return None
    trim = db_to_ratio(one.integrated_lufs - other.integrated_lufs)
    apart = np.square(one.samples - trim * other.samples).sum(axis=0)
    hop = round(WINDOW_S / 2 * rate)
    sums = np.add.reduceat(apart, np.arange(0, apart.size, hop))
    windows = sums[:-1] + sums[1:] if sums.size > 1 else sums
    most = int(np.argmax(windows))
    return (most + 1) * hop / rate if windows[most] > 0.0 else None
