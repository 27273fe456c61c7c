"""From a TOML file to a Board, or to every problem that it has."""

import contextlib
import datetime
import os
import re
import tomllib
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from simchain.amp.settings import Amp
from simchain.blocks.base import Block, kind_named, kind_with_choice, kinds
from simchain.board import crosscheck, gear, models, rules, wishes
from simchain.board.names import NAMES_ALLOWED, Names, name_fault
from simchain.board.wording import Findings, TooManyProblemsError, key_shown, shown, with_article
from simchain.errors import BoardError, Problem, nearest

LARGEST_FILE = 1_000_000
DEEPEST_TABLE = 12
MOST_NAMES = 64
TOML_LIMIT = 2**63
# A key of so many parts and more is refused before it is read as TOML: what that takes grows with
# the square of their number, and 60 kB of dots took 3.5 GB. Text and comments are stepped over.
MOST_KEY_PARTS = 32
_PART = r"""(?:[A-Za-z0-9_-]++|"(?:[^"\\\n]|\\[^\n])*+"|'[^'\n]*+')"""
_LONG_KEY_OR_TEXT = re.compile(
    rf"""(?P<long>{_PART}(?:[ \t]*+\.[ \t]*+{_PART}){{{MOST_KEY_PARTS},}}+)"""
    # A text that is not closed goes on to the end: each sign is looked at a few times at most.
    r"""|["]{3}(?:[^"\\]|\\.|"(?!""))*+(?:["]{3})?+|'{3}(?:[^']|'(?!''))*+(?:'{3})?+"""
    r"""|"(?:[^"\\\n]|\\[^\n])*+"?+|'[^'\n]*+'?+|[A-Za-z0-9_-]++|\#[^\n]*+""",
    re.DOTALL,
)

# What people write that is no TOML, and what to say of it.
COMMON_SLIPS = (
    (r"=\s*-?\d+,\d", "a number has a point, not a comma: 0.3"),
    (r"=\s*-?[\d.]+\s*%", "a share is a number from 0 to 1: 30 % is 0.3"),
    (r"=\s*-?[\d.]+\s*[A-Za-z]", "a number stands alone, without its unit"),
    (r"=\s*[A-Za-z]", 'text stands in quotes, "like this"'),
    (r"=\s*\"[^\"]*$", "a quote is not closed"),
)

TOP_LEVEL = ("title", "rate", "links", "tail_s")
SINGLE: dict[str, type[BaseModel]] = {
    "cables": gear.Cables,
    "supply": gear.Supply,
    "output": gear.Output,
    "rules": rules.Rules,
    "judging": wishes.Judging,
    "set_levels": wishes.SetLevels,
    "goals": wishes.Goals,
    "floor": gear.Floor,
}
NAMED: dict[str, tuple[type[BaseModel], str]] = {
    "amps": (Amp, "an amplifier"),
    "orders": (models.Order, "an order"),
    "passages": (models.Passage, "a passage"),
    "songs": (models.Song, "a song"),
}
NEEDED = {
    "blocks": "a board has at least one block: [blocks.NAME] with its kind",
    "orders": 'a board has at least one order: [orders.NAME] with front = ["BLOCK", ...]',
    "passages": 'a board has at least one passage: [passages.NAME] with on = ["BLOCK", ...]',
}

AnyModel = TypeVar("AnyModel", bound=BaseModel)


def load_board(path: Path | str) -> models.Board:
    """Read a board file.

    Raises BoardError with every problem found: each names file, table, key, what was given and
    what is allowed.
    """
    path = Path(path)
    return read_board(text_of(path), file=str(path), folder=path.parent)


def read_board(text: str, *, file: str = "board", folder: Path | None = None) -> models.Board:
    """Read a board from TOML text; `file` names it in messages, clips lie in `folder`.

    Raises BoardError with every problem found.
    """
    found = Findings(file)
    board = None
    with contextlib.suppress(TooManyProblemsError):
        board = _Tables(_parsed(text, found), found).board()
        if board is not None:
            board = _with_files_beside(board, folder or Path(), found)
    if found.problems or board is None:
        raise BoardError(found.problems)
    told = {"file": file, "folder": folder}
    if "title" not in board.model_fields_set:
        told["title"] = Path(file).stem
    return board.model_copy(update=told)


def text_of(path: Path) -> str:
    """Return what is in a board file, line ends as they are. Raises BoardError when it cannot."""
    try:
        if path.is_dir():
            raise _refusal(path, "is a folder; a board is a TOML file")
        if not path.exists():
            raise _refusal(path, "there is no such file; simchain new writes one to start from")
        if not path.is_file():
            raise _refusal(path, "is not an ordinary file")
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE + 1)
    except OSError as error:
        raise _refusal(path, f"cannot be read: {error.strerror or error}".lower()) from error
    if len(content) > LARGEST_FILE:
        raise _refusal(path, f"is larger than {LARGEST_FILE // 1_000_000} MB: not a board file")
    try:
        return content.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise _refusal(path, f"is not UTF-8 text (line {line})") from error


