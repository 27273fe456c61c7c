"""Where a board names a block, besides the block's own table; and what stands there without it."""

import re
from collections.abc import Callable, Iterator
from typing import Any

from simchain.board.write import REMOVED

KeyPath = tuple[str, ...]
# Another name for a name, or None for one that is to go.
Renaming = Callable[[str], str | None]

_LISTS = ("first", "last", "front_only", "loop_only")
_GROUPS = ("before", "together")
# One block alone stands beside nothing and before nothing.
SMALLEST_GROUP = 2


def without_block(tables: dict[str, Any], block: str) -> dict[KeyPath, Any]:
    """Return the changes, as `board.write.updated` takes them, that leave `block` unmentioned.

    `tables` is the board file as read. The block's own table is among them.
    """
    changes = _changes(tables, block, None)
    return {**changes, ("blocks", block): REMOVED}


def with_block_renamed(tables: dict[str, Any], block: str, name: str) -> dict[KeyPath, Any]:
    """Return the changes that name a block `name` wherever the board refers to it."""
    return _changes(tables, block, name)


def _changes(tables: dict[str, Any], block: str, name: str | None) -> dict[KeyPath, Any]:
    def told(each: str) -> str | None:
        return name if each == block else each

    found = [
        *_in_orders(tables, told),
        *_in_passages(tables, block, told),
        *_in_rules(tables.get("rules", {}), block, told),
        *_in_levels(tables.get("set_levels", {}), told),
    ]
    return {path: after for path, before, after in found if after != before}


_Found = Iterator[tuple[KeyPath, Any, Any]]


def _in_orders(tables: dict[str, Any], told: Renaming) -> _Found:
    for order, stretches in tables.get("orders", {}).items():
        for key, blocks in stretches.items():
            yield ("orders", order, key), blocks, _names(blocks, told)


def _in_passages(tables: dict[str, Any], block: str, told: Renaming) -> _Found:
    for passage, table in tables.get("passages", {}).items():
        path = ("passages", passage)
        if "on" in table:
            yield (*path, "on"), table["on"], _names(table["on"], told)
        if "events" in table:
            yield (*path, "events"), table["events"], _events(table["events"], told)
        if block in table.get("set", {}):
            yield from _key_moved((*path, "set"), table["set"], block, told)


def _in_rules(rules: dict[str, Any], block: str, told: Renaming) -> _Found:
    for key in _LISTS:
        if key in rules:
            yield ("rules", key), rules[key], _names(rules[key], told)
    for key in _GROUPS:
        if key in rules:
            named = [(group, _names(group, told)) for group in rules[key]]
            kept = [
                names for group, names in named if names == group or len(names) >= SMALLEST_GROUP
            ]
            yield ("rules", key), rules[key], kept
    if block in rules.get("fixed", {}):
        yield from _key_moved(("rules", "fixed"), rules["fixed"], block, told)


def _in_levels(levels: dict[str, Any], told: Renaming) -> _Found:
    if "controls" in levels:
        given = levels["controls"]
        parts = [re.split(r"(?=\.)", control, maxsplit=1) for control in given]
        named = [(told(block), rest) for block, *rest in parts]
        after = ["".join([block, *rest]) for block, rest in named if block is not None]
        yield ("set_levels", "controls"), given, after


def _key_moved(path: KeyPath, table: dict[str, Any], block: str, told: Renaming) -> _Found:
    name, value = told(block), table[block]
    yield (*path, block), value, REMOVED
    if name is not None:
        yield (*path, name), None, value


def _events(events: list[dict[str, Any]], told: Renaming) -> list[dict[str, Any]]:
    named = [(event, told(event["block"])) for event in events]
    return [{**event, "block": name} for event, name in named if name is not None]


def _names(names: list[str], told: Renaming) -> list[str]:
    return [name for name in map(told, names) if name is not None]
