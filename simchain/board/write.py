"""Changing a board file without touching the rest: comments, layout and sequence stay."""

import copy
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import tomlkit
from tomlkit.container import Container
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, InlineTable, Item, Null, Table

from simchain import files
from simchain.board.list_lines import NotOneALineError, relisted
from simchain.board.read import read_board, text_of
from simchain.board.table_lines import renamings, without_table
from simchain.board.wording import key_shown, shown
from simchain.errors import RequestError

KeyPath = tuple[str, ...]
Changes = Mapping[KeyPath, Any]

# In place of a value: what stands at the path is taken out of the file.
REMOVED: Final = object()


def prepare_to_save(path: Path) -> None:
    """Raise OutputError where `save` could not write: before long work, not after it."""
    files.prepare_folder(path.resolve().parent)


def save(path: Path, changes: Changes) -> None:
    """Make `changes` in a board file: it ends up whole, with a board that loads, or as it was.

    Raises BoardError when the changed board would not load, OutputError when it cannot be
    written, RequestError as `updated` does.
    """
    there = path.resolve()
    with files.alone_in(there.parent):
        text = updated(text_of(path), changes)
        read_board(text, file=str(path), folder=path.parent)
        files.write_text(there, text)


def updated(text: str, changes: Changes) -> str:
    """Return TOML `text` with `changes` made, and everything else byte for byte as it was.

    A change's key is the path to a value, such as ``("blocks", "grit", "gain_db")``; tables that
    are missing are added. Values are text, numbers, true or false, lists and tables of these, or
    `REMOVED` for a key or a table that is to go; one that is not there is gone already.

    Comments stay, but for those on and between the lines of what is removed.

    Raises RequestError for a path that leads through something that is no table.
    """
    for path, value in changes.items():
        text = _removed(text, path) if value is REMOVED else _changed(text, path, _as_read(value))
    return text


def renamed(text: str, path: KeyPath, name: str) -> str:
    """Return TOML `text` with what stands at `path` under another name, in the same place.

    What refers to the old name is not changed. Raises RequestError when nothing stands there, or
    something of that name already.
    """
    read = tomllib.loads(text)
    holder = _found(read, path[:-1])
    if not isinstance(holder, dict) or path[-1] not in holder:
        raise RequestError(f"{_named(path)}: there is no such table to rename")
    if name in holder:
        raise RequestError(f"{_named((*path[:-1], name))} is there already; give another name")
    value = holder[name] = holder.pop(path[-1])
    found = _first_that_reads(renamings(text, path, name), [read])
    return found or updated(text, {path: REMOVED, (*path[:-1], name): value})


def _changed(text: str, path: KeyPath, value: Any) -> str:
    wanted = tomllib.loads(text)
    there = _found(wanted, path)
    if there == value and type(there) is type(value):
        return text
    if there and value and isinstance(there, dict) and isinstance(value, dict):
        # Key by key, so that what stays in the table keeps its line.
        gone = {(*path, key): REMOVED for key in there if key not in value}
        return updated(text, {**{(*path, key): each for key, each in value.items()}, **gone})
    _put(wanted, path, value)
    ways = (_entries_moved, _replaced, _with_new_key, _with_new_table, _left_to_tomlkit)
    result = _first_that_reads(_tried(ways, text, path, value), [wanted])
    if result is None:
        raise RequestError(f"{_named(path)} = {shown(value)} has no place in this file's layout")
    return result


def _removed(text: str, path: KeyPath) -> str:
    read = tomllib.loads(text)
    holder = _found(read, path[:-1])
    if not isinstance(holder, dict) or path[-1] not in holder:
        return text
    result = _first_that_reads(
        _tried((without_table, _without_key), text, path), list(_all_without(read, path))
    )
    if result is None:
        raise RequestError(f"{_named(path)} cannot be taken out of this file's layout")
    return result


def _tried(ways: Iterable[Callable[..., str]], *given: Any) -> Iterator[str]:
    """Yield what each way makes of the text, where the file is laid out for it."""
    for way in ways:
        with suppress(TOMLKitError, _NotThisWayError, NotOneALineError):
            yield way(*given)


def _first_that_reads(results: Iterable[str], wanted: list[dict[str, Any]]) -> str | None:
    """Return the first of `results` that reads as one of `wanted`, or None."""
    for result in results:
        with suppress(tomllib.TOMLDecodeError):
            if tomllib.loads(result) in wanted:
                return result
    return None


def _all_without(tables: dict[str, Any], path: KeyPath) -> Iterator[dict[str, Any]]:
    """Yield `tables` without what is at `path`; then also without each table left empty by that."""
    for depth in range(len(path), 0, -1):
        tables = copy.deepcopy(tables)
        holder = _found(tables, path[: depth - 1])
        if depth < len(path) and holder[path[depth - 1]] != {}:
            return
        del holder[path[depth - 1]]
        yield tables


def _as_read(value: Any) -> Any:
    """Return a value as reading it back gives it: lists in place of tuples."""
    if isinstance(value, dict):
        return {key: _as_read(item) for key, item in value.items()}
    return [_as_read(item) for item in value] if isinstance(value, list | tuple) else value


class _NotThisWayError(Exception):
    """The file is laid out in another way."""


