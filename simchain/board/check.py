"""Warnings: what a board may well mean, and a player should know."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain

from pydantic import BaseModel

from simchain.board.models import Board
from simchain.board.rules import broken_rules, split_boxes
from simchain.board.wording import listed, shown
from simchain.settings import unit_of, usual_of

# Nothing that is stood on is smaller (common practice, no source).
SMALLEST_UNIT_MM, SMALLEST_FLOOR_MM = 25.0, 120.0


@dataclass(frozen=True)
class BoardWarning:
    """Something to know about a board that loads. `block` is '' when it is about no single one."""

    code: str
    block: str
    text: str

    def __str__(self) -> str:
        return self.text


def check_board(board: Board) -> list[BoardWarning]:
    """Return the warnings for `board`.

     Codes: `outside_usual`, `supply_range`, `centimetres`, `tuner_mutes`, `rule_broken`,
    `box_split`, `output_assumed`.
    """
    return list(
        chain(
            _outside_usual(board),
            _wrong_supplies(board),
            _centimetres(board),
            _muting_tuners(board),
            _against_rules(board),
            _assumed_output(board),
        )
    )


def _outside_usual(board: Board) -> Iterator[BoardWarning]:
    yield from _unusual(board, "", "")
    for name in ("source", "cables", "output", "judging", "goals", "floor"):
        yield from _unusual(getattr(board, name), name, "")
    yield from _unusual(board.source.pickup, "source.pickup", "")
    for number, outlet in enumerate(board.supply.outlets, start=1):
        yield from _unusual(outlet, "supply", "", f"outlets, entry {number}, ")
    for name, block in board.blocks.items():
        yield from _unusual(block, f"blocks.{name}", name)
    for name, amp in board.amps.items():
        yield from _unusual(amp, f"amps.{name}", "")
    for name, passage in board.passages.items():
        yield from _unusual(passage, f"passages.{name}", "")
        for changed, changes in passage.set.items():
            where, settings = f"passages.{name}.set.{changed}", board.block_in(name, changed)
            yield from _unusual(settings, where, changed, only=frozenset(changes))


def _unusual(
    model: BaseModel,
    table: str,
    block: str,
    before: str = "",
    only: frozenset[str] | None = None,
) -> Iterator[BoardWarning]:
    """Warn about each setting the user wrote that lies outside what people meet."""
    written = model.model_fields_set if only is None else only
    for key, field in type(model).model_fields.items():
        if key not in written:
            continue
        value, usual = getattr(model, key), usual_of(field)
        if isinstance(value, tuple):
            for number, entry in enumerate(value, start=1):
                if isinstance(entry, BaseModel) and not isinstance(model, Board):
                    inner = f"{before}{key}, entry {number}, "
                    yield from _unusual(entry, table, block, inner)
        if usual is None or isinstance(value, bool) or not isinstance(value, int | float):
            continue
        off = value == 0 and unit_of(field) == "Hz"
        if not off and not usual[0] <= value <= usual[1]:
            unit = f" {unit_of(field)}" if unit_of(field) else ""
            where = f"[{table}] " if table else ""
            text = (
                f"{where}{before}{key} = {shown(value)}: usual is "
                f"{usual[0]:g} to {usual[1]:g}{unit}"
            )
            yield BoardWarning("outside_usual", block, text)


def _wrong_supplies(board: Board) -> Iterator[BoardWarning]:
    for name, block in board.blocks.items():
        takes = block.supply_range_volts
        if takes is not None and not takes[0] <= block.supply_volts <= takes[1]:
            text = (
                f"[blocks.{name}] supply_volts = {block.supply_volts:g}: the unit takes "
                f"{takes[0]:g} to {takes[1]:g} V; the wrong voltage or polarity can destroy a "
                "unit, so read what is printed on it before plugging in"
            )
            yield BoardWarning("supply_range", name, text)


def _centimetres(board: Board) -> Iterator[BoardWarning]:
    """Warn of sizes that only a slip of the unit explains."""
    sizes = [("floor", "", board.floor.size_mm, SMALLEST_FLOOR_MM)]
    sizes += [(f"blocks.{n}", n, b.size_mm, SMALLEST_UNIT_MM) for n, b in board.blocks.items()]
    for table, block, size, least in sizes:
        if size is not None and max(size) < least:
            text = (
                f"[{table}] size_mm = {shown(list(size))}: {size[0]:g} x {size[1]:g} mm is very "
                "small; centimetres? Write millimetres"
            )
            yield BoardWarning("centimetres", block, text)


def _muting_tuners(board: Board) -> Iterator[BoardWarning]:
    tuners = {name for name, block in board.blocks.items() if block.kind == "tuner"}
    for name, passage in board.passages.items():
        switched = {event.block for event in passage.events if event.do == "on"}
        for tuner in sorted(tuners & (switched | set(passage.on))):
            when = "" if tuner in passage.on else " from the moment it is switched on"
            text = f"[passages.{name}] '{tuner}' is on: a tuner mutes the sound{when}"
            yield BoardWarning("tuner_mutes", tuner, text)


def _against_rules(board: Board) -> Iterator[BoardWarning]:
    for name, order in board.orders.items():
        for sentence in broken_rules(board, order):
            yield BoardWarning("rule_broken", "", f"[orders.{name}] breaks a rule; {sentence}")
        for sentence in split_boxes(board, order):
            yield BoardWarning("box_split", "", f"[orders.{name}] {sentence}")


def _assumed_output(board: Board) -> Iterator[BoardWarning]:
    output = board.output
    if "amps" not in output.model_fields_set and len(board.amps) > 1:
        text = (
            f"[output] names no amplifier: '{output.amps[0]}' is taken, the first of "
            f"{listed(board.amps, 'and')}"
        )
        yield BoardWarning("output_assumed", "", text)
