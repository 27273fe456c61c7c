"""The page itself: its template, and the files it asks for."""

import re
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment

KINDS = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}


_FOR_READERS = re.compile(rb"^[ \t]*(//[^\n]*)?", re.MULTILINE)


@cache
def static_files() -> dict[str, bytes]:
    """Return the files of the page by name: the bench's own and, behind them, the reports'.

    Scripts and styles come without indentation and lines of comment; their lines keep their
    numbers. No text in them goes over a line's end.
    """
    found: dict[str, bytes] = {}
    for package in ("simchain.report", "simchain.bench"):
        for file in (resources.files(package) / "static").iterdir():
            if f".{file.name.rpartition('.')[2]}" in KINDS:
                found[file.name] = _FOR_READERS.sub(b"", file.read_bytes())
    return found


@cache
def environment() -> "Environment":
    """Return where the page's template is found."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("simchain.bench"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
