"""One passage in one order: what `simchain.render` does."""

from threading import Event

from simchain.board import Board, Order
from simchain.chain.floors import with_floors
from simchain.chain.path import path_from
from simchain.chain.source import source_of
from simchain.chain.steps import PAIR
from simchain.chain.walk import Rendering, walk
from simchain.errors import RequestError, unknown_name
from simchain.signal import Signal


def render(
    board: Board,
    order: str | Order,
    passage: str | None = None,
    *,
    song: str | None = None,
    amp: str | None = None,
    points: bool = True,
    turn: float = 0.0,
    noise: bool = False,
    floors: bool = False,
    stop: Event | None = None,
) -> Rendering:
    """Render a passage, or a song of them, in `order` to every test point.

    `amp` puts an amplifier of the board in place of the one in [output]. With `points` the sound
    of every test point is kept, else only its levels. `turn` (0 to 1) shifts the phase of
    free-running modulators. With `noise`, and always while a gate is on, hum and hiss are in the
    sound. With `floors` the points tell how much of them is left while nobody plays.

    Raises RequestError for names that the board does not have, for both of a passage and a song or
    none of them, and for a loop played before it is recorded; ClipError for clips;
    StoppedError before the next step once `stop` is set.
    """
    board.order(order)
    end = amp_name(board, amp)
    name = passage if song is None else song
    if name is None or (passage is not None and song is not None):
        raise RequestError("one passage or one song is rendered; name one of them")
    source = source_of(board, name, song=song is not None, noise=noise)
    path = path_from(source, board, order, end, turn=turn)
    rendering = walk(board, [path], source, points=points, stop=stop)[0]
    return with_floors(board, [rendering])[0] if floors else rendering


def amp_name(board: Board, wanted: str | None = None) -> str | None:
    """Return the amplifier to render on: `wanted`, or what [output] says, or None for the mixer.

    Two amplifiers of a stereo pair are joined by `PAIR`. Raises RequestError for an amplifier that
    the board does not have.
    """
    if wanted is None:
        return PAIR.join(board.output.amps) or None
    names = wanted.split(PAIR)
    for name in names:
        if name not in board.amps:
            raise unknown_name("amplifier", name, board.amps)
    if len(names) > 2:
        raise RequestError(f"'{wanted}' names {len(names)} amplifiers; one or two are allowed")
    return wanted


def signal_at(rendering: Rendering, name: str) -> Signal:
    """Return the kept sound of one test point, in volts.

    Raises RequestError when there is no such point or its sound was not kept.
    """
    if name not in rendering.points:
        raise unknown_name("test point", name, rendering.points)
    volts = rendering.points[name].volts
    if volts is None:
        raise RequestError(f"the sound of test point '{name}' was not kept; render with points")
    return Signal(volts, rendering.rate)
