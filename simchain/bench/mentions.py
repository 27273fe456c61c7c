"""Where a board names a block, passage, ..., besides its own table; and what stands there then."""

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


def mentions_changed(
    tables: dict[str, Any], family: str, name: str, new: str | None
) -> dict[KeyPath, Any]:
    """Return the changes, as `board.write.updated` takes them, where a board refers to `name`.

    `tables` is the board file as read, `family` the tables that `name` is one of: blocks, amps,
    orders, passages or songs. With `new` it is named so from now on; None leaves it unmentioned.
    """

    def told(each: str) -> str | None:
        return new if each == name else each

    found = _MENTIONS[family](tables, name, told)
    return {path: after for path, before, after in found if after != before}


_Found = Iterator[tuple[KeyPath, Any, Any]]


def _of_block(tables: dict[str, Any], block: str, told: Renaming) -> _Found:
    yield from _in_orders(tables, told)
    yield from _in_passages(tables, block, told)
    yield from _in_rules(tables.get("rules", {}), block, told)
    yield from _in_levels(tables.get("set_levels", {}), told)


def _of_amp(tables: dict[str, Any], _: str, told: Renaming) -> _Found:
    if "amps" in tables.get("output", {}):
        yield _listed(("output", "amps"), tables["output"]["amps"], told)


def _of_order(tables: dict[str, Any], _: str, told: Renaming) -> _Found:
    if "reference" in tables.get("goals", {}):
        yield _named(("goals", "reference"), tables["goals"]["reference"], told)


def _of_passage(tables: dict[str, Any], passage: str, told: Renaming) -> _Found:
    for song, table in tables.get("songs", {}).items():
        if "passages" in table:
            path, before, after = _listed(("songs", song, "passages"), table["passages"], told)
            yield path if after is not REMOVED else path[:2], before, after
    for other, table in tables["passages"].items():
        path = ("passages", other, "above")
        if other != passage and table.get("above", {}).get("passage") == passage:
            path, before, after = _named((*path, "passage"), passage, told)
            yield path if after is not REMOVED else path[:3], before, after


def _of_song(*_: Any) -> _Found:
    return iter(())


_MENTIONS: dict[str, Callable[[dict[str, Any], str, Renaming], _Found]] = {
    "blocks": _of_block,
    "amps": _of_amp,
    "orders": _of_order,
    "passages": _of_passage,
    "songs": _of_song,
}


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


def _named(path: KeyPath, name: str, told: Renaming) -> tuple[KeyPath, Any, Any]:
    new = told(name)
    return path, name, REMOVED if new is None else new


def _listed(path: KeyPath, names: list[str], told: Renaming) -> tuple[KeyPath, Any, Any]:
    """Name the names of a list that goes when none of them is left."""
    left = _names(names, told)
    return path, names, left if left or not names else REMOVED


def _names(names: list[str], told: Renaming) -> list[str]:
    return [name for name in map(told, names) if name is not None]