def _refusal(path: Path, text: str) -> BoardError:
    return BoardError([Problem(str(path), "", "", "", "", text)])


def _parsed(text: str, found: Findings) -> dict[str, Any]:
    """Return the file's tables, or raise BoardError when it cannot be read as TOML."""
    if any(match["long"] for match in _LONG_KEY_OR_TEXT.finditer(text)):
        found.add(
            "", "", f"is nested too deeply to be a board: a key of over {MOST_KEY_PARTS} parts"
        )
        raise BoardError(found.problems)
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found.add("", "", f"is not TOML: {_with_small_initial(str(error))}{_at_fault(text, error)}")
    except RecursionError:
        found.add("", "", "is nested too deeply to be a board")
    except ValueError:
        found.add("", "", "holds a number with thousands of digits")
    else:
        _refuse_strange_values(tables, found)
    if found.problems:
        raise BoardError(found.problems)
    return tables


def _with_files_beside(board: models.Board, folder: Path, found: Findings) -> models.Board:
    """Return the board with the whole paths of the files that its blocks and amplifiers name."""
    changed: dict[str, dict[str, Any]] = {}
    for family in ("blocks", "amps"):
        tables = changed[family] = dict(getattr(board, family))
        for name, table in tables.items():
            paths = {key: (folder / file).absolute() for key, file in table.named_files().items()}
            for key, path in paths.items():
                if not os.path.isfile(path):  # noqa: PTH113 - quiet about names that cannot be
                    given = getattr(table, key)
                    text = f"{key} = {shown(given)}: there is no such file beside the board"
                    found.add(f"{family}.{name}", key, text, value=given, allowed="a sound file")
            whole = {key: str(path) for key, path in paths.items()}
            tables[name] = table.model_copy(update=whole)
    return board.model_copy(update=changed)


def _at_fault(text: str, error: tomllib.TOMLDecodeError) -> str:
    """Show the line that is no TOML, and say what is most often meant."""
    number = re.search(r"at line (\d+)", str(error))
    lines = text.split("\n")
    if number is None or int(number[1]) > len(lines):
        return ""
    line = lines[int(number[1]) - 1].strip()
    told = f", which is: {shown(line)}"
    for pattern, hint in COMMON_SLIPS:
        if re.search(pattern, line):
            return f"{told}; {hint}"
    return told


def _with_small_initial(text: str) -> str:
    return text[:1].lower() + text[1:]


def _refuse_strange_values(tables: dict[str, Any], found: Findings) -> None:
    """Add a problem for what TOML allows and no board needs: dates, huge numbers, deep nesting."""
    for keys, value in _leaves(tables):
        where = ".".join(keys)
        if len(keys) > DEEPEST_TABLE:
            found.add("", "", f"{where[:40]}... is nested too deeply to be in a board")
        elif isinstance(value, datetime.date | datetime.time):
            found.add("", where, f"{where} = {value}: a board has no dates or times", value=value)
        elif isinstance(value, int) and not -TOML_LIMIT <= value < TOML_LIMIT:
            found.add("", where, f"{where}: the number has too many digits for TOML")


