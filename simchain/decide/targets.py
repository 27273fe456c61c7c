"""Where each passage should sit, and the controls that may be turned to put it there."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from simchain.board import Board, Order, with_settings
from simchain.board.level_controls import control_fault
from simchain.errors import RequestError, unknown_name
from simchain.settings import limits_of, unit_of, usual_of

# The control a player turns for level on a unit of each kind (common practice, no source). Other
# kinds seldom have one; their level_db is taken only where a target has nothing else.
LEVEL_CONTROLS = {
    "boost": "gain_db",
    "compressor": "level_db",
    "drive": "level_db",
    "equalizer": "level_db",
    "fuzz": "level_db",
    "octave": "level_db",
    "piezo_preamp": "gain_db",
}
LAST_RESORT = "level_db"
_NEVER_BY_DEFAULT = ("tuner", "volume", "gate")


@dataclass(frozen=True)
class Target:
    """How loud a passage should be: `lu` LU above passage `against`, or `lu` LUFS where it is None.

    LUFS are those of the sound at `out` against digital full scale, as in the files.
    """

    passage: str
    lu: float
    against: str | None

    def reached(self, lufs: Mapping[str, float]) -> float:
        """Return the figure that should be `lu`, from the loudness of each passage."""
        return lufs[self.passage] - (lufs[self.against] if self.against else 0.0)

    @property
    def passages(self) -> tuple[str, ...]:
        """The passage and what it is held against."""
        return (self.passage, self.against) if self.against else (self.passage,)


@dataclass(frozen=True)
class LevelControl:
    """One control that may be turned between `low` and `high`; it stands at `start`.

    The limits are what people meet (`usual`), or what the model allows where nothing is usual,
    widened to what the file has. `unit_step` is what counts as one step: 1 dB, or a twentieth of
    the range of a control that is not in dB.
    """

    block: str
    name: str
    unit: str
    low: float
    high: float
    start: float

    def __str__(self) -> str:
        return f"{self.block}.{self.name}"

    @property
    def unit_step(self) -> float:
        """One step, in the control's own unit."""
        return 1.0 if self.unit.startswith("dB") else (self.high - self.low) / 20.0

    def rounded(self, value: float, fineness: int) -> float:
        """Return `value` as it may stand in a file: to 0.1 dB, or `fineness` times finer."""
        coarse = 0.1
        if not self.unit.startswith("dB"):
            coarse = 10.0 ** math.floor(math.log10((self.high - self.low) / 100.0))
        step = coarse / fineness
        digits = max(0, 3 - math.floor(math.log10(coarse)))
        return min(self.high, max(self.low, round(round(value / step) * step, digits)))


def targets_of(
    board: Board, passages: Sequence[str] | None
) -> tuple[tuple[str, ...], tuple[Target, ...]]:
    """Return the passages to render, in the board's sequence, and the targets among them.

    `passages` (default all) take along what they are held against, and so on down the chain.

    Raises RequestError for a passage that the board does not have, and when none has a target.
    """
    chosen = with_held_against(board, passages or tuple(board.passages))
    found = []
    for name in chosen:
        passage = board.passage(name)
        if passage.above is not None:
            found.append(Target(name, passage.above.lu, passage.above.passage))
        elif passage.target_lufs is not None:
            found.append(Target(name, passage.target_lufs, None))
    if not found:
        raise RequestError(
            f"no passage of {', '.join(chosen)} has a target: give one how far it should be above "
            'another, above = { passage = "NAME", lu = 3.0 }, or target_lufs'
        )
    return chosen, tuple(found)


def with_held_against(board: Board, passages: Sequence[str]) -> tuple[str, ...]:
    """Return `passages` and those that they are held against, in the board's sequence.

    Raises RequestError for a passage that the board does not have.
    """
    wanted = list(passages)
    for name in wanted:
        above = board.passage(name).above
        if above is not None and above.passage not in wanted:
            wanted.append(above.passage)
    return tuple(name for name in board.passages if name in wanted)


def acts_in(board: Board, order: Order, control: LevelControl, passage: str) -> bool:
    """Tell whether turning `control` can change the sound of `passage`.

    It cannot where the order leaves the block out, where the block is off throughout, and where
    the passage has its own value for this very control, which stays in force.
    """
    played = board.passage(passage)
    if control.block not in order.blocks or control.name in played.set.get(control.block, {}):
        return False
    switched = {event.block for event in played.events if event.do not in (None, "off")}
    return control.block in switched | set(played.on)


def controls_of(
    board: Board, order: Order, targets: Sequence[Target]
) -> tuple[tuple[LevelControl, ...], tuple[str, ...]]:
    """Return the controls that [set_levels] names, or those a player would turn, and warnings.

    Left out, they are, for each target, the level controls of the blocks that are on in the
    passage and not in the one it is held against (for a target in LUFS: that are on). A block
    that is on in both would move them together. Where no such block has a level control, the
    `level_db` of those blocks is taken; where there is no such block, those that are on only in
    the passage it is held against. Amplifiers are left alone.
    A named control whose block this order leaves out is left alone too, with a warning.

    Raises RequestError for a named control that there is not or that cannot be turned.
    """
    named = tuple(dict.fromkeys(board.set_levels.controls))
    if named:
        wanted = [_named_control(board, text) for text in named]
        there = tuple(control for control in wanted if control.block in order.blocks)
        return there, tuple(
            f"{control} is not turned: this order leaves {control.block} out"
            for control in wanted
            if control not in there
        )
    found: dict[str, LevelControl] = {}
    for target in targets:
        found |= {str(control): control for control in _levers(board, order, target)}
    places = {name: place for place, name in enumerate(order.blocks)}
    return tuple(sorted(found.values(), key=lambda control: places[control.block])), ()


def level_control(board: Board, block: str, name: str) -> LevelControl:
    """Return control `name` of `block`, with its range and where it stands."""
    unit = board.blocks[block]
    field, start = type(unit).model_fields[name], float(getattr(unit, name))
    low, high = usual_of(field) or limits_of(field)
    low = start if low is None else min(low, start)
    high = start if high is None else max(high, start)
    return LevelControl(block, name, unit_of(field), low, high, start)


def turned(board: Board, settings: Mapping[LevelControl, float]) -> Board:
    """Return `board` with controls turned; a passage's own settings stay as they are."""
    blocks = dict(board.blocks)
    for control, value in settings.items():
        blocks[control.block] = with_settings(blocks[control.block], {control.name: value})
    return board.model_copy(update={"blocks": blocks})


def _levers(board: Board, order: Order, target: Target) -> list[LevelControl]:
    """Return the controls that a player would turn for one target."""
    own: list[LevelControl] = []
    of_the_other: list[LevelControl] = []
    for name in order.blocks:
        kind = board.blocks[name].kind
        if kind in _NEVER_BY_DEFAULT:
            continue
        control = level_control(board, name, LEVEL_CONTROLS.get(kind, LAST_RESORT))
        acting = [acts_in(board, order, control, passage) for passage in target.passages]
        if sum(acting) == 1:
            (own if acting[0] else of_the_other).append(control)
    for group in (own, of_the_other):
        usual = [c for c in group if board.blocks[c.block].kind in LEVEL_CONTROLS]
        if group:
            return usual or group
    return []


def _named_control(board: Board, text: str) -> LevelControl:
    block, _, name = text.partition(".")
    if block not in board.blocks:
        raise unknown_name("block", block, board.blocks)
    if fault := control_fault(name, board.blocks[block]):
        raise RequestError(f"[set_levels] controls: '{text}' cannot be turned: {fault}")
    return level_control(board, block, name)
