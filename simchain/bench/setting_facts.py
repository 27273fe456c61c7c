"""What is known of each setting of a table: its type, its choices, and values to start from."""

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import to_jsonable_python

from simchain.board import Board
from simchain.board.level_controls import control_fault
from simchain.board.models import Above, Event, Song, with_settings
from simchain.board.rules import Rules
from simchain.board.wishes import Goals, SetLevels
from simchain.report.kinds import controls_facts
from simchain.settings import Settings, is_file, limits_of, unit_of, usual_of

# Units that are logarithms already, or count none: the middle lies half-way.
EVEN_UNITS = ("", "dB", "dBu", "LU", "LUFS")
# Of a control that may stand anywhere between two ends, and has no usual range.
SHARES = (0.25, 0.5, 0.75)
START_NAMES = ("low", "middle", "high")
SHOWN_DIGITS = 2
# Names that mean something by their sequence, where one may stand more than once or not.
SEQUENCES = {(Rules, "first"), (Rules, "last"), (Song, "passages"), (SetLevels, "controls")}

Facts = dict[str, Any]


def facts_of(
    board: Board,
    written: Mapping[str, Any],
    table: Settings | None,
    model: type[BaseModel],
    facts: list[Facts],
) -> list[Facts]:
    """Return `facts`, as `controls_facts` tells them, with what else is known of each setting.

    `written` is the table as it stands in the file, `table` as it was read. Tables within the
    table are left out. `type`: number, whole, yes, choice, text, names, sequence (of names),
    groups (of names in sequence), pair, rows (with `controls` of their own), places (rows of a
    name and a number), events, or other. `label`: its name in words.
    """
    told = []
    words = Counter(_spoken(fact) for fact in facts)
    for fact in facts:
        name, field = fact["name"], model.model_fields[fact["name"]]
        plain, optional = _without_none(field.annotation)
        kind = "sequence" if (model, name) in SEQUENCES else _type(plain)
        if kind == "table":
            continue
        more = {
            # Where two would have the same words, the unit stays in them.
            "label": _spoken(fact) if words[_spoken(fact)] == 1 else name.replace("_", " "),
            "value": written.get(name, to_jsonable_python(getattr(table, name, None))),
            "written": name in written,
            "type": kind,
            "optional": optional or not field.is_required(),
            "choices": _choices(board, model, name, plain),
            "starts": _starts(table, model, name, plain),
            "file": is_file(field) or (name == "clip" and plain is str),
        }
        if kind in ("rows", "events"):
            row: Any = get_args(plain)[0]
            more["controls"] = facts_of(board, {}, None, row, controls_facts(row))
        told.append({**fact, **more})
    return told


def _spoken(fact: Facts) -> str:
    """Return a setting's name in words, without the unit that stands beside its field."""
    *words, last = fact["name"].split("_")
    unit = fact["unit"].lower().replace("/", "_per_")
    return " ".join(words if words and unit.startswith(last) else [*words, last])


def starts_of(low: float, high: float, unit: str) -> list[float]:
    """Return the low end, the middle and the high end of a range, to two digits.

    The middle of what is heard and built in ratios (Hz, ms, ohm ...) is the geometric one; where
    the low end is 0 there is none, and it lies half-way.
    """
    even = unit in EVEN_UNITS or low <= 0.0
    middle = (low + high) / 2 if even else math.sqrt(low * high)
    return [low, min(max(_rounded(middle), low), high), high]


def _starts(
    table: Settings | None, model: type[BaseModel], name: str, plain: Any
) -> dict[str, float] | None:
    """Return the starting points of a number that its table takes; None where nothing says any."""
    if plain not in (int, float):
        return None
    field = model.model_fields[name]
    usual, (low, high) = usual_of(field), limits_of(field)
    if (low, high) == (0, 1) and usual in (None, (0, 1)):
        found = list(SHARES)
    elif usual is not None:
        found = starts_of(*usual, unit_of(field))
    else:
        return None
    named = dict(zip(START_NAMES, found, strict=True))
    if plain is int:
        # Where only even numbers are taken, the middle is the next one.
        near = {key: (round(value), round(value) + 1) for key, value in named.items()}
        named = {
            key: next((n for n in two if _takes(table, name, n)), two[0])
            for key, two in near.items()
        }
    return {key: value for key, value in named.items() if _takes(table, name, value)}


def _takes(table: Settings | None, name: str, value: float) -> bool:
    """Whether the table, with all else as it is, takes a value."""
    if table is None or isinstance(table, Board):
        return True
    try:
        with_settings(table, {name: value})
    except ValidationError:
        return False
    return True


def _choices(board: Board, model: type[BaseModel], name: str, plain: Any) -> list[Any] | None:
    """Return what a setting is chosen from: its own words, or names that the board has."""
    if get_origin(plain) is Literal:
        return list(get_args(plain))
    if model is Rules:
        return list(board.blocks)
    ticked: dict[str, Iterable[str]] = {"amps": board.amps, "on": board.blocks}
    special: dict[tuple[type[BaseModel], str], Iterable[str]] = {
        (Above, "passage"): board.passages,
        (Song, "passages"): board.passages,
        (Goals, "reference"): board.orders,
        (Event, "block"): ["source", *board.blocks],
        (SetLevels, "controls"): _level_controls(board) if model is SetLevels else [],
    }
    found = special.get((model, name), ticked.get(name) if _type(plain) == "names" else None)
    return None if found is None else list(found)


def _level_controls(board: Board) -> list[str]:
    """Return each control that `set-levels` may turn, as BLOCK.CONTROL."""
    return [
        f"{name}.{key}"
        for name, block in board.blocks.items()
        for key in type(block).model_fields
        if not control_fault(key, block)
    ]


def _type(plain: Any) -> str:
    """Say in one word what is filled in; `plain` is an annotation without None."""
    known = {float: "number", int: "whole", bool: "yes", str: "text"}
    if plain in known:
        return known[plain]
    origin, inner = get_origin(plain), [_bare(each) for each in get_args(plain)]
    if origin is Literal:
        return "choice"
    if origin is dict:
        return "places" if inner == [str, int] else "table"
    if origin is tuple:
        return _type_of_list(inner)
    return "table" if _is_model(plain) else "other"


def _type_of_list(inner: list[Any]) -> str:
    if inner == [str, ...]:
        return "names"
    if inner == [float, float]:
        return "pair"
    if inner[0] is Event:
        return "events"
    if get_origin(inner[0]) is tuple:
        return "groups"
    fields = inner[0].model_fields.values() if _is_model(inner[0]) else []
    flat = fields and all(_type(field.annotation) != "table" for field in fields)
    return "rows" if flat else "other"


def _bare(annotation: Any) -> Any:
    """Return an annotation without what is said beside it."""
    return get_args(annotation)[0] if get_origin(annotation) is Annotated else annotation


def _is_model(plain: Any) -> bool:
    return isinstance(plain, type) and issubclass(plain, BaseModel)


def _without_none(annotation: Any) -> tuple[Any, bool]:
    """Return an annotation without None and what is said beside it; whether None was in it."""
    inner = get_args(annotation)
    if type(None) not in inner:
        return _bare(annotation), False
    rest = [_bare(each) for each in inner if each is not type(None)]
    return (rest[0] if len(rest) == 1 else annotation), True


def _rounded(value: float) -> float:
    return float(f"{value:.{SHOWN_DIGITS}g}")
