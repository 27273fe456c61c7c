"""The command that prints an order's sheets: cables, power, checks, stage card."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from simchain.cli_console import err, out, print_json, warn
from simchain.cli_options import AnOrder, BoardFile, Json, OneAmp, Progress


class Paper(StrEnum):
    """The paper that the sheets are laid out for."""

    A4 = "a4"
    LETTER = "letter"


def plan(
    board: BoardFile,
    order: AnOrder,
    file: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE.html", help="The sheets to write. [required]"),
    ] = None,
    pdf: Annotated[
        Path | None, typer.Option(metavar="FILE.pdf", help="Write them as PDF, too.")
    ] = None,
    paper: Annotated[Paper, typer.Option(help="a4 or letter.")] = Paper.A4,
    amp: OneAmp = None,
    as_json: Json = False,
) -> None:
    """Print the sheets of an order: cables, power, checks after the build, and a stage card.

    Two tones to check the levels with, a minute each, are written beside them.
    """
    from simchain.board import load_board
    from simchain.report.plan_document import plan as planned
    from simchain.report.plan_document import plan_document
    from simchain.report.plan_page import refuse_files, write_plan

    loaded = load_board(board)
    loaded.order(order)
    sheets = refuse_files(board, file, pdf)
    with Progress(err) as progress:
        made = planned(loaded, order, amp=amp, progress=progress)
        document = plan_document(made, str(sheets)) | {"pdf": str(pdf) if pdf else None}
        progress.say("writing the sheets")
        write_plan(document, sheets, pdf, paper.value)
    warn(document["warnings"])
    if as_json:
        print_json(document, loaded)
        return
    tones = [sheets.parent / name for name in document["tones"]["files"]]
    for written in filter(None, (sheets, pdf, *tones)):
        out.print(f"written: {written}", soft_wrap=True)
    out.print(f"open {sheets} in a browser to read or print it", soft_wrap=True)
