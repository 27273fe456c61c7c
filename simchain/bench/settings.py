"""The board's settings as the page shows them: what each is, what it may be, where it stands."""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, get_args

from pydantic_core import to_jsonable_python

from simchain import clips
from simchain.bench.desk import Desk
from simchain.bench.setting_facts import facts_of
from simchain.blocks import kinds
from simchain.blocks.base import Block
from simchain.board import Board
from simchain.board.find_clips import SOUND_FILES
from simchain.board.models import OF_THE_UNIT, Above, Event
from simchain.board.read import TOP_LEVEL
from simchain.board.wording import key_shown
from simchain.report.kinds import TABLES, as_all_have, controls_facts
from simchain.settings import Settings, movable_in

KeyPath = tuple[str, ...]
Tables = Mapping[str, Any]

# What a board has one of, in words for people who have not read its file.
AROUND = {
    (): ("the whole board", "Its title, and what holds for every passage."),
    ("source",): ("source: the guitar", ""),
    ("source", "pickup"): ("pickup", ""),
    ("cables",): ("cables", ""),
    ("supply",): ("supply: power for the blocks", "What each of its outlets gives."),
    ("output",): ("output: where orders end", ""),
    ("floor",): ("floor: the board underfoot", "How large it is, and what fits beneath it."),
    ("rules",): (
        "rules: which orders are allowed",
        "What every order keeps to, read over the front and then the loop. An order set by hand "
        "may break a rule, and is told so; a search never does.",
    ),
    ("goals",): (
        "goals: what a search should prefer",
        "How much each goal counts when orders are ranked: 0 not at all, 2 twice as much as 1.",
    ),
    ("judging",): ("judging: when a difference counts", ""),
    ("set_levels",): ("levels: what may be turned to set them", ""),
}
PASSAGE = "A part of the music: its clip, what is on, what is switched and what set otherwise."
# What comes first of a passage: which blocks sound in it, and when.
SOUNDING = ("on", "events")
# What may be done to any block while it sounds; the rest is done to loops.
SWITCHES = 2


def settings_document(desk: Desk) -> dict[str, Any]:
    """Return every table of the board with its settings, and the kinds of block there are.

    Of a table: `title`, in words; `controls`. Of a setting: `value` in the
    unit, as written or else as it is; `written`; what `controls_facts` has of it; `type`, see
    `facts_of`; `optional`; `choices`; `starts`, values low, middle and high (as far as they are
    taken) for people who know a knob's position. `in_passage`: whether a passage may set it
    otherwise. Of a block `does`: what an event may do to it.
    """
    board, tables = desk.board, tomllib.loads(desk.text)
    return {
        "revision": desk.revision,
        "kinds": [{"kind": name, "about": kind.about} for name, kind in kinds().items()],
        "clips": [*clips.names(), *_sound_files(board)],
        "tables": [
            *(_block(board, tables, name) for name in board.blocks),
            *(_around(board, tables, path) for path in AROUND),
            *(_table(board, tables, ("amps", name)) for name in board.amps),
            *(_table(board, tables, ("songs", name)) for name in board.songs),
        ],
        "passages": [_passage(board, tables, name) for name in board.passages],
    }


def _block(board: Board, tables: Tables, name: str) -> dict[str, Any]:
    block = board.blocks[name]
    facts = controls_facts(type(block), common=as_all_have(type(block)))
    told = _told(board, tables, ("blocks", name), block, facts)
    for control in told["controls"]:
        control["in_passage"] = control["name"] not in OF_THE_UNIT
    if name != block.kind:
        told["title"] += f", {block.kind.replace('_', ' ')}"
    return {"kind": block.kind, "about": block.about, **told, "does": _deeds(block)}


def _deeds(block: Block) -> list[str]:
    words = get_args(get_args(Event.model_fields["do"].annotation)[0])
    return list(words if block.loop is not None else words[:SWITCHES])


def _around(board: Board, tables: Tables, path: KeyPath) -> dict[str, Any]:
    told = _table(board, tables, path)
    title, about = AROUND[path]
    if path == ("source", "pickup"):
        movable = movable_in(type(board.source.pickup))
        for control in told["controls"]:
            control["in_passage"] = control["name"] in movable
        told["does"] = []
    return {**told, "title": title, "about": about or told["about"]}


def _table(board: Board, tables: Tables, path: KeyPath) -> dict[str, Any]:
    table: Any = board
    for key in path:
        table = table[key] if isinstance(table, dict) else getattr(table, key)
    facts = controls_facts(type(table))
    if table is board:
        facts = [fact for fact in facts if fact["name"] in TOP_LEVEL]
    told = _told(board, tables, path, table, facts)
    about = dict(TABLES.values()).get(type(table)) or (type(table).__doc__ or "").split("\n")[0]
    return {"kind": "", "about": about, **told}


def _passage(board: Board, tables: Tables, name: str) -> dict[str, Any]:
    passage, path = board.passages[name], ("passages", name)
    facts = controls_facts(type(passage))
    facts.sort(key=lambda fact: fact["name"] not in SOUNDING)
    told = _told(board, tables, path, passage, facts)
    return {
        "kind": "",
        "about": PASSAGE,
        **told,
        "on": list(passage.on),
        "set": _found(tables, (*path, "set")) or {},
        "above": to_jsonable_python(passage.above),
        "above_controls": facts_of(board, {}, None, Above, controls_facts(Above)),
    }


def _told(
    board: Board, tables: Tables, path: KeyPath, table: Settings, facts: list[dict[str, Any]]
) -> dict[str, Any]:
    return {
        "name": path[-1] if path else "board",
        "title": path[-1].replace("_", " ") if path else "",
        "path": list(path),
        "table": ".".join(key_shown(key) for key in path),
        "controls": facts_of(board, _found(tables, path) or {}, table, type(table), facts),
    }


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
