"""Electrical warnings: what wires, rails and earths do to an order, told before any sound is made.

Only passages and switches of the board count, each in every order, on the amplifier of [output].
"""

from collections.abc import Mapping

from simchain.board import Board, BoardWarning
from simchain.chain.electrical.loading import first_input_warnings, long_cable_warnings
from simchain.chain.electrical.rails import loop_level_warnings, rail_warnings
from simchain.chain.electrical.wiring import comb_warnings, earth_warnings, stereo_warnings
from simchain.chain.path import path_of
from simchain.chain.steps import PAIR


def check_electrics(board: Board, clip_peaks: Mapping[str, float]) -> list[BoardWarning]:
    """Return the electrical warnings for `board`, each told once, where it is worst.

    `clip_peaks` holds the loudest sample of each clip in volts; a clip that is not in it is not
    followed to the rails.

    Codes: `first_input_low`, `long_unbuffered`, `near_rail`, `loop_level`, `loop_comb`,
    `stereo_ends`, `ground_loop`.
    """
    amp = PAIR.join(board.output.amps) or None
    paths = [
        path_of(board, order, passage, amp, source_key=b"")
        for order in board.orders
        for passage in board.passages
        if amp is not None or not board.orders[order].loop
    ]
    by_passage = {
        name: clip_peaks.get(passage.clip or board.source.clip or "", 0.0)
        for name, passage in board.passages.items()
    }
    return [
        *first_input_warnings(paths),
        *long_cable_warnings(board, paths),
        *rail_warnings(paths, by_passage),
        *loop_level_warnings(board, paths),
        *comb_warnings(board, paths),
        *stereo_warnings(board, paths),
        *earth_warnings(board),
    ]
