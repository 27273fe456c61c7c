"""The command that finds an acoustic guitar's body in two recordings made together."""

from pathlib import Path
from typing import Annotated

import typer

from simchain.cli_console import err, print_json, print_lines, warn
from simchain.cli_options import Json
from simchain.errors import ClipError


def body(
    pickup: Annotated[
        Path, typer.Argument(metavar="PICKUP.wav", help="The guitar's pickup, one channel.")
    ],
    microphone: Annotated[
        Path, typer.Argument(metavar="MIC.wav", help="A microphone before it, recorded with it.")
    ],
    file: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE.wav", help="The impulse response to write."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Find what an acoustic guitar's body adds to its pickup, as a file for a body block.

    Record both at once into one interface, the microphone near in a quiet room, for ten seconds
    or more of playing all over the neck.
    """
    from simchain.measure.body import body_of
    from simchain.measure.recordings import read_together
    from simchain.report.body import body_document, body_parts, refuse_file, write_body

    if file:
        refuse_file(file, (pickup, microphone))
    with err.status("listening to the two recordings"):
        recordings = read_together(pickup, microphone)
        try:
            found = body_of(recordings.pickup, recordings.microphone)
        except ClipError as error:
            raise ClipError(f"{pickup} and {microphone}: {error}") from error
        document = body_document(found, recordings, file)
        if file:
            write_body(file, found)
    warn(document["warnings"])
    if as_json:
        print_json(document)
        return
    print_lines(body_parts(document))
