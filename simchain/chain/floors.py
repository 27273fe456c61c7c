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
    """Return renderings of one passage that tell what is there while nobody plays.

    The path is run on the guitar's hum alone, every unit and wire hissing, switches as they are
    at 0 s; what is left after `SETTLING_S` is measured for `FLOOR_S`. So each unit amplifies the
    noise before it as it does when it hears nothing else: a drive with its full gain, a
    compressor let go, a gate shut.
    """
    at_rest = renderings[0].path.timeline.at_rest()
    hum = hum_of(board, round((SETTLING_S + FLOOR_S) * board.rate))
    key = b"nobody plays"
    source = Source(Signal(hum, board.rate), at_rest, 1, hum.shape[1], noisy=True, key=key)
    paths = [
        path_of(board, one.path.order, at_rest, one.amp, source_key=key, noisy=True)
        for one in renderings
    ]
    measured = slice(-round(FLOOR_S * board.rate), None)
    silent = walk(board, paths, source, points=True)
    return [_with_floor(one, rest, measured) for one, rest in zip(renderings, silent, strict=True)]


def _with_floor(one: Rendering, rest: Rendering, measured: slice) -> Rendering:
    points = {
        name: replace(point, floor_volts=_louder_rms(rest.points[name].volts, measured))
        for name, point in one.points.items()
    }
    return replace(one, points=points, quiet=rest.output.samples[:, measured].copy())


def _louder_rms(volts: Volts | None, measured: slice) -> float:
    levels = level_of(volts[:, measured]) if volts is not None else ()
    return max((level.rms_volts for level in levels), default=0.0)
