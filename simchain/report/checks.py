"""What `simchain check` prints: what is wrong with a board file, and what is unlikely."""

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich.text import Text

import simchain
from simchain.board import Board, BoardWarning
from simchain.errors import Problem
from simchain.report.wording import count


def check_document(problems: Sequence[Problem], warnings: Sequence[BoardWarning]) -> dict[str, Any]:
    """Return what `simchain check --json` prints."""
    return {
        "simchain": simchain.__version__,
        "errors": [asdict(problem) for problem in problems],
        "warnings": [asdict(warning) for warning in warnings],
    }


def check_lines(
    file: Path, board: Board | None, problems: Sequence[Problem], warnings: Sequence[BoardWarning]
) -> Iterable[Text]:
    """Return what `simchain check` prints: each fault, each warning, and what the board holds."""
    for problem in problems:
        yield Text(str(problem))
    for warning in warnings:
        yield Text(f"warning: {warning.text}")
    if board is None or problems:
        yield Text(f"{file}: {count(len(problems), 'thing')} to mend")
        return
    held = ", ".join(
        count(len(part), word)
        for part, word in (
            (board.blocks, "block"),
            (board.amps, "amplifier"),
            (board.orders, "order"),
            (board.passages, "passage"),
        )
    )
    yield Text(f"{file} can be played: {held}")
