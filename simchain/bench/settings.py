"""The board's settings as the page shows them: what each is, what it may be, where it stands."""

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from types import NoneType
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import to_jsonable_python

from simchain import clips
from simchain.bench.desk import Desk
from simchain.blocks import kinds
from simchain.board import Board
from simchain.board.find_clips import SOUND_FILES
from simchain.board.models import OF_THE_UNIT, Above, with_settings
from simchain.board.wording import key_shown
from simchain.report.documents import TABLES, as_all_have, controls_facts
from simchain.settings import Settings, is_file, limits_of, movable_in, unit_of, usual_of

KeyPath = tuple[str, ...]
Tables = Mapping[str, Any]

# Units that are logarithms already, or count none: the middle lies half-way.
EVEN_UNITS = ("", "dB", "dBu", "LU", "LUFS")
# Of a control that may stand anywhere between two ends, and has no usual range.
SHARES = (0.25, 0.5, 0.75)
START_NAMES = ("low", "middle", "high")
SHOWN_DIGITS = 2


def settings_document(desk: Desk) -> dict[str, Any]:
    """Return every table of the board with its settings, and the kinds of block there are.

    Of a setting: `value` in the unit, as written or else as it is; `written`; what `controls_facts`
    has of it; `type`: number, whole, yes, choice, text, names, pair, rows (with `controls` of
    their own) or other; `optional`; `choices`; `starts`, values low, middle and high (as far as
    they are taken) for people who know a knob's position. `in_passage`: whether a passage may set
    it otherwise.
    """
    board, tables = desk.board, tomllib.loads(desk.text)
    return {
        "revision": desk.revision,
        "kinds": [{"kind": name, "about": kind.about} for name, kind in kinds().items()],
        "clips": [*clips.names(), *_sound_files(board)],
        "tables": [
            *(_block(board, tables, name) for name in board.blocks),
            *_around(board, tables),
            *(_table(board, tables, ("amps", name)) for name in board.amps),
        ],
        "passages": [_passage(board, tables, name) for name in board.passages],
    }


def starts_of(low: float, high: float, unit: str) -> list[float]:
    """Return the low end, the middle and the high end of a range, to two digits.

    The middle of what is heard and built in ratios (Hz, ms, ohm ...) is the geometric one; where
    the low end is 0 there is none, and it lies half-way.
    """
    even = unit in EVEN_UNITS or low <= 0.0
    middle = (low + high) / 2 if even else math.sqrt(low * high)
    return [low, min(max(_rounded(middle), low), high), high]


def _block(board: Board, tables: Tables, name: str) -> dict[str, Any]:
    block = board.blocks[name]
    facts = controls_facts(type(block), common=as_all_have(type(block)))
    told = _told(board, tables, ("blocks", name), block, facts)
    for control in told["controls"]:
        control["in_passage"] = control["name"] not in OF_THE_UNIT
    return {"family": "block", "kind": block.kind, "about": block.about, **told}


def _around(board: Board, tables: Tables) -> list[dict[str, Any]]:
    """Return the tables that a board has one of, as far as `TABLES` tells of them."""
    pickup = _table(board, tables, ("source", "pickup"))
    movable = movable_in(type(board.source.pickup))
    for control in pickup["controls"]:
        control["in_passage"] = control["name"] in movable
    source, *rest = (_table(board, tables, (name,)) for name in ("source", "cables", "output"))
    return [source, pickup, *rest]


def _table(board: Board, tables: Tables, path: KeyPath) -> dict[str, Any]:
    table: Any = board
    for key in path:
        table = table[key] if isinstance(table, dict) else getattr(table, key)
    told = _told(board, tables, path, table, controls_facts(type(table)))
    abouts = dict(TABLES.values())
    family = "amp" if path[0] == "amps" else path[-1]
    return {"family": family, "kind": "", "about": abouts.get(type(table), ""), **told}


