"""Long work on recordings that lie beside the board: a unit's settings, the finished board."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from simchain.bench.asked import names_in, text_in, text_or_none_in
from simchain.bench.clips import checked_clip_name
from simchain.bench.jobs import Job, Work
from simchain.board import Board
from simchain.board.wording import shown
from simchain.errors import RequestError, unknown_name

LARGEST_TONE_VOLTS = 10.0


def fit_job(board: Board, asked: Mapping[str, Any]) -> tuple[str, Work]:
    """Return the work that finds a block's settings in a recording."""
    name = text_in(asked, "block")
    if name not in board.blocks:
        raise unknown_name("block", name, board.blocks)
    recording, loopback, volts = _recorded(board, asked)

    def work(job: Job) -> dict[str, Any]:
        from simchain.board.write import REMOVED
        from simchain.fit.fitting import changes_of, fit_block
        from simchain.fit.sent import playback_dbu
        from simchain.report.fit import control_rows, fit_document, fit_sentences

        result = fit_block(
            board,
            name,
            recording,
            loopback=loopback,
            playback_dbu=playback_dbu(volts),
            told=job.say,
        )
        document = fit_document(result, board.blocks[name], written=False)
        heads = ["control", "on the board", "found", "give or take"]
        rows = [list(row) for row in control_rows(document)]
        changes = changes_of(board, result) if result.fits else {}
        return {
            "facts": list(fit_sentences(document)),
            "notes": document["warnings"],
            "tables": [{"caption": f"Controls, {name}", "heads": heads, "rows": rows}],
            "changes": [
                {"path": list(path), **({"remove": True} if one is REMOVED else {"value": one})}
                for path, one in changes.items()
            ],
            "say": f"{name} as recorded",
        }

    return "The search for settings", work


def verify_job(board: Board, asked: Mapping[str, Any]) -> tuple[str, Work]:
    """Return the work that lays a recording of the finished board beside the plan."""
    order, passages = text_in(asked, "order"), names_in(asked, "passages")
    board.order(order)
    if not passages or passages[0] not in board.passages:
        raise RequestError("choose above over which passage: its blocks are on")
    recording, loopback, volts = _recorded(board, asked)

    def work(job: Job) -> dict[str, Any]:
        from simchain.fit.sent import playback_dbu
        from simchain.fit.verify import verify
        from simchain.report.verify import (
            MEASURE_HEADS,
            measure_rows,
            verify_document,
            verify_sentences,
        )

        result = verify(
            board,
            order,
            passages[0],
            recording,
            loopback=loopback,
            playback_dbu=playback_dbu(volts),
            told=job.say,
        )
        document = verify_document(result)
        rows = [list(row) for row in measure_rows(document["measures"])]
        return {
            "facts": list(verify_sentences(document)),
            "notes": document["warnings"],
            "tables": [
                {"caption": "The finished board", "heads": list(MEASURE_HEADS), "rows": rows}
            ],
        }

    return "The check of the finished board", work


def _recorded(board: Board, asked: Mapping[str, Any]) -> tuple[Path, Path | None, float]:
    """Return the recording, the loop-back if there is one, and the level of the tones in volts."""
    recording, loopback = _file(board, asked, "recording"), _file(board, asked, "loopback")
    if recording is None:
        raise RequestError("choose the recording")
    return recording, loopback, _volts(asked)


def _file(board: Board, asked: Mapping[str, Any], key: str) -> Path | None:
    """Return a recording that lies beside the board, or None where none is named."""
    name = text_or_none_in(asked, key)
    return None if name is None else (board.folder or Path()) / checked_clip_name(name)


def _volts(asked: Mapping[str, Any]) -> float:
    """Return what a meter read on the first steady tone, in volts."""
    volts = asked.get("volts")
    if isinstance(volts, bool) or not isinstance(volts, int | float):
        raise RequestError(f"volts = {shown(volts)}: a number is wanted")
    if not 0.0 < volts <= LARGEST_TONE_VOLTS:
        raise RequestError(
            f"volts = {shown(volts)}: allowed is above 0 to {LARGEST_TONE_VOLTS:g} V RMS"
        )
    return float(volts)
