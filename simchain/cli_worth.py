"""The command that tells what each block is worth."""

from simchain.cli_console import err, names, out, print_json, warn
from simchain.cli_options import AnOrder, BoardFile, Json, OneAmp, Passages, Progress


def worth(
    board: BoardFile,
    order: AnOrder,
    passages: Passages = None,
    amp: OneAmp = None,
    as_json: Json = False,
) -> None:
    """Switch each block off: what is lost without it, and which four blocks keep most?"""
    from simchain.board import load_board
    from simchain.decide.worth import worth as worth_of
    from simchain.report.worth import worth_document, worth_parts

    loaded = load_board(board)
    with Progress(err) as progress:
        result = worth_of(loaded, order, passages=names(passages), amp=amp, progress=progress)
    document = worth_document(result)
    warn(document["warnings"])
    if as_json:
        print_json(document, loaded)
        return
    for part in worth_parts(document):
        out.print(part)
