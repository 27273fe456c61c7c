"""A TOML list on several lines in another sequence: each entry keeps its line and comment."""

import json
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass

_TOKEN = re.compile(
    r"(?P<entry>\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*')|(?P<comment>#[^\r\n]*)|(?P<comma>,)|(?P<space>\s+)"
)
_HEAD = re.compile(r"[ \t]*#[^\r\n]*")
_ANY_LINE_START = re.compile(r"\r?\n[ \t]*")
_LINE_START = re.compile(rf"{_ANY_LINE_START.pattern}\Z")


class NotOneALineError(Exception):
    """The list holds something other than texts, or a text twice."""


@dataclass
class _Entry:
    """A text as it is written, what stands before it, and the comment behind it on its line."""

    before: str
    written: str = ""
    comment: str = ""


def relisted(written: str, wanted: Sequence[str]) -> str:
    """Return the list `written`, a TOML array of texts, with the texts `wanted` in its place.

    Comments stay: those of an entry go with it, those of an entry that is gone keep a line of
    their own. Raises NotOneALineError for a list that is laid out in another way.
    """
    head, inside = _parted(written.strip()[1:-1])
    entries, ending, has_last_comma = _entries_of(inside)
    known = {tomllib.loads(f"text = {entry.written}")["text"]: entry for entry in entries}
    if len(known) < len(entries) or len(set(wanted)) < len(wanted):
        raise NotOneALineError
    starts = [_LINE_START.search(entry.before) for entry in entries]
    start = next(filter(None, starts), None) or _ANY_LINE_START.search(inside)
    new_line = start[0] if start else "\n"
    parts = [head]
    for text in wanted:
        entry = known.pop(text, None) or _Entry(new_line, json.dumps(text, ensure_ascii=False))
        before = entry.before
        if "\n" not in before:
            before = new_line if "#" in parts[-1] else " " if parts[1:] else ""
        comma = "," if text != wanted[-1] or has_last_comma else ""
        parts += [before, entry.written, comma, entry.comment]
    for entry in known.values():
        notes = [line.strip() for line in (*entry.before.splitlines(), entry.comment)]
        parts += [f"{new_line}{note}" for note in notes if note]
    if "#" in parts[-1] and "\n" not in ending:
        ending = new_line
    return f"[{''.join(parts)}{ending}]"


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
        if token is None:
            raise NotOneALineError
        place, text = token.end(), token[0]
        if token["entry"]:
            entries.append(_Entry(waiting, text))
            waiting, comma = "", False
        elif token["comma"]:
            comma = True
        elif token["comment"] and entries and "\n" not in waiting and not entries[-1].comment:
            entries[-1].comment, waiting = waiting + text, ""
        else:
            waiting += text
    return entries, waiting, comma
