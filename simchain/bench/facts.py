"""What the page is told of the desk, as trees of JSON."""

from functools import lru_cache
from pathlib import Path
from typing import Any

import simchain
from simchain.bench.desk import Desk
from simchain.board import (
    STARTERS,
    Board,
    Order,
    broken_rules,
    check_board,
    clip_path,
    missing_clips,
    read_board,
    starter,
)
from simchain.chain.render import amp_name
from simchain.chain.timeline import Timeline, timeline_of_passage
from simchain.errors import BoardError, SimchainError
from simchain.files import Stamp, stamp_of
from simchain.signal import clip_seconds


def board_document(desk: Desk | None) -> dict[str, Any]:
    """Return the board document; `begun` is false while there is no board yet.

    Of a passage `seconds` is null where its clip cannot be read.
    """
    if desk is None:
        return _document(0, None, saved=True, undo=None, redo=None) | _NOTHING
    board = desk.board
    timelines = {name: timeline_of_passage(board, name) for name in board.passages}
    told = _document(
        desk.revision,
        desk.file.name if desk.file else None,
        saved=desk.saved,
        undo=desk.would_undo,
        redo=desk.would_redo,
    )
    amp = amp_name(board)
    return told | {
        "begun": True,
        "title": board.title,
        "rate": board.rate,
        "amps": [amp] if amp else [],
        "blocks": {
            name: {
                "kind": block.kind,
                "on": {passage: _state(line, name) for passage, line in timelines.items()},
            }
            for name, block in board.blocks.items()
        },
        "orders": [_order(board, name, order) for name, order in board.orders.items()],
        "passages": [
            {
                "name": name,
                "seconds": _seconds(board, name),
                "on": list(line.ever_on),
                "is_song": False,
            }
            for name, line in timelines.items()
        ],
        "warnings": [str(told) for told in (*check_board(board), *missing_clips(board))],
    }


def starters_document(folder: Path) -> dict[str, Any]:
    """Return the boards there are to start from, and the folder a file would be made in."""
    boards = {name: read_board(starter(name)) for name in STARTERS}
    return {
        "folder": str(folder),
        "starters": [
            {"name": name, "title": board.title, "about": _what_it_is(board)}
            for name, board in boards.items()
        ],
    }


def _what_it_is(board: Board) -> str:
    """Say in a line what a board has: the guitar, the kinds of its blocks, where it ends."""
    guitar = {"guitar": "electric guitar", "piezo": "acoustic guitar"}.get(
        board.source.kind, "a buffered source"
    )
    kinds = ", ".join(dict.fromkeys(block.kind for block in board.blocks.values()))
    end = "an amplifier" if board.output.amps else "a mixer"
    return f"{guitar}; {kinds}; into {end}"


def problems_document(error: SimchainError) -> dict[str, Any]:
    """Return what the user must mend: table, key and sentence of each fault."""
    if isinstance(error, BoardError):
        told = [(each.table, each.key, each.text) for each in error.problems]
    else:
        told = [("", "", str(error))]
    return {"problems": [dict(zip(("table", "key", "text"), each, strict=True)) for each in told]}


_NOTHING: dict[str, Any] = {
    "begun": False,
    "title": "",
    "rate": 48000,
    "amps": [],
    "blocks": {},
    "orders": [],
    "passages": [],
    "warnings": [],
}


def _document(
    revision: int, file: str | None, *, saved: bool, undo: str | None, redo: str | None
) -> dict[str, Any]:
    return {
        "simchain": simchain.__version__,
        "revision": revision,
        "file": file,
        "saved": saved,
        "undo": undo,
        "redo": redo,
    }


def _state(line: Timeline, block: str) -> str:
    gate = line.gate(block)
    if gate.switches:
        return "switched"
    return "on" if gate.on else "off"


def _order(board: Board, name: str, order: Order) -> dict[str, Any]:
    return {
        "name": name,
        "front": list(order.front),
        "loop": list(order.loop),
        "left_out": [block for block in board.blocks if block not in order.blocks],
        "broken": broken_rules(board, order),
    }


def _seconds(board: Board, passage: str) -> float | None:
    """Return how long a passage sounds, its tail included; None where its clip cannot be read."""
    from simchain.chain.source import clip_name, tail_s

    try:
        path = clip_path(board, clip_name(board, passage))
        return _clip_s(path, stamp_of(path)) + tail_s(board, passage)
    except SimchainError:
        return None


@lru_cache(maxsize=256)
def _clip_s(path: Path, _stamp: Stamp | None) -> float:
    """Return the seconds of a clip, from its header. Raises ClipError."""
    return clip_seconds(path)
