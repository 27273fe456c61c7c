"""What the stage card is made from: what happens in a passage, and where controls stand."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from simchain.board import Board, Order
from simchain.board.models import OF_THE_UNIT
from simchain.chain.timeline import SOURCE
from simchain.report.timeline import event_text
from simchain.report.wording import number_text, spoken, with_unit
from simchain.settings import Settings, is_file, unit_of

MOST_CONTROLS = 8
LAST = "level_db"  # the last thing in every unit
# Said elsewhere, or nothing that a hand turns.
_NOT_TURNED = {"kind", "trails", "spread"}


def event_facts(board: Board, order: Order, passage: str) -> list[dict[str, Any]]:
    """Return what is switched or set in a passage, in time: at (s), text."""
    events = sorted(board.passage(passage).events, key=lambda event: event.at)
    return [
        {"at": event.at, "text": event_text(event, _settings(board, passage, event.block))}
        for event in events
        if event.block in (SOURCE, *order.blocks)
    ]


def _settings(board: Board, passage: str, name: str) -> Settings:
    return board.pickup_in(passage) if name == SOURCE else board.block_in(passage, name)


def controls_facts(board: Board, order: Order) -> dict[str, dict[str, Any]]:
    """Return, for each block of `order`: kind, purpose, and the controls and bypass the file sets.

    `passages` holds what a passage sets otherwise, by its name.
    """
    return {
        name: {
            "kind": board.blocks[name].kind,
            "purpose": board.blocks[name].purpose,
            "controls": list(controls(board.blocks[name])),
            "bypass": _bypass(board.blocks[name]),
            "passages": {
                passage: told
                for passage, part in board.passages.items()
                if (told := list(_changed(board, passage, name, part.set.get(name))))
            },
        }
        for name in order.blocks
    }


def _bypass(block: Settings) -> str | None:
    """Return what the footswitch does when off, where the board file says so."""
    return getattr(block, "bypass", None) if "bypass" in block.model_fields_set else None


def controls(block: Settings) -> Iterator[str]:
    """Yield the first controls that the board file sets, with their units: "gain 22 dB"."""
    turned = [
        name
        for name in block.model_fields_set
        if name not in OF_THE_UNIT and name not in _NOT_TURNED
    ]
    known = [*type(block).model_fields, LAST]
    known.remove(LAST)
    for name in sorted(turned, key=known.index)[:MOST_CONTROLS]:
        yield _control(block, name, getattr(block, name))


def _changed(
    board: Board, passage: str, name: str, changes: dict[str, Any] | None
) -> Iterator[str]:
    for control, value in (changes or {}).items():
        yield _control(board.block_in(passage, name), control, value)


def _control(block: Settings, name: str, value: Any) -> str:
    field = type(block).model_fields[name]
    unit, words = unit_of(field), spoken(name)
    if unit:
        words = words.removesuffix(f" {unit.lower()}")
    # Where a file lies is of no use on a stage, and makes no other sound.
    return f"{words} {Path(value).name if is_file(field) and value else _value(value, unit)}"


def _value(value: Any, unit: str) -> str:
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, int | float):
        # A unit of several words explains the number, and the control's name says as much.
        return with_unit(number_text(value), "" if " " in unit else unit)
    if isinstance(value, list | tuple):
        return ", ".join(_value(each, "") for each in value)
    if isinstance(value, Settings):
        return " ".join(
            _control(value, name, getattr(value, name))
            for name in type(value).model_fields
            if name in value.model_fields_set
        )
    return str(value)