def _leaves(tables: dict[str, Any]) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Yield each value that is no table or list, and each table too deep, with its keys."""
    waiting: list[tuple[tuple[str, ...], Any]] = [((), tables)]
    while waiting:
        keys, value = waiting.pop()
        if not isinstance(value, dict | list) or len(keys) > DEEPEST_TABLE:
            yield keys, value
            continue
        inner = value.items() if isinstance(value, dict) else enumerate(value, start=1)
        waiting += [((*keys, key_shown(key)), item) for key, item in inner]


class _Tables:
    """The tables of one file on their way into models; what does not fit goes to `found`."""

    def __init__(self, tables: dict[str, Any], found: Findings):
        self.tables, self.found = tables, found

    def board(self) -> models.Board:
        """Return the board made of the tables that are in order."""
        parts = self._top_level()
        if "source" in self.tables:
            parts["source"] = self._source(self.tables["source"])
        for name, model in SINGLE.items():
            if name in self.tables:
                parts[name] = self._valid(model, self.tables[name], name, f"[{name}]")
        parts["blocks"] = self._named("blocks", self._block)
        for name, (model, what) in NAMED.items():
            parts[name] = self._named(name, partial(self._valid, model, what=what))
        board = models.Board(**{key: part for key, part in parts.items() if part is not None})
        names = Names({name: tuple(self._table(name)) for name in ("blocks", *NAMED)})
        board = _ending_somewhere(board, names)
        crosscheck.add_problems(board, names, self.found)
        return board

    def _top_level(self) -> dict[str, Any]:
        known = (*TOP_LEVEL, "source", *SINGLE, "blocks", *NAMED)
        for key in [key for key in self.tables if key not in known]:
            text = f"{key_shown(key)}: a board has no such key or table{nearest(key, known)}"
            self.found.add("", key_shown(key), text, allowed=", ".join(known))
        for name, text in NEEDED.items():
            if self.tables.get(name, {}) == {}:
                self.found.add(name, "", text)
        given = {key: self.tables[key] for key in TOP_LEVEL if key in self.tables}
        board = self._valid(models.Board, given, "", "a board")
        return {key: getattr(board, key) for key in given} if board else {}

    def _table(self, name: str) -> dict[str, Any]:
        """Return a table by name; empty when it is left out or is something else."""
        table = self.tables.get(name, {})
        return table if isinstance(table, dict) else {}

    def _source(self, table: Any) -> gear.Source | None:
        if not isinstance(table, dict):
            self._refuse_for_no_table("source", table)
            return None
        written = table.get("pickup", {})
        rest = {key: value for key, value in table.items() if key != "pickup"}
        kind = table.get("kind", "guitar")
        model = gear.PICKUPS.get(kind) if isinstance(kind, str) else None
        of_pickup = (model or gear.GuitarPickup).model_fields
        for key in [key for key in rest if key in of_pickup]:
            text = f"{key}: belongs in [source.pickup]"
            self.found.add("source", key, text, value=rest.pop(key), allowed="[source.pickup]")
        source = self._valid(gear.Source, rest, "source", "[source]")
        if model is None:
            return None
        what = f"the pickup of a {kind} source"
        pickup = self._valid(model, written, "source.pickup", what)
        if source is None or pickup is None:
            return None
        return source.model_copy(update={"pickup": pickup}) if written else source

    def _named(
        self, family: str, read: Callable[[Any, str], AnyModel | None]
    ) -> dict[str, AnyModel]:
        """Read each table of a family of named tables."""
        entries = self.tables.get(family, {})
        if not isinstance(entries, dict):
            self._refuse_for_no_table(family, entries)
            return {}
        if len(entries) > MOST_NAMES:
            text = f"{len(entries)} {family}: {MOST_NAMES} are the most"
            self.found.add(family, "", text, value=len(entries), allowed=str(MOST_NAMES))
            raise TooManyProblemsError
        good = {}
        for name, table in entries.items():
            if fault := name_fault(name):
                self.found.add(family, key_shown(name), fault, value=name, allowed=NAMES_ALLOWED)
            model = read(table, f"{family}.{key_shown(name)}")
            if model is not None:
                good[name] = model
        return good

    def _block(self, table: Any, where: str) -> Block | None:
        if not isinstance(table, dict):
            self._refuse_for_no_table(where, table)
            return None
        kind = table.get("kind")
        if isinstance(kind, str) and (model := kind_named(kind)) is not None:
            settings = {key: value for key, value in table.items() if key != "kind"}
            return self._valid(model, settings, where, with_article(kind))
        allowed = ", ".join(kinds())
        if kind is None:
            self.found.add(where, "kind", f"kind is missing; it is one of: {allowed}")
        elif not isinstance(kind, str):
            text = f"kind = {shown(kind)}: text in quotes is wanted, one of: {allowed}"
            self.found.add(where, "kind", text, value=kind, allowed=allowed)
        else:
            hint = kind_with_choice(kind) or nearest(kind, kinds())
            hint = hint or f"; kinds are: {allowed}"
            text = f"kind = {shown(kind)}: no such kind{hint}"
            self.found.add(where, "kind", text, value=kind, allowed=allowed)
        return None

    def _valid(self, model: type[AnyModel], table: Any, where: str, what: str) -> AnyModel | None:
        """Return `table` as a model, or add what is wrong with it and return None."""
        if not isinstance(table, dict):
            self._refuse_for_no_table(where, table)
            return None
        if table == {} and model is models.Order:
            self.found.add(where, "front", 'an order lists its blocks: front = ["BLOCK", ...]')
        try:
            return model.model_validate_json(models.json_of(table), strict=True)
        except ValidationError as error:
            self.found.add_invalid(error, model, where, what)
            faulty = {fault["loc"][0] for fault in error.errors() if fault["loc"]}
            return _rest(model, table, faulty)

    def _refuse_for_no_table(self, where: str, given: object) -> None:
        text = f"is given as {shown(given)}; a table is wanted"
        self.found.add(where, "", text, value=given, allowed="a table")


def _rest(model: type[AnyModel], table: dict[str, Any], faulty: set[Any]) -> AnyModel | None:
    """Return a table without its faulty keys, so that what is left of it is checked too."""
    rest = {key: value for key, value in table.items() if key not in faulty}
    try:
        return model.model_validate_json(models.json_of(rest), strict=True)
    except ValidationError:
        return None


def _ending_somewhere(board: models.Board, names: Names) -> models.Board:
    """Give a board whose [output] names no amplifier its first one, if it has any.

    An empty list that is written down is kept: the board then ends at a mixer's input. What the
    user wrote stays in `output.model_fields_set`.
    """
    if "amps" in board.output.model_fields_set or not names["amps"]:
        return board
    output = board.output.model_copy(update={"amps": names["amps"][:1]})
    output.model_fields_set.discard("amps")
    return board.model_copy(update={"output": output})
