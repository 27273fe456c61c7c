"""What commands print: people's text to standard output, what goes on to standard error."""

import json
import os
import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from rich.console import Console

if TYPE_CHECKING:
    from simchain.board import Board

out = Console(highlight=False)
err = Console(stderr=True, highlight=False)


def names(text: str | None) -> list[str] | None:
    """Split a list of names; None when none are given."""
    found = [name.strip() for name in text.split(",") if name.strip()] if text is not None else []
    return found or None


def print_json(document: dict[str, Any], board: "Board | None" = None) -> None:
    """Print one JSON document to standard output, with what it was made with of a `board`."""
    if board is not None:
        from simchain.report.made_with import made_with

        document = document | {"made_with": made_with(board)}
    print(json.dumps(document, indent=2, allow_nan=False))


def print_lines(lines: Iterable[Any]) -> None:
    """Print lines for people, which the terminal wraps."""
    for line in lines:
        out.print(line, soft_wrap=True)


def warn(warnings: Iterable[str]) -> None:
    """Print warnings, a line each, to standard error."""
    for text in warnings:
        err.print(f"warning: {text}", soft_wrap=True, markup=False)


def stop_printing() -> None:
    """Drop what could not be printed: Python would try once more at the end, and complain."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
    except OSError:  # io.UnsupportedOperation is one, where a test has its own standard output
        return
    os.close(nowhere)