def _without_key(text: str, path: KeyPath) -> str:
    """Take out one key with its line, or one entry of an inline table."""
    document = tomlkit.parse(text)
    del _parent(document, path)[path[-1]]
    return tomlkit.dumps(document)


def _entries_moved(text: str, path: KeyPath, value: Any) -> str:
    """Change the entries of a list that stands on several lines."""
    document = tomlkit.parse(text)
    parent = _parent(document, path)
    old = parent.get(path[-1])
    if not (isinstance(value, list) and isinstance(old, Array) and "\n" in old.as_string()):
        raise _NotThisWayError
    listed = relisted(old.as_string(), value, _toml)
    parent[path[-1]] = tomlkit.parse(f"value = {listed}")["value"]
    return tomlkit.dumps(document)


def _replaced(text: str, path: KeyPath, value: Any) -> str:
    """Put a value in the place of another."""
    document = tomlkit.parse(text)
    parent = _parent(document, path)
    if path[-1] not in parent:
        raise _NotThisWayError
    parent[path[-1]] = tomlkit.parse(f"value = {_toml(value)}")["value"]
    return tomlkit.dumps(document)


def _with_new_key(text: str, path: KeyPath, value: Any) -> str:
    """Add a line below the last key of the table it belongs to, or an entry to an inline table.

    What follows the last key may be a comment on the next table, so that is no place for it.
    """
    document = tomlkit.parse(text)
    depth = _depth_found(document, path)
    if depth == 0 and (len(path) > 1 or isinstance(value, dict)):
        raise _NotThisWayError
    table = _parent(document, path[: depth + 1])
    for key in reversed(path[depth + 1 :]):
        value = {key: value}
    if isinstance(table, InlineTable):
        holder = _parent(document, path[:depth])
        holder[path[depth - 1]] = _grown(table, path[depth], value)
        return tomlkit.dumps(document)
    line = f"{key_shown(path[depth])} = {_toml(value)}"
    end = "\r\n" if "\r\n" in text else "\n"
    if isinstance(table, Table) and not table.is_super_table():
        last: Item | None = _last_plain(table.value) or table
    elif isinstance(table, Container):
        last = _last_plain(table)
    else:
        raise _NotThisWayError
    if last is None:
        return f"{line}{end}{text}"
    indent = "" if last is table else last.trivia.indent
    last.trivia.trail = (last.trivia.trail or end) + indent + line + end
    return tomlkit.dumps(document)


def _with_new_table(text: str, path: KeyPath, value: Any) -> str:
    """Add a table at the end of the file."""
    end = "\r\n" if "\r\n" in text else "\n"
    header, rest = path[:2] if len(path) > 2 or isinstance(value, dict) else path[:1], path
    for key in reversed(rest[len(header) :]):
        value = {key: value}
    if not isinstance(value, dict):
        raise _NotThisWayError
    lines = [f"[{_named(header)}]", *(f"{key_shown(k)} = {_toml(v)}" for k, v in value.items())]
    gap = "" if not text or text.endswith(end * 2) else end if text.endswith("\n") else end * 2
    return text + gap + end.join(lines) + end


def _left_to_tomlkit(text: str, path: KeyPath, value: Any) -> str:
    document = tomlkit.parse(text)
    _put(document, path, value)
    return tomlkit.dumps(document)


def _grown(table: InlineTable, key: str, value: Any) -> Any:
    """Return an inline table with one entry more, spaced as it was."""
    inside = table.as_string().strip()[1:-1]
    space = " " if inside.startswith(" ") or not inside.strip() else ""
    before = f"{inside.strip()}, " if inside.strip() else ""
    grown = f"{{{space}{before}{key_shown(key)} = {_toml(value)}{space}}}"
    return tomlkit.parse(f"value = {grown}")["value"]


def _last_plain(container: Container) -> Item | None:
    """Return the last value of a table that stands on a line of its own under its own key."""
    plain = [
        item
        for key, item in container.body
        if key is not None and not key.is_dotted() and not isinstance(item, Table | AoT | Null)
    ]
    return plain[-1] if plain else None


def _parent(table: Any, path: KeyPath) -> Any:
    for key in path[:-1]:
        table = table.get(key) if hasattr(table, "get") else None
        if table is None:
            raise _NotThisWayError
    return table


def _depth_found(table: Any, path: KeyPath) -> int:
    """How many keys of `path` the file has already, one after another."""
    for depth, key in enumerate(path):
        if not hasattr(table, "get") or key not in table:
            return depth
        table = table[key]
    return len(path) - 1


def _found(table: Any, path: KeyPath) -> Any:
    for key in path:
        table = table.get(key) if isinstance(table, dict) else None
    return table


def _put(table: Any, path: KeyPath, value: Any) -> None:
    """Put a value where `path` leads, making tables on the way."""
    for key in path[:-1]:
        if key not in table:
            table[key] = {}
        table = table[key]
        if not isinstance(table, dict):
            raise RequestError(f"{_named(path)}: {key_shown(key)} is not a table")
    table[path[-1]] = value


def _toml(value: Any) -> str:
    """Return a value as it stands behind an equals sign."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(float(value))
    if isinstance(value, dict):
        inside = ", ".join(f"{key_shown(key)} = {_toml(item)}" for key, item in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return str(tomlkit.item(value).as_string())


def _named(path: KeyPath) -> str:
    return ".".join(key_shown(key) for key in path)
