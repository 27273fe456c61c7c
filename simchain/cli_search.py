"""The command that listens to every order: its options, what it prints, and its page."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from simchain.cli_console import err, names, out, print_json, warn
from simchain.cli_options import BoardFile, Json, OneAmp, Passages, Progress
from simchain.errors import RequestError

if TYPE_CHECKING:
    from simchain.decide.found import Found


def search(
    board: BoardFile,
    folder: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Folder for the page, with sounds to listen to."),
    ] = None,
    blocks: Annotated[
        str | None, typer.Option(metavar="A,B,...", help="Blocks to place; default all.")
    ] = None,
    passages: Passages = None,
    amp: OneAmp = None,
    coarse: Annotated[
        bool,
        typer.Option("--coarse", help="The quick first pass alone: lower rate, first seconds."),
    ] = False,
    full: Annotated[
        bool,
        typer.Option("--full", help="Every order at full quality, without the quick pass: slow."),
    ] = False,
    beam: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            min=1,
            max=1000,
            help="For too many orders: follow the N best on.",
        ),
    ] = None,
    limit: Annotated[
        int | None,
        typer.Option(metavar="N", min=1, help="Most orders to listen to; default 400,000."),
    ] = None,
    members: Annotated[
        bool, typer.Option("--members", help="List every order of every group (with --json).")
    ] = False,
    checkpoint: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Keep what is heard there, to stop and go on from it."),
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="A running cluster: tcp://HOST:PORT.")
    ] = None,
    local_workers: Annotated[
        int | None, typer.Option(metavar="N", help="Use N processes here in place of threads.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Listen to every order the rules allow: which sound alike, and which suits the goals best."""
    from simchain.board import load_board
    from simchain.decide.search import LIMIT
    from simchain.decide.search import search as searched
    from simchain.files import prepare_folder
    from simchain.report.made_with import write_made_with
    from simchain.report.search_document import search_document
    from simchain.report.search_tables import search_parts

    if coarse and full:
        raise RequestError("give --coarse or --full, not both; without either both passes are made")
    loaded = load_board(board)
    if folder:
        prepare_folder(folder)
    with Progress(err) as progress:
        found = searched(
            loaded,
            blocks=names(blocks),
            passages=names(passages),
            amp=amp,
            coarse=not full,
            full=not coarse,
            beam=beam,
            limit=limit or LIMIT,
            scheduler=scheduler,
            local_workers=local_workers,
            checkpoint=checkpoint,
            progress=progress,
        )
        page = _search_page(found, folder, progress) if folder else None
        if folder:
            write_made_with(folder, loaded)
    document = search_document(found, members=members) | {"page": page}
    warn(found.warnings)
    if as_json:
        print_json(document, loaded)
        return
    for part in search_parts(document):
        out.print(part)
    if folder and page:
        out.print(f"open {folder / page} in a browser to listen", soft_wrap=True)


def _search_page(found: "Found", folder: Path, progress: Progress) -> str:
    """Write the page of a search with the sounds of the best of its groups; return its name."""
    from simchain.report.search_page import auditions, write_search_page

    heard = auditions(found, progress=progress)
    progress.say("writing the page")
    return write_search_page(folder, found, heard).name
