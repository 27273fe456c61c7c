"""What a higher voltage changes, as headroom: for the units that take it, where there is an outlet.

Rails are half the supply less what the circuit loses. Converters do not care, and neither does a
unit whose rail is given (many step the voltage up inside): a higher voltage gains them nothing.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from simchain.board import Board, Order
from simchain.chain.render import render
from simchain.chain.walk import Rendering
from simchain.patch.plugs import SAME_VOLTS, Plug, fit_together, plugs_of


@dataclass(frozen=True)
class Room:
    """Headroom in dB at one test point, in the passage where it is least, at both voltages.

    Negative where it clips, infinite for silence.
    """

    point: str
    passage: str
    before_db: float
    after_db: float


@dataclass(frozen=True)
class HigherVolts:
    """What a block gains from the highest voltage that it takes and an outlet gives.

    `outlets` are those that could give it. Rails in peak volts; of converters, their ceiling.
    `at_input` and `at_output` are None where its rails do not change, or it is on in no passage.
    """

    block: str
    outlets: tuple[str, ...]
    supply_volts: float
    higher_volts: float
    rail_volts: float
    higher_rail_volts: float
    at_input: Room | None = None
    at_output: Room | None = None

    @property
    def gains(self) -> bool:
        """Whether its rails move at all."""
        return self.higher_rail_volts > self.rail_volts


def headroom_gained(
    board: Board,
    order: str | Order,
    passages: Iterable[str] | None = None,
    *,
    amp: str | None = None,
) -> tuple[HigherVolts, ...]:
    """Return what higher voltages change in `order`, a block at a time, in the order's sequence.

    Each passage (all of the board's unless given) is rendered once as it is and once for each
    higher voltage, with all blocks that gain by it fed it at once: one that no longer clips gives
    the next one more. Whether an outlet is free is not asked: `power.assign` says what is there.

    Raises RequestError for names that the board does not have, ClipError for clips.
    """
    names = tuple(board.passages if passages is None else passages)
    order = board.order(order)
    found = {each.block: each for plug in plugs_of(board, order) for each in _offers(board, plug)}
    gaining = [each for each in found.values() if each.gains and each.block in order.blocks]
    before = _rendered(board, order, names, amp) if gaining else {}
    for volts in sorted({each.higher_volts for each in gaining}):
        fed = [each.block for each in gaining if each.higher_volts == volts]
        after = _rendered(_with_supply(board, fed, volts), order, names, amp)
        for block in fed:
            found[block] = _measured(found[block], before, after)
    return tuple(found[block] for block in order.blocks if block in found)


def _offers(board: Board, plug: Plug) -> Iterator[HigherVolts]:
    """Yield, for each block of a unit, the highest voltage that it takes and can have."""
    able = [outlet for outlet in board.supply.outlets if fit_together([plug], outlet)]
    highest = max((outlet.volts for outlet in able), default=0.0)
    if highest <= plug.supply_volts + SAME_VOLTS:
        return
    names = tuple(outlet.name for outlet in able if outlet.volts == highest)
    higher = _with_supply(board, plug.blocks, highest).blocks
    for name in plug.blocks:
        block = board.blocks[name]
        yield HigherVolts(
            name,
            names,
            block.supply_volts,
            highest,
            block.ceiling_volts,
            higher[name].ceiling_volts,
        )


def _with_supply(board: Board, names: Iterable[str], volts: float) -> Board:
    fed = {name: board.blocks[name].model_copy(update={"supply_volts": volts}) for name in names}
    return board.model_copy(update={"blocks": {**board.blocks, **fed}})


def _rendered(
    board: Board, order: Order, passages: Iterable[str], amp: str | None
) -> dict[str, Rendering]:
    return {passage: render(board, order, passage, amp=amp, points=False) for passage in passages}


def _measured(
    found: HigherVolts, before: dict[str, Rendering], after: dict[str, Rendering]
) -> HigherVolts:
    rooms = [_room(f"{found.block}.{jack}", before, after) for jack in ("in", "out")]
    return replace(found, at_input=rooms[0], at_output=rooms[1])


def _room(point: str, before: dict[str, Rendering], after: dict[str, Rendering]) -> Room | None:
    least: Room | None = None
    for passage, rendering in before.items():
        now, then = rendering.points[point].headroom, after[passage].points[point].headroom
        if now and then and (least is None or now.db < least.before_db):
            least = Room(point, passage, now.db, then.db)
    return least
