"""The command that opens the bench: a local page on which orders are tried."""

import sys
from pathlib import Path
from threading import Thread
from typing import Annotated

import typer

from simchain.cli_console import err, out

LOWEST_PORT = 1024  # those below belong to the system


def bench(
    board: Annotated[
        Path | None,
        typer.Argument(metavar="[BOARD]", help="The board file; without one, begin with another."),
    ] = None,
    port: Annotated[
        int | None,
        typer.Option(metavar="N", min=0, max=65535, help="Port to listen on; 0, any, is usual."),
    ] = None,
    no_open: Annotated[
        bool, typer.Option("--no-open", help="Print the address, and open no browser.")
    ] = False,
) -> None:
    """Try orders by hand and ear on a page in the browser, on this machine only."""
    from simchain.bench.desk import Desk
    from simchain.bench.run import run
    from simchain.errors import RequestError

    if port is not None and 0 < port < LOWEST_PORT:
        raise RequestError(f"--port {port}: allowed is 0, for any, or {LOWEST_PORT} to 65535")
    desk = Desk.opened(board) if board else None
    folder = board.parent if board else Path.cwd()

    def listens(address: str) -> None:
        out.print(address, soft_wrap=True)
        sys.stdout.flush()
        if not no_open:
            Thread(target=_open, args=(address,), daemon=True).start()

    def say(line: str) -> None:
        err.print(line, soft_wrap=True, markup=False)

    try:
        run(desk, folder, port, listens=listens, say=say)
    except KeyboardInterrupt:
        raise typer.Exit(130) from None


def _open(address: str) -> None:
    import webbrowser

    if not webbrowser.open(address):
        err.print("no browser could be opened; open the address above in one", soft_wrap=True)
