"""What the page asks of two orders, or of all moves of one: sentences, figures, free places."""

from collections.abc import Mapping
from threading import Event
from typing import Any

import numpy as np

from simchain.bench.figures import pair_figures
from simchain.board import Board, Order
from simchain.chain.timeline import timeline_of_passage
from simchain.chain.walker import Output
from simchain.units import db_to_ratio

WINDOW_S = 0.5
IN_ONE_BOX = " with "


def against(
    board: Board,
    a: str | Order,
    b: str | Order,
    passage: str,
    amp: str | None,
    words: tuple[str, str],
    stop: Event | None = None,
) -> dict[str, Any]:
    """Hold order B against order A in a passage: the sentence, the verdict and its figures.

    `words` are what the sentence calls them by, `engineers` the figures with their names. Raises
    RequestError and ClipError, and StoppedError once `stop` is set.
    """
    from simchain.decide.compare import compare
    from simchain.report.page_data import without_sounds
    from simchain.report.sentences import moved_in, pair_sentence

    amps = None if amp is None else [amp]
    told = without_sounds(compare(board, [a, b], passages=[passage], amps=amps, stop=stop))
    (pair,) = told["pairs"]
    sentence = pair_sentence(pair, *words, moved=moved_in(told, passage, 0, 1))
    return {"sentence": sentence, **pair, "engineers": pair_figures(pair)}


def free_places(
    board: Board, order: str, passage: str, amp: str | None, stop: Event | None = None
) -> dict[str, Any]:
    """Say where each block may stand in a passage without a difference being expected.

    `sentences` tell of those that are on in the passage; what is off may stand where it is proved
    to, which is told by its marks alone. Blocks of one box move as one, and are told of as one.
    Raises RequestError and ClipError, and StoppedError once `stop` is set.
    """
    from simchain.decide.free_moves import free_moves
    from simchain.report.search_places import free_sentences

    moves = free_moves(board, order, passages=[passage], amp=amp, stop=stop)
    given, ever_on = board.order(order), timeline_of_passage(board, passage).ever_on
    called = _boxes(board, given)
    may = {
        called[name]: [_stretches(move.order, called) for move in moves if move.block == name]
        for name in given.blocks
        if name in called and not set(called[name].split(IN_ONE_BOX)).isdisjoint(ever_on)
    }
    places = [{"block": name, "orders": orders} for name, orders in may.items() if orders]
    told = {"representative": _stretches(given, called), "free_places": places}
    return {
        "order": order,
        "passage": passage,
        "sentences": free_sentences(told),
        "bound": [name for name, orders in may.items() if not orders],
        "moves": [
            {
                "block": move.block,
                "front": list(move.order.front),
                "loop": list(move.order.loop),
                "louder_lu": move.louder_lu,
                "proved": move.proved,
            }
            for move in moves
        ],
    }


def _boxes(board: Board, order: Order) -> dict[str, str]:
    """Return the blocks that move by themselves, or as the first of a box, and what each is called.

    "room with repeat" are two in one box.
    """
    boxes: dict[str, list[str]] = {}
    for name in board.blocks:
        if name in order.blocks:
            boxes.setdefault(board.blocks[name].box or f"[{name}]", []).append(name)
    return {names[0]: IN_ONE_BOX.join(names) for names in boxes.values()}


def _stretches(order: Order, called: Mapping[str, str]) -> dict[str, list[str]]:
    """Return an order with each box in it once, by what it is called."""
    return {
        "front": [called[name] for name in order.front if name in called],
        "loop": [called[name] for name in order.loop if name in called],
    }


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
