"""The tables that a board has several of, under names: added, renamed and removed in its text."""

import tomllib
from typing import Any

from simchain.bench.mentions import KeyPath, mentions_changed
from simchain.board.names import NAMES_ALLOWED, name_fault
from simchain.board.wording import key_shown, shown
from simchain.board.write import REMOVED, renamed, updated
from simchain.errors import BoardError, Problem, RequestError, unknown_name

# What one of each family is called.
FAMILIES = {
    "blocks": "block",
    "amps": "amplifier",
    "orders": "order",
    "passages": "passage",
    "songs": "song",
}


def with_table(
    text: str, family: str, name: str, *, kind: str | None = None, like: str | None = None
) -> str:
    """Return a board's text with a table more: `like` another of its family, or a plain one.

    A block needs a `kind`, unless it is like another, and goes last in front in every order; it
    is off in every passage. A song has all passages; a passage has everything off.
    """
    tables = tomllib.loads(text)
    _refuse_taken(tables, family, name)
    changes: dict[KeyPath, Any] = {}
    if like is not None:
        table = _there(tables, family, like)
        if family == "orders":
            table = {key: names for key, names in table.items() if key == "front" or names}
    else:
        plain = {
            "blocks": {} if kind is None else {"kind": kind},
            "passages": {"on": []},
            "songs": {"passages": list(tables["passages"])},
        }
        table = plain.get(family, {})
    changes[family, name] = table
    if family == "blocks":
        for order, stretches in tables["orders"].items():
            changes["orders", order, "front"] = [*stretches.get("front", []), name]
    return updated(text, changes)


def without_table(text: str, family: str, name: str) -> str:
    """Return a board's text without a table, and without what refers to it."""
    tables = tomllib.loads(text)
    _there(tables, family, name)
    changes = mentions_changed(tables, family, name, None)
    return updated(text, {**changes, (family, name): REMOVED})


def with_table_renamed(text: str, family: str, name: str, new: str) -> str:
    """Return a board's text with a table under another name, also where it is referred to."""
    tables = tomllib.loads(text)
    _there(tables, family, name)
    if new == name:
        return text
    _refuse_taken(tables, family, new)
    changes = mentions_changed(tables, family, name, new)
    return updated(renamed(text, (family, name), new), changes)


def _there(tables: dict[str, Any], family: str, name: str) -> Any:
    """Return a table of a family. Raises RequestError where there is no such."""
    if family not in FAMILIES:
        raise RequestError(f"what = {shown(family)}: allowed is {', '.join(FAMILIES)}")
    known = tables.get(family, {})
    if name not in known:
        raise unknown_name(FAMILIES[family], name, known)
    return known[name]


def _refuse_taken(tables: dict[str, Any], family: str, name: str) -> None:
    """Refuse what cannot be a name, and one that a table of the family has already."""
    if family not in FAMILIES:
        raise RequestError(f"what = {shown(family)}: allowed is {', '.join(FAMILIES)}")
    fault = name_fault(name)
    if not fault and name in tables.get(family, {}):
        thing = FAMILIES[family]
        article = "an" if thing[0] in "ao" else "a"
        fault = f"there is {article} {thing} '{key_shown(name)}' already; give another name"
    if fault:
        raise BoardError([Problem("", family, name, shown(name), NAMES_ALLOWED, fault)])
