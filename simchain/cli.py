"""Commands: read what was asked, call, print. No computation.

Exit status: 0 done (also with warnings), 2 something the user must mend, 1 a fault of simchain's
own, 130 interrupted. People's text goes through rich; with ``--json`` one JSON document, and
nothing else, goes to standard output. Progress and warnings go to standard error.
"""

import errno
import gc
import os
import sys
import tempfile
import traceback
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from simchain.cli_bench import bench
from simchain.cli_body import body
from simchain.cli_console import err, names, out, print_json, print_lines, stop_printing, warn
from simchain.cli_fit import fit, tones
from simchain.cli_guide import guide
from simchain.cli_options import (
    Amps,
    AnOrder,
    BoardFile,
    Folder,
    HeardFiles,
    Holds,
    Json,
    Measures,
    Noise,
    OneAmp,
    Passages,
    Pictures,
    Progress,
)
from simchain.cli_plan import plan
from simchain.cli_search import search
from simchain.cli_verify import verify
from simchain.cli_worth import worth
from simchain.errors import BoardError, Problem, SimchainError
from simchain.files import reason_of

if TYPE_CHECKING:
    from simchain.board import Board, BoardWarning

# What the system says where something can be opened and no more be written.
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS)

app = typer.Typer(
    help="Hear and measure the order of effects on a guitar board before patching it.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _print_version(wanted: bool) -> None:
    if wanted:
        from simchain import __version__

        out.print(__version__)
        raise typer.Exit


@app.callback()
def _every_command(
    context: typer.Context,
    version: Annotated[  # noqa: ARG001  (its callback is what counts)
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Say which.")
    ] = False,
) -> None:
    """Hear and measure the order of effects on a guitar board before patching it."""
    if context.invoked_subcommand != "check":
        gc.enable()


@app.command()
def demo(
    folder: Folder = Path("simchain-demo"), pictures: Pictures = False, as_json: Json = False
) -> None:
    """Compare four orders of a board that ships with simchain, and write the audition page.

    The board is written beside the page; one that is there already is used as it is.
    """
    from simchain.board import load_board, new_board
    from simchain.files import prepare_folder

    prepare_folder(folder)
    board = folder / "board.toml"
    if not board.exists():
        new_board(board, "demo")
    _compare(load_board(board), folder, pictures=pictures, as_json=as_json)
    if not as_json:
        out.print(
            f"the board is {board}: change it, or try another amplifier with\n"
            f"  simchain compare {board} --amp clean --out {folder}-clean",
            soft_wrap=True,
        )


@app.command()
def new(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The board file to make.")],
    starter: Annotated[
        str, typer.Option(help="electric or acoustic: what the new board begins with.")
    ] = "electric",
) -> None:
    """Make a commented board file to start from."""
    from simchain.board import new_board

    new_board(file, starter)
    out.print(f"wrote {file}; next: simchain check {file}", soft_wrap=True)


@app.command()
def check(board: BoardFile, as_json: Json = False) -> None:
    """Read a board file and list what is wrong and what is unlikely."""
    from simchain.board import check_board, load_board
    from simchain.chain.electrical import check_electrics
    from simchain.chain.source import check_clips
    from simchain.patch.check import check_floor
    from simchain.report.checks import check_document, check_lines

    problems: list[Problem] = []
    warnings: list[BoardWarning] = []
    loaded = None
    try:
        loaded = load_board(board)
        problems, levels, peaks = check_clips(loaded)
        warnings = check_board(loaded) + levels + check_electrics(loaded, peaks)
        warnings += check_floor(loaded)
    except BoardError as error:
        problems = list(error.problems)
    if as_json:
        print_json(check_document(problems, warnings))
    else:
        print_lines(check_lines(board, loaded, problems, warnings))
    if problems:
        raise typer.Exit(2)


@app.command()
def blocks(
    kind: Annotated[
        str | None,
        typer.Argument(
            metavar="KIND", help="One kind; or amp, source, pickup, piezo, cables, output."
        ),
    ] = None,
    every: Annotated[
        bool, typer.Option("--all", help="Explain the settings that every kind has, too.")
    ] = False,
    as_json: Json = False,
) -> None:
    """List the kinds of block, or the controls of one kind."""
    from simchain.report.kinds import kind_tables, kinds_document, kinds_table

    document = kinds_document(kind)
    if as_json:
        print_json(document)
        return
    for part in kind_tables(document, every=every) if kind else [kinds_table(document)]:
        out.print(part)


@app.command()
def render(
    board: BoardFile,
    order: AnOrder,
    folder: Folder,
    passage: Annotated[str | None, typer.Option(help="A passage of the board.")] = None,
    song: Annotated[
        str | None, typer.Option(help="In place of a passage: a song of the board.")
    ] = None,
    points: Annotated[bool, typer.Option("--points", help="Also write every test point.")] = False,
    amp: OneAmp = None,
    noise: Noise = False,
    as_json: Json = False,
) -> None:
    """Render one passage, or a song of them, in one order to WAV files."""
    from simchain.board import load_board
    from simchain.chain.render import render as rendered
    from simchain.chain.stereo import may_fold
    from simchain.decide.songs import song_steps
    from simchain.files import prepare_folder
    from simchain.report.made_with import write_made_with
    from simchain.report.results import write_render
    from simchain.report.tables import points_table, render_lines

    loaded = load_board(board)
    prepare_folder(folder)
    with err.status(f"rendering {song or passage} in {order}"):
        kept = points or may_fold(loaded)
        rendering = rendered(
            loaded, order, passage, song=song, amp=amp, points=kept, noise=noise, floors=True
        )
        steps = song_steps(loaded, rendering) if song else ()
        document = write_render(rendering, folder, points=points, steps=steps)
        write_made_with(folder, loaded)
    warn(document["warnings"])
    if as_json:
        print_json(document, loaded)
        return
    out.print(points_table(document))
    print_lines(render_lines(document))
    out.print(f"written: {folder / document['output']['file']}", soft_wrap=True)


@app.command()
def levels(
    board: BoardFile,
    order: AnOrder,
    passages: Passages = None,
    amp: OneAmp = None,
    folder: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Folder for the level diagram.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Level at every test point of one order: RMS, peak, and how far from clipping."""
    from simchain.board import load_board
    from simchain.decide.levels import levels as levels_of
    from simchain.files import prepare_folder
    from simchain.report.documents import levels_document
    from simchain.report.made_with import write_made_with
    from simchain.report.results import write_levels
    from simchain.report.tables import levels_lines, levels_table

    loaded = load_board(board)
    if folder:
        prepare_folder(folder)
    with err.status(f"rendering {order}"):
        document = levels_document(levels_of(loaded, order, passages=names(passages), amp=amp))
        document["files"] = []
        if folder:
            document["files"] = write_levels(document, loaded.title, folder)
            write_made_with(folder, loaded)
    warn(document["warnings"])
    if as_json:
        print_json(document, loaded)
        return
    out.print(levels_table(document, out.width))
    print_lines(levels_lines(document))
    for name in document["files"]:
        out.print(f"written: {(folder or Path()) / name}", soft_wrap=True)


@app.command()
def set_levels(
    board: BoardFile,
    order: AnOrder,
    passages: Passages = None,
    amp: OneAmp = None,
    write: Annotated[
        bool, typer.Option("--write", help="Write the settings into the board file.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Find the level controls that put every passage where it should sit in one order."""
    from simchain.board import load_board
    from simchain.board.write import prepare_to_save, save
    from simchain.decide.set_levels import set_levels as found_levels
    from simchain.report.set_levels import set_levels_document, set_levels_parts

    loaded = load_board(board)
    if write:
        prepare_to_save(board)
    with Progress(err) as progress:
        result = found_levels(
            loaded, order, passages=names(passages), amp=amp, progress=progress.say
        )
    if write and result.changes:
        save(board, result.changes)
    document = set_levels_document(result, written=write)
    warn(document["warnings"])
    if as_json:
        print_json(document, loaded)
        return
    print_lines(set_levels_parts(document, board))


@app.command()
def swaps(
    board: BoardFile,
    order: AnOrder,
    passages: Passages = None,
    amp: OneAmp = None,
    every: Annotated[
        bool, typer.Option("--all", help="Every two blocks that are on, not neighbours alone.")
    ] = False,
    holds: Holds = False,
    as_json: Json = False,
) -> None:
    """Exchange neighbours, and move blocks across the split: does it matter where they stand?"""
    from simchain.board import load_board
    from simchain.decide.swaps import swaps as exchanged
    from simchain.report.swaps import swaps_document, swaps_parts

    loaded = load_board(board)
    with Progress(err) as progress:
        result = exchanged(
            loaded,
            order,
            passages=names(passages),
            amp=amp,
            every=every,
            holds=holds,
            progress=progress,
        )
    document = swaps_document(result)
    warn(document["warnings"])
    if as_json:
        print_json(document, loaded)
        return
    for part in swaps_parts(document):
        out.print(part)


@app.command()
def compare(
    board: BoardFile,
    folder: Folder,
    orders: Annotated[
        str | None,
        typer.Option(metavar="A,B,...", help="Orders of the board, two or more; default all."),
    ] = None,
    passages: Annotated[
        str | None,
        typer.Option(metavar="P,Q,...", help="Passages of the board; default all, if no songs."),
    ] = None,
    songs: Annotated[
        str | None,
        typer.Option(metavar="S,T,...", help="Songs of the board, alone or beside passages."),
    ] = None,
    amp: Amps = None,
    noise: Noise = False,
    heard: HeardFiles = None,
    holds: Holds = False,
    measures: Measures = False,
    pictures: Pictures = False,
    as_json: Json = False,
) -> None:
    """Compare orders over passages and songs: audition page, spectra, levels and differences."""
    from simchain.board import load_board

    loaded = load_board(board)
    _compare(
        loaded,
        folder,
        pictures=pictures,
        as_json=as_json,
        heard=names(heard),
        orders=names(orders),
        over={
            "passages": names(passages),
            "songs": names(songs),
            "amps": list(loaded.amps) if amp == "all" else names(amp),
        },
        noise=noise,
        holds=holds,
        measures=measures,
    )


app.command()(search)
app.command()(worth)
app.command()(plan)
app.command()(bench)
app.command()(body)
app.command()(guide)
app.command()(tones)
app.command()(fit)
app.command()(verify)


def _compare(
    board: "Board",
    folder: Path,
    *,
    pictures: bool,
    as_json: bool,
    heard: list[str] | None = None,
    orders: list[str] | None = None,
    over: Mapping[str, Any] | None = None,
    **asked: Any,
) -> None:
    """Compare `orders` (default all), write the page, and say what was found and what was `heard`.

    `over` are passages, songs and amps. The files of what was `heard` are read before anything is
    rendered: one that does not fit is told at once.
    """
    from simchain.decide.compare import compare as compared
    from simchain.decide.heard import read_blind_tests
    from simchain.files import prepare_folder
    from simchain.report.heard import heard_lines
    from simchain.report.made_with import write_made_with
    from simchain.report.results import write_comparison
    from simchain.report.tables import comparison_lines

    chosen = orders or list(board.orders)
    over = over or {}
    tests = read_blind_tests(heard or [], board, chosen, **over)
    prepare_folder(folder)
    with Progress(err) as progress:
        comparison = compared(board, chosen, progress=progress, **over, **asked)
        progress.say("writing the page")
        document, data = write_comparison(comparison, folder, pictures=pictures, heard=tests)
        write_made_with(folder, board)
    warn(comparison.warnings)
    if as_json:
        print_json(document, board)
        return
    print_lines(comparison_lines(data))
    print_lines(heard_lines(document["heard"]))
    out.print(f"open {folder / document['page']} in a browser to listen", soft_wrap=True)


def main() -> None:
    """Run a command and turn whatever goes wrong into one plain line and an exit status.

    Loading makes some hundred thousand objects and no rubbish: looking for it took a sixth of
    `check`, which ends before there is any. And no package that is installed beside simchain is
    asked whether it is a plug-in of the one that checks settings.
    """
    gc.disable()
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    try:
        sys.exit(_ended())
    except SimchainError as error:
        _say(str(error))
        sys.exit(2)
    except BrokenPipeError:  # who reads has seen enough, such as head
        stop_printing()
        sys.exit(1)
    except Exception as error:  # the last net: no traceback reaches the screen
        if isinstance(error, OSError) and error.errno in NO_ROOM:
            stop_printing()
            _say(f"cannot write {error.filename or 'what is printed'}: {reason_of(error)}")
            sys.exit(2)
        sys.exit(_fault(error))
    finally:
        gc.enable()


def _ended() -> Any:
    """Run a command to its end, with all that it prints; return its exit status."""
    try:
        app()
    except SystemExit as end:
        if sys.stdout is not None:
            sys.stdout.flush()
        return end.code


def _say(line: str) -> None:
    with suppress(OSError, AttributeError):  # standard error may be full, or closed
        err.print(line, soft_wrap=True, markup=False)


def _fault(error: Exception) -> int:
    """Keep the traceback of a fault of our own in a file and say where it lies."""
    name = type(error).__name__
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="simchain-fault-", suffix=".txt", delete=False
        ) as file:
            file.write("".join(traceback.format_exception(error)))
    except OSError as full:
        place = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{name} in {Path(place.filename).name}:{place.lineno}"
        _say(f"simchain has a fault of its own ({where}); no more is kept: {reason_of(full)}")
        return 1
    _say(f"simchain has a fault of its own ({name}); what it was is in {file.name}")
    return 1
