"""What each test point reads while nobody plays: hum and hiss through all that is switched on."""

from collections.abc import Sequence
from dataclasses import replace

from simchain.board import Board
from simchain.chain.path import path_of
from simchain.chain.source import Source, hum_of
from simchain.chain.walk import Rendering, walk
from simchain.measure.level import level_of
from simchain.signal import Signal, Volts

# What is waited for before a noise floor is measured, and how long that takes.
SETTLING_S = 1.5
FLOOR_S = 1.5


def with_floors(board: Board, renderings: Sequence[Rendering]) -> list[Rendering]:
    """Return renderings of one passage whose points tell what they read while nobody plays.

    The path is run on the guitar's hum alone, every unit and wire hissing, switches as they are
    at 0 s; what is left after `SETTLING_S` is measured for `FLOOR_S`. So each unit amplifies the
    noise before it as it does when it hears nothing else: a drive with its full gain, a
    compressor let go, a gate shut.
    """
    at_rest = _resting(board, renderings[0].passage)
    passage = renderings[0].passage
    hum = hum_of(at_rest, round((SETTLING_S + FLOOR_S) * board.rate))
    source = Source(Signal(hum, board.rate), hum.shape[1], b"nobody plays", "")
    paths = [
        path_of(at_rest, one.path.order, passage, one.amp, source_key=source.key, noisy=True)
        for one in renderings
    ]
    measured = slice(-round(FLOOR_S * board.rate), None)
    return [
        replace(one, points={
            name: replace(point, floor_volts=_louder_rms(quiet.points[name].volts, measured))
            for name, point in one.points.items()
        })
        for one, quiet in zip(
            renderings, walk(at_rest, paths, source, points=True), strict=True
        )
    ]  # fmt: skip


def _resting(board: Board, name: str) -> Board:
    """Return the board with nothing switched during the passage `name`."""
    passage = board.passage(name).model_copy(update={"events": ()})
    return board.model_copy(update={"passages": {**board.passages, name: passage}})


def _louder_rms(volts: Volts | None, measured: slice) -> float:
    levels = level_of(volts[:, measured]) if volts is not None else ()
    return max((level.rms_volts for level in levels), default=0.0)
