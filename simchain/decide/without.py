"""One passage with some blocks of an order switched off, heard against the order as it is.

In the place of a block stands the same unit, off throughout: its cables, its buffer and what it
loads stay as they are.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from threading import Event

from simchain.board import Board, Judging, Order
from simchain.decide.causes import Cause, Name, causes
from simchain.decide.character import characters
from simchain.decide.judge import Judge, Judged, Sound

Without = frozenset[str]


@dataclass(frozen=True, eq=False)
class Lost:
    """What one passage loses without some blocks; it is measured against the order as it is.

    `causes` are told where one block is gone, None elsewhere. `missed` is how much that is missed:
    the score, or the change in level where that counts for more (see `missed_of`).
    """

    without: Without
    passage: str
    judged: Judged
    causes: dict[Name, Cause] | None
    missed: float


class Listener:
    """Hears one passage with some blocks switched off, against the order as it is."""

    def __init__(
        self, board: Board, order: Order, amp: str | None, passage: str, stop: Event
    ) -> None:
        self.order, self.passage = order, passage
        self.judge = Judge(_with_twins(board, order), passage, amp, stop=stop)
        self.given: Sound | None = None
        self.warnings: tuple[str, ...] = ()
        self._keys: set[bytes] = set()

    @property
    def renders(self) -> int:
        """Orders rendered; those that are the very same path are one."""
        return len(self._keys)

    def lost(self, wanted: Sequence[Without], *, told: bool) -> list[Lost]:
        """Return what is lost without each of `wanted`; the causes too where they are `told`."""
        without = [_without(self.order, off) for off in wanted]
        if self.given is None:
            self.given, *others = self.judge.sounds([self.order, *without])
            self.warnings = self.given.rendering.warnings
        else:
            others = self.judge.sounds(without)
        self._keys |= {one.rendering.path.steps[-1].key for one in (self.given, *others)}
        judged = self.judge.judged([(self.given, other) for other in others])
        found = self._causes(self.given, others, judged) if told else [None] * len(others)
        return [
            Lost(off, self.passage, one, why, missed_of(one, self.judge.board.judging))
            for off, one, why in zip(wanted, judged, found, strict=True)
        ]

    def _causes(
        self, given: Sound, others: Sequence[Sound], judged: Sequence[Judged]
    ) -> list[dict[Name, Cause] | None]:
        sounds = [given, *others]
        as_is, *rest = characters(self.judge, sounds, [None] * len(sounds))
        loops = any(step.moment.takes for step in given.rendering.path.steps)
        return [
            causes(
                as_is,
                other,
                trim_lu=one.difference.trim_lu,
                more_dirt_db=None if loops else one.more_dirt_db,
            )
            for other, one in zip(rest, judged, strict=True)
        ]


def missed_of(judged: Judged, judging: Judging) -> float:
    """Return how much a difference is missed, in units of the score.

    Verdicts are given at equal loudness; but what makes a solo louder is missed for just that. So a
    change in level counts too: as much as `free_move_lu`, the most of a free move, is as the score
    at which a difference is free no more.
    """
    trim_lu = abs(judged.difference.trim_lu)
    by_level = judging.free_below * trim_lu / max(judging.free_move_lu, 1e-9)
    return max(judged.score.score, by_level)


def _off(name: str) -> str:
    """Return what the unit that stands for a block while it is off is called on the board."""
    return f"{name} (off)"


def _without(order: Order, off: Without) -> Order:
    front, loop = (
        tuple(_off(name) if name in off else name for name in part)
        for part in (order.front, order.loop)
    )
    return Order(front=front, loop=loop)


def _with_twins(board: Board, order: Order) -> Board:
    """Return the board with a second unit for each block of the order; no passage has it on."""
    twins = {_off(name): board.blocks[name] for name in order.blocks}
    passages = {}
    for name, passage in board.passages.items():
        settings = {
            _off(block): passage.set[block] for block in order.blocks if block in passage.set
        }
        passages[name] = passage.model_copy(update={"set": passage.set | settings})
    return board.model_copy(update={"blocks": board.blocks | twins, "passages": passages})