def _passage(board: Board, tables: Tables, name: str) -> dict[str, Any]:
    passage, path = board.passages[name], ("passages", name)
    told = _told(board, tables, path, passage, controls_facts(type(passage)))
    return {
        "family": "passage",
        "kind": "",
        "about": "A part of the music: its clip, what is on, and what is set otherwise in it.",
        **told,
        "on": list(passage.on),
        "set": _found(tables, (*path, "set")) or {},
        "above": to_jsonable_python(passage.above),
        "above_controls": _settings(board, {}, None, Above, controls_facts(Above)),
    }


def _told(
    board: Board, tables: Tables, path: KeyPath, table: Settings, facts: list[dict[str, Any]]
) -> dict[str, Any]:
    return {
        "name": path[-1],
        "path": list(path),
        "table": ".".join(key_shown(key) for key in path),
        "controls": _settings(board, _found(tables, path) or {}, table, type(table), facts),
    }


def _settings(
    board: Board,
    written: Tables,
    table: Settings | None,
    model: type[BaseModel],
    facts: list[dict[str, Any]],
) -> list[dict[str, Any]]:
    """Return what is known of each setting; tables within the table are left out."""
    told = []
    for fact in facts:
        name, field = fact["name"], model.model_fields[fact["name"]]
        plain, optional = _without_none(field.annotation)
        if _holds_tables(plain):
            continue
        value = written.get(name, to_jsonable_python(getattr(table, name, None)))
        choices = _choices(board, model, name, plain)
        more = {
            "value": value,
            "written": name in written,
            "type": _type(plain),
            "optional": optional or not field.is_required(),
            "choices": choices,
            "starts": _starts(table, model, name, plain),
            "file": is_file(field) or (name == "clip" and plain is str),
        }
        if _type(plain) == "rows":
            row: Any = get_args(plain)[0]
            more["controls"] = _settings(board, {}, None, row, controls_facts(row))
        told.append({**fact, **more})
    return told


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
    if table is None:
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
    named = {"amps": list(board.amps), "on": list(board.blocks)}
    if name == "passage" and model is Above:
        return list(board.passages)
    return named.get(name) if _type(plain) == "names" else None


def _type(plain: Any) -> str:
    """Say in one word what is filled in; `plain` is an annotation without None."""
    known = {float: "number", int: "whole", bool: "yes", str: "text"}
    if plain in known:
        return known[plain]
    origin, inner = get_origin(plain), get_args(plain)
    if origin is Literal:
        return "choice"
    if origin is tuple and inner == (str, ...):
        return "names"
    if origin is tuple and inner == (float, float):
        return "pair"
    return "rows" if origin is tuple and _is_flat(inner[0]) else "other"


def _is_flat(inner: Any) -> bool:
    """Whether it is a table that holds no tables of its own."""
    if not (isinstance(inner, type) and issubclass(inner, BaseModel)):
        return False
    return not any(_holds_tables(field.annotation) for field in inner.model_fields.values())


def _without_none(annotation: Any) -> tuple[Any, bool]:
    """Return an annotation without None, and whether that was in it."""
    inner = get_args(annotation)
    if NoneType not in inner:
        return annotation, False
    rest = [each for each in inner if each is not NoneType]
    return (rest[0] if len(rest) == 1 else annotation), True


def _holds_tables(plain: Any) -> bool:
    if get_origin(plain) is dict:
        return True
    return isinstance(plain, type) and issubclass(plain, BaseModel)


def _sound_files(board: Board) -> list[str]:
    """Return the names of the sound files beside the board, in alphabetical order."""
    try:
        beside = list((board.folder or Path()).iterdir())
    except OSError:
        return []
    fits = (path.name for path in beside if path.suffix.lower() in SOUND_FILES)
    return sorted(name for name in fits if not name.startswith("."))


def _found(tables: Tables, path: KeyPath) -> Any:
    found: Any = tables
    for key in path:
        found = found.get(key) if isinstance(found, dict) else None
    return found


def _rounded(value: float) -> float:
    return float(f"{value:.{SHOWN_DIGITS}g}")
