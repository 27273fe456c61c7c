"""What can go wrong that the user can mend.

The tree::

    SimchainError          one line for people; the command ends with exit status 2
    +-- BoardError         the board file: one Problem or several
    +-- ClipError          a sound file that cannot be used
    +-- OutputError        a file or folder that cannot be written
    +-- RequestError       a name or value given to a command or function

Anything else that escapes is a fault of simchain's own (exit status 1).
"""

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

LONGEST_NAME = 60  # of one that is not known, in a message


class SimchainError(Exception):
    """Something the user can mend: one line that says what, where and what is allowed."""


class ClipError(SimchainError):
    """A sound file that cannot be used."""


class OutputError(SimchainError):
    """A file or folder that cannot be written."""


class RequestError(SimchainError):
    """A name or value given to a command or function that does not fit the board."""


@dataclass(frozen=True)
class Problem:
    """One fault in a board file: where, what was given, what is allowed, and the sentence."""

    file: str
    table: str
    key: str
    value: str
    allowed: str
    text: str

    def __str__(self) -> str:
        file = f"{self.file}: " if self.file else ""
        table = f"[{self.table}] " if self.table else ""
        return f"{file}{table}{self.text}"


class BoardError(SimchainError):
    """A board file with one or more problems."""

    def __init__(self, problems: Iterable[Problem]):
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type["BoardError"], tuple[tuple[Problem, ...]]]:
        return BoardError, (self.problems,)


def nearest(name: str, known: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` for the closest known name, or an empty string."""
    found = difflib.get_close_matches(name, list(known), n=1, cutoff=0.6)
    return f"; did you mean '{found[0]}'?" if found else ""


def one_line(text: str) -> str:
    """Return `text` with line ends and control characters written out."""
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text
    )


def unknown_name(
    what: str, name: str, known: Iterable[str], where: str = "on this board"
) -> RequestError:
    """Return the error for a name that is not there."""
    names = list(known)
    listed = ", ".join(names) if names else "none"
    shown = one_line(name if len(name) <= LONGEST_NAME else f"{name[:LONGEST_NAME]}...")
    return RequestError(f"no {what} '{shown}' {where} (there are: {listed}){nearest(name, names)}")
