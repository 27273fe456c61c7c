"""The command that lays a recording of the finished board beside the plan."""

from pathlib import Path
from typing import Annotated

import typer

from simchain.cli_console import err, print_json, print_lines, warn
from simchain.cli_fit import IntoOhm, PlaybackVolts
from simchain.cli_options import AnOrder, BoardFile, Json, Progress


def verify(
    board: BoardFile,
    order: AnOrder,
    passage: Annotated[str, typer.Option(help="The passage whose blocks are on, as it begins.")],
    recording: Annotated[
        Path, typer.Argument(metavar="RECORDING", help="The tones, through the whole board.")
    ],
    loopback: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The same without the board: output into input."),
    ] = None,
    level_volts: PlaybackVolts = 0.1,
    into_ohm: IntoOhm = 1e6,
    as_json: Json = False,
) -> None:
    """Lay a recording of your finished board beside the plan (see simchain tones).

    The tones go in where the guitar goes, and the amplifier is left out: in a series order the
    lead to its input goes into the interface; in a split order the lead to its input is joined with
    the one from its send, and the lead to its return goes into the interface. Never record from a
    speaker output.
    """
    from simchain.board import load_board
    from simchain.fit.sent import playback_dbu
    from simchain.fit.verify import verify as verified
    from simchain.report.verify import verify_document, verify_parts

    loaded = load_board(board)
    with Progress(err) as progress:
        result = verified(
            loaded,
            order,
            passage,
            recording,
            loopback=loopback,
            playback_dbu=playback_dbu(level_volts),
            into_ohm=into_ohm,
            told=progress.say,
        )
    document = verify_document(result)
    warn(document["warnings"])
    if as_json:
        print_json(document, loaded)
        return
    print_lines(verify_parts(document))
