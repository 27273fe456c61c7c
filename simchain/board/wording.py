"""Faults in a table, said in plain words: where, what was given, what is allowed."""

import json
import re
from collections.abc import Iterable, Sequence
from types import NoneType
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from simchain.errors import Problem, nearest, one_line
from simchain.settings import limits_of, unit_of

MOST_PROBLEMS = 50
_FEW_KEYS = 12
LONGEST_SHOWN = 60
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]{1,60}")
_RANGE_ERRORS = {"greater_than", "greater_than_equal", "less_than", "less_than_equal"}
_WORDS = {
    float: "a number",
    int: "a whole number",
    bool: "true or false",
    str: "text in quotes",
}


class TooManyProblemsError(Exception):
    """Stops the reading: enough has been found to mend."""


class Findings:
    """Collects the problems of one board file."""

    def __init__(self, file: str):
        self.file = file
        self.problems: list[Problem] = []

    def add(
        self, table: str, key: str, text: str, *, value: object = None, allowed: str = ""
    ) -> None:
        """Add one problem; raises TooManyProblemsError when that makes 50."""
        given = "" if value is None else shown(value)
        self.problems.append(Problem(self.file, table, key, given, allowed, one_line(text)))
        if len(self.problems) >= MOST_PROBLEMS:
            note = f"these are the first {MOST_PROBLEMS} problems; mend them, then look again"
            self.problems.append(Problem(self.file, "", "", "", "", note))
            raise TooManyProblemsError

    def add_invalid(
        self, error: ValidationError, model: type[BaseModel], table: str, what: str
    ) -> None:
        """Add what is wrong with a table that should be a `model`, `what` in a message."""
        seen = set()
        for fault in error.errors(include_url=False):
            place = _Place(model, fault["loc"])
            # Where one of two types is wanted, each reports its own fault at the same place.
            if (place.key, fault["type"] == "extra_forbidden") in seen:
                continue
            seen.add((place.key, fault["type"] == "extra_forbidden"))
            text, allowed = _said(place, dict(fault), what)
            value = None if fault["type"] in ("missing", "value_error") else fault["input"]
            self.add(table, place.key, text, value=value, allowed=allowed)


def shown(value: object) -> str:
    """Return a value as it would stand in the file, on one line and not too long."""
    if isinstance(value, str):
        text = json.dumps(value[: 2 * LONGEST_SHOWN], ensure_ascii=False)
    elif isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, float):
        text = f"{value:g}" if float(f"{value:g}") == value else repr(value)
    elif isinstance(value, list | tuple):
        text = "[" + ", ".join(shown(item) for item in value[:10]) + "]"
    elif isinstance(value, dict):
        pairs = (f"{key_shown(key)} = {shown(item)}" for key, item in list(value.items())[:5])
        text = "{" + ", ".join(pairs) + "}"
    else:
        text = str(value)
    text = one_line(text)
    return text if len(text) <= LONGEST_SHOWN else text[: LONGEST_SHOWN - 3] + "..."


def key_shown(key: object) -> str:
    """Return a key as it would stand in the file: in quotes where it needs them."""
    text = str(key)
    return text if _BARE_KEY.fullmatch(text) else shown(text)


def listed(names: Iterable[object], joint: str = "or") -> str:
    """Return ``"a, b or c"``."""
    words = [str(name) for name in names]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {joint} {words[-1]}"


def with_article(noun: str) -> str:
    """Return ``"a drive"``, ``"an equalizer"``."""
    return f"{'an' if noun[0] in 'aeiou' else 'a'} {noun}"


def range_of(field: FieldInfo) -> str:
    """Return ``"-60 to 80 dB"``, or '' when the setting has no limits."""
    low, high = limits_of(field)
    open_below = any(getattr(rule, "gt", None) is not None for rule in field.metadata)
    return _range(low, high, open_below, unit_of(field))


class _Place:
    """The key that a fault is at, followed through nested tables and lists."""

    def __init__(self, model: type[BaseModel], loc: tuple[int | str, ...]):
        self.owner, self.field = model, None  # type: type[BaseModel], FieldInfo | None
        self.annotation: Any = model
        self.entry_of = ""
        keys: list[str] = []
        for part in loc:
            keys += self._step(part, keys)
        self.key = ", ".join(keys)

    def _step(self, part: int | str, keys: list[str]) -> list[str]:
        forms = _forms(self.annotation)
        owner = next((form for form in forms if _is_model(form)), None)
        values = [get_args(form)[1] for form in forms if get_origin(form) is dict]
        if isinstance(part, int):
            self.entry_of = keys[-1] if keys else ""
            self.annotation, self.field = _item(forms, part), None
            return [f"entry {part + 1}"]
        if owner is not None:
            self.owner, self.field = owner, owner.model_fields.get(part)
            self.annotation = self.field.annotation if self.field else Any
            return [key_shown(part)]
        if values:
            self.annotation, self.field = values[0], None
            return [key_shown(part)]
        return []  # the name of one of several types

    @property
    def wanted(self) -> str:
        """What is wanted here, in words."""
        return _wanted(self.annotation)


