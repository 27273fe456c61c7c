"""A board as it might be played or set on another evening: softer, at half volume, 2 dB off.

Nothing is written to a file, and the board itself stays as it is.
"""

from collections.abc import Callable, Collection
from typing import Any, Literal, get_args

from simchain import units
from simchain.board import Board, Passage
from simchain.board.gear import GuitarPickup
from simchain.chain.timeline import SOURCE
from simchain.settings import limits_of

Condition = Literal[
    "picking_softer", "picking_harder", "volume_half", "volume_full", "levels_up", "levels_down"
]
CONDITIONS: tuple[Condition, ...] = get_args(Condition)

# Half and twice the volts: 6 dB.
PICKING: dict[Condition, float] = {"picking_softer": 0.5, "picking_harder": 2.0}
VOLUME: dict[Condition, float] = {"volume_half": 0.5, "volume_full": 1.0}
LEVELS_DB: dict[Condition, float] = {"levels_up": 2.0, "levels_down": -2.0}


def changed(board: Board, condition: Condition, blocks: Collection[str] = ()) -> Board:
    """Return `board` under `condition`; the very same where there is nothing to change.

    Picking changes the volts that clips stand for. The guitar's volume stands still at its place,
    in every passage and through their events; a source without pots has none. The `level_db` of
    `blocks` is turned wherever it is set, as far as its range goes.
    """
    if condition in PICKING:
        return _picked(board, PICKING[condition])
    if condition in VOLUME:
        return _with_volume(board, VOLUME[condition])
    for name in blocks:
        board = _with_level(board, name, LEVELS_DB[condition])
    return board


def _picked(board: Board, factor: float) -> Board:
    source = board.source
    if source.loudest_peak_volts is not None:
        update = {"loudest_peak_volts": source.loudest_peak_volts * factor}
    else:
        update = {"full_scale_dbu": source.full_scale_dbu + units.ratio_to_db(factor)}
    return board.model_copy(update={"source": source.model_copy(update=update)})


def _with_volume(board: Board, position: float) -> Board:
    pickup = board.source.pickup
    if not isinstance(pickup, GuitarPickup):
        return board
    turned = pickup.model_copy(update={"volume": position})
    source = board.source.model_copy(update={"pickup": turned})
    passages = _in_passages(board, SOURCE, "volume", lambda _: position)
    return board.model_copy(update={"source": source, "passages": passages})


def _with_level(board: Board, name: str, by_db: float) -> Board:
    block = board.blocks[name]
    low, high = limits_of(type(block).model_fields["level_db"])

    def turned(level_db: float) -> float:
        wanted = level_db + by_db
        wanted = wanted if low is None else max(wanted, low)
        return wanted if high is None else min(wanted, high)

    other = block.model_copy(update={"level_db": turned(block.level_db)})
    passages = _in_passages(board, name, "level_db", turned)
    return board.model_copy(update={"blocks": {**board.blocks, name: other}, "passages": passages})


def _in_passages(
    board: Board, table: str, control: str, turned: Callable[[float], float]
) -> dict[str, Passage]:
    """Return the passages with a control of `table` turned where they, or their events, set it."""

    def again(given: dict[str, Any]) -> dict[str, Any]:
        return {**given, control: turned(given[control])} if control in given else given

    def passage_again(passage: Passage) -> Passage:
        update: dict[str, Any] = {
            "events": tuple(
                event.model_copy(update={"set": again(event.set)})
                if event.block == table and control in event.set
                else event
                for event in passage.events
            )
        }
        if table in passage.set:
            update["set"] = {**passage.set, table: again(passage.set[table])}
        return passage.model_copy(update=update)

    return {name: passage_again(passage) for name, passage in board.passages.items()}
