"""The tables of a TOML text by its lines: cut out, or under another name; all else stays.

Lines are told apart by their looks, so whoever calls reads the result back and compares.
"""

import re
import tomllib
from collections.abc import Iterator
from contextlib import suppress
from itertools import pairwise

from simchain.board.wording import key_shown

_LINE = re.compile(r"[^\n]*\n|[^\n]+")
_HEADING = re.compile(r"\[[^\]#]*\]")

KeyPath = tuple[str, ...]


def without_table(text: str, path: KeyPath) -> str:
    """Return `text` without the tables whose headings begin with `path`.

    What follows a table's last setting, such as a comment on the next table, stays.
    """
    lines = _LINE.findall(text)
    gone: set[int] = set()
    for (start, keys), (end, _) in pairwise([*_headings(lines), (len(lines), ())]):
        if keys[: len(path)] != path:
            continue
        last = max(at for at in range(start, end) if not _is_spare(lines[at]))
        while last + 1 < end and not lines[last + 1].strip():
            last += 1
        gone.update(range(start, last + 1))
        if last + 1 == len(lines) and start and not lines[start - 1].strip():
            gone.add(start - 1)
    return "".join(line for at, line in enumerate(lines) if at not in gone)


def renamings(text: str, path: KeyPath, name: str) -> Iterator[str]:
    """Yield `text` with the last key of `path` as `name`: in headings, then line by line."""
    lines = _LINE.findall(text)
    old, new = key_shown(path[-1]), key_shown(name)
    headed = list(lines)
    for at, keys in _headings(lines):
        if keys[: len(path)] == path:
            told = ".".join(key_shown(key) for key in (*path[:-1], name, *keys[len(path) :]))
            headed[at] = _HEADING.sub(f"[{told}]", lines[at], count=1)
    yield "".join(headed)
    key = re.compile(rf"(\s*){re.escape(old)}(\s*=)")
    for at, line in enumerate(lines):
        if key.match(line):
            renamed = key.sub(rf"\g<1>{new}\g<2>", line, count=1)
            yield "".join([*lines[:at], renamed, *lines[at + 1 :]])


def _headings(lines: list[str]) -> Iterator[tuple[int, KeyPath]]:
    """Yield the number and the keys of each line that looks like the heading of a table."""
    for at, line in enumerate(lines):
        if line.lstrip().startswith("["):
            with suppress(tomllib.TOMLDecodeError):
                table, keys = tomllib.loads(line), []
                while isinstance(table, dict) and table:
                    (key, table), *_ = table.items()
                    keys.append(key)
                yield at, tuple(keys)


def _is_spare(line: str) -> bool:
    return not line.strip() or line.lstrip().startswith("#")