def _keys_told(owner: type[BaseModel], known: Sequence[str]) -> str:
    """Name the keys of a small table; those of a block are too many for a line."""
    if len(known) <= _FEW_KEYS:
        return f" (there are: {', '.join(known)})"
    kind = getattr(owner, "kind", None)
    return f"; simchain blocks {kind} --all lists them" if isinstance(kind, str) else ""


def _said(place: _Place, fault: dict[str, Any], what: str) -> tuple[str, str]:
    """Return the sentence for one fault, and what is allowed."""
    kind, key, given = fault["type"], place.key, fault["input"]
    limits = range_of(place.field) if place.field else ""
    if kind == "value_error":
        return (f"{key}: " if key else "") + str(fault["ctx"]["error"]), ""
    if kind == "extra_forbidden":
        known = [name for name in place.owner.model_fields if name not in ("folder", "file")]
        owner = f"an entry of {place.entry_of}" if place.entry_of else what
        hint = nearest(str(fault["loc"][-1]), known) or _keys_told(place.owner, known)
        return f"{key}: no such key for {owner}{hint}", ", ".join(known)
    if kind == "missing":
        return f"{key} is missing; {place.wanted} is wanted", place.wanted
    if kind in _RANGE_ERRORS:
        limits = limits or _range_in(fault.get("ctx", {}))
        return f"{key} = {shown(given)}: allowed is {limits}{_as_share(given, limits)}", limits
    if kind == "literal_error":
        hint = nearest(given, _choices(place.annotation)) if isinstance(given, str) else ""
        return f"{key} = {shown(given)}: allowed is {place.wanted}{hint}", place.wanted
    if kind == "finite_number":
        return f"{key} = {shown(given)}: a finite number is wanted", limits or "a finite number"
    if kind in ("too_short", "too_long"):
        limits = _length_in(fault["ctx"])
    allowed = f"{place.wanted}, {limits}" if limits else place.wanted
    wanted = f"{place.wanted} is wanted" + (f", {limits}" if limits else "")
    return f"{key} = {shown(given)}: {wanted}", allowed


def _as_share(given: Any, limits: str) -> str:
    """Say what a knob's number, or a percentage, is as a share."""
    if limits != "0 to 1" or not isinstance(given, int | float):
        return ""
    if 1 < given <= 10:
        return f"; a knob at {given:g} of 10 is {given / 10:g}"
    return f"; {given:g} % is {given / 100:g}, full is 1" if 10 < given <= 100 else ""


def _range(low: float | None, high: float | None, open_below: bool, unit: str) -> str:
    after = f" {unit}" if unit else ""
    if low is None or high is None:
        if low is not None:
            return f"{'above' if open_below else 'at least'} {low:g}{after}"
        return "" if high is None else f"at most {high:g}{after}"
    if open_below:
        return f"above {low:g} and up to {high:g}{after}"
    return f"{low:g} to {high:g}{after}"


def _length_in(context: dict[str, Any]) -> str:
    least, most = context.get("min_length"), context.get("max_length")
    return f"{least} entries or more" if least is not None else f"{most} entries at most"


def _range_in(context: dict[str, Any]) -> str:
    low, high = context.get("ge", context.get("gt")), context.get("le", context.get("lt"))
    return _range(low, high, "gt" in context, "")


def _forms(annotation: Any) -> list[Any]:
    """The types that an annotation allows, None left out and wrappers taken off."""
    if hasattr(annotation, "__metadata__"):
        return _forms(annotation.__origin__)
    arguments = get_args(annotation)
    if get_origin(annotation) is None or get_origin(annotation) in (tuple, list, dict, Literal):
        return [] if annotation in (None, NoneType) else [annotation]
    return [form for argument in arguments for form in _forms(argument)]


def _is_model(form: Any) -> bool:
    return isinstance(form, type) and issubclass(form, BaseModel)


def _item(forms: list[Any], index: int) -> Any:
    """The type of one entry of a list."""
    for form in forms:
        if get_origin(form) in (tuple, list):
            items = [item for item in get_args(form) if item is not Ellipsis]
            return items[min(index, len(items) - 1)]
    return Any


def _choices(annotation: Any) -> list[str]:
    return [
        str(choice)
        for form in _forms(annotation)
        if get_origin(form) is Literal
        for choice in get_args(form)
    ]


def _wanted(annotation: Any) -> str:
    return listed(_word(form) for form in _forms(annotation)) or "something else"


def _word(form: Any) -> str:
    if form in _WORDS:
        return _WORDS[form]
    origin, arguments = get_origin(form), get_args(form)
    if origin is Literal:
        return listed(shown(choice) for choice in arguments)
    if origin in (tuple, list):
        kinds = [argument for argument in arguments if argument is not Ellipsis]
        first = kinds[0]
        first = get_args(first)[0] if get_origin(first) is Annotated else first
        noun = {float: "numbers", int: "whole numbers", str: "texts"}.get(first, "entries")
        fixed = origin is tuple and Ellipsis not in arguments
        return f"a list of {len(kinds)} {noun}" if fixed else f"a list of {noun}"
    if origin is dict or _is_model(form):
        return "a table"
    return "something else"
