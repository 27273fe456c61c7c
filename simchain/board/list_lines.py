"""A TOML list on several lines with other entries: each that stays keeps its line and comment."""

import re
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

_TEXT = r"\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*'"
_TOKEN = re.compile(
    rf"(?P<entry>{_TEXT}|[^\s,#\[\]{{}}\"']+)|(?P<open>[\[{{])|(?P<close>[\]}}])"
    r"|(?P<comment>#[^\r\n]*)|(?P<comma>,)|(?P<space>\s+)"
)
_HEAD = re.compile(r"[ \t]*#[^\r\n]*")
_ANY_LINE_START = re.compile(r"\r?\n[ \t]*")
_LINE_START = re.compile(rf"{_ANY_LINE_START.pattern}\Z")


class NotOneALineError(Exception):
    """The list is laid out in a way that is not known here."""


@dataclass
class _Entry:
    """An entry as it is written, what stands before it, and the comment behind it on its line."""

    before: str
    written: str = ""
    comment: str = ""


def relisted(written: str, wanted: Sequence[Any], as_toml: Callable[[Any], str]) -> str:
    """Return the list `written`, a TOML array, with the entries `wanted` in its place.

    Comments stay: those of an entry go with it, a table that is another now keeps its line, and
    what was said of an entry that is gone keeps a line of its own. `as_toml` writes a new entry.
    Raises NotOneALineError for a list that is laid out in another way.
    """
    head, inside = _parted(written.strip()[1:-1])
    entries, ending, has_last_comma = _entries_of(inside)
    starts = [_LINE_START.search(entry.before) for entry in entries]
    start = next(filter(None, starts), None) or _ANY_LINE_START.search(inside)
    new_line = start[0] if start else "\n"
    standing, gone = _standing(entries, wanted, as_toml)
    parts = [head]
    for number, entry in enumerate(standing, start=1):
        before = new_line if entry is None else entry.before
        if "\n" not in before:
            before = new_line if "#" in parts[-1] else " " if parts[1:] else ""
        comma = "," if number < len(wanted) or has_last_comma else ""
        told = as_toml(wanted[number - 1]) if entry is None else entry.written
        parts += [before, told, comma, "" if entry is None else entry.comment]
    for entry in gone:
        notes = [line.strip() for line in (*entry.before.splitlines(), entry.comment)]
        parts += [f"{new_line}{note}" for note in notes if note]
    if "#" in parts[-1] and "\n" not in ending:
        ending = new_line
    return f"[{''.join(parts)}{ending}]"


def _standing(
    entries: list[_Entry], wanted: Sequence[Any], as_toml: Callable[[Any], str]
) -> tuple[list[_Entry | None], list[_Entry]]:
    """Return the entry that stands for each of `wanted`, None for a new one; and those gone."""
    left = [(tomllib.loads(f"is = {entry.written}")["is"], entry) for entry in entries]
    standing: list[_Entry | None] = []
    for value in wanted:
        at = next((at for at, (there, _) in enumerate(left) if there == value), None)
        standing.append(None if at is None else left.pop(at)[1])
    # As many tables new as gone: each is one that was changed, in its place.
    new = [at for at, entry in enumerate(standing) if entry is None]
    changed = [value for value, _ in left] + [wanted[at] for at in new]
    if len(new) == len(left) and all(isinstance(value, dict) for value in changed):
        for at, (_, entry) in zip(new, left, strict=True):
            standing[at] = _Entry(entry.before, as_toml(wanted[at]), entry.comment)
        left = []
    return standing, [entry for _, entry in left]


def _parted(inside: str) -> tuple[str, str]:
    """Return the comment on the list itself, which stands behind its bracket, and the rest."""
    head = _HEAD.match(inside)
    return (head[0], inside[head.end() :]) if head else ("", inside)


def _entries_of(inside: str) -> tuple[list[_Entry], str, bool]:
    """Return the entries, what stands behind the last one, and whether a comma closes it."""
    entries: list[_Entry] = []
    waiting, place, comma = "", 0, False
    while place < len(inside):
        token = _TOKEN.match(inside, place)
        if token is None or token["close"]:
            raise NotOneALineError
        begin, place = place, _closed(inside, place) if token["open"] else token.end()
        text = inside[begin:place]
        if token["entry"] or token["open"]:
            entries.append(_Entry(waiting, text))
            waiting, comma = "", False
        elif token["comma"]:
            comma = True
        elif token["comment"] and entries and "\n" not in waiting and not entries[-1].comment:
            entries[-1].comment, waiting = waiting + text, ""
        else:
            waiting += text
    return entries, waiting, comma


def _closed(inside: str, place: int) -> int:
    """Return where the table or list that opens at `place` has closed."""
    depth = 0
    while token := _TOKEN.match(inside, place):
        place = token.end()
        depth += bool(token["open"]) - bool(token["close"])
        if depth == 0:
            return place
    raise NotOneALineError
