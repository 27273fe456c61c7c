"""The board with what sways by itself held still, and without echoes: each cause on its own."""

from collections.abc import Callable, Collection
from typing import Any

from simchain.blocks import Block
from simchain.board import Board, Event, Passage


def still(board: Board, names: Collection[str]) -> Board:
    """Return the board with what sways in the blocks `names` held where it is."""
    return _changed(board, names, lambda block: block.frozen())


def dry_and_still(board: Board, names: Collection[str]) -> Board:
    """Return the same, and the blocks without their echoes and rooms."""
    return _changed(board, names, lambda block: block.dry().frozen())


def _changed(board: Board, names: Collection[str], change: Callable[[Block], Block]) -> Board:
    """Return the board with `change` done to some blocks, whatever passages and events set."""
    changed = {name: change(board.blocks[name]) for name in names}
    passages = {name: _held(board, name, names, change) for name in board.passages}
    update = {"blocks": board.blocks | changed, "passages": passages}
    return board.model_copy(update=update)


def _held(
    board: Board, passage: str, names: Collection[str], change: Callable[[Block], Block]
) -> Passage:
    """Return a passage in which nothing undoes `change`."""
    table = board.passage(passage)
    held = {}
    for name in names:
        block = board.block_in(passage, name)
        moved = (event.set for event in table.events if event.block == name)
        # What is off at first may be moved: a mix that an event brings up from 0 is held at 0.
        states = [block, *(block.model_copy(update=settings) for settings in moved)]
        held[name] = {
            key: value for state in states for key, value in _apart(state, change(state)).items()
        }
    settings = {
        name: _without(changes, held.get(name, {})) | held.get(name, {})
        for name, changes in table.set.items()
    }
    events = tuple(
        kept for event in table.events if (kept := _kept(event, held.get(event.block, {})))
    )
    return table.model_copy(update={"set": settings, "events": events})


def _apart(block: Block, other: Block) -> dict[str, Any]:
    """Return the settings of `other` that `block` has otherwise."""
    return {
        name: getattr(other, name)
        for name in type(block).model_fields
        if getattr(block, name) != getattr(other, name)
    }


def _without(changes: dict[str, Any], held: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in changes.items() if name not in held}


def _kept(event: Event, held: dict[str, Any]) -> Event | None:
    """Return an event without what is held; None where nothing of it is left."""
    changes = _without(event.set, held)
    if changes == event.set:
        return event
    return event.model_copy(update={"set": changes}) if changes else None
