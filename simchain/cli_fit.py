"""The commands about the user's own units: tones to record them with, and settings found."""

from pathlib import Path
from typing import Annotated

import typer

from simchain.cli_console import err, print_json, print_lines, warn
from simchain.cli_options import BoardFile, Json, Progress

Loopback = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="The same recording without the unit: output into input."),
]
PlaybackVolts = Annotated[
    float,
    typer.Option(
        metavar="V", help="What a meter read on the first steady tone, in volts.", min=1e-4, max=10
    ),
]
IntoOhm = Annotated[
    float,
    typer.Option(metavar="OHM", help="Input impedance of the recording side.", min=100, max=1e9),
]


def tones(
    file: Annotated[Path, typer.Argument(metavar="FILE.wav", help="The recording to write.")],
    as_json: Json = False,
) -> None:
    """Write the tones to play through a unit, and say how to record it."""
    from simchain.fit.sent import write_tones
    from simchain.report.fit import refuse_tones, tones_document, tones_parts

    refuse_tones(file)
    write_tones(file)
    document = tones_document(file)
    if as_json:
        print_json(document)
        return
    print_lines(tones_parts(document))


def fit(
    board: BoardFile,
    block: Annotated[str, typer.Argument(metavar="BLOCK", help="A block of the board.")],
    recording: Annotated[
        Path, typer.Argument(metavar="RECORDING", help="The tones, through the unit.")
    ],
    loopback: Loopback = None,
    level_volts: PlaybackVolts = 0.1,
    into_ohm: IntoOhm = 1e6,
    write: Annotated[
        bool, typer.Option("--write", help="Write the settings into the board file.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Find a block's settings in a recording of your own unit (see simchain tones)."""
    from simchain.board import load_board
    from simchain.board.write import prepare_to_save, save
    from simchain.fit.fitting import changes_of, fit_block
    from simchain.fit.sent import playback_dbu
    from simchain.report.fit import fit_document, fit_parts

    loaded = load_board(board)
    if write:
        prepare_to_save(board)
    with Progress(err) as progress:
        result = fit_block(
            loaded,
            block,
            recording,
            loopback=loopback,
            playback_dbu=playback_dbu(level_volts),
            into_ohm=into_ohm,
            told=progress.say,
        )
    written = write and result.fits
    if written:
        save(board, changes_of(loaded, result))
    document = fit_document(result, loaded.blocks[block], written=written)
    warn(document["warnings"])
    if as_json:
        print_json(document, loaded)
        return
    print_lines(fit_parts(document, board))
