"""What a request asks for, read and checked: JSON bodies and the words behind the question mark."""

import json
import math
from collections.abc import Mapping
from typing import Any, NoReturn

from simchain.board import Order
from simchain.board.wording import key_shown, shown
from simchain.board.write import REMOVED
from simchain.errors import RequestError

MOST_CHANGES = 1000
DEEPEST_PATH = 12


def document_of(content: bytes) -> dict[str, Any]:
    """Return the JSON object that a body holds. Raises RequestError for anything else."""
    try:
        asked = json.loads(content, parse_constant=_refuse_constant)
        json.dumps(asked, ensure_ascii=False).encode()  # half a surrogate pair fits no file
    except (ValueError, RecursionError) as error:
        raise RequestError("the request is not JSON as it is wanted") from error
    if not isinstance(asked, dict):
        raise RequestError("the request is not a JSON object")
    return asked


def text_in(asked: Mapping[str, Any], key: str) -> str:
    """Return a text of the request. Raises RequestError where it is missing or no text."""
    value = asked.get(key)
    if not isinstance(value, str):
        raise _unfit(key, value, "text")
    return value


def text_or_none_in(asked: Mapping[str, Any], key: str) -> str | None:
    """Return a text of the request, or None where it is missing or null."""
    return None if asked.get(key) is None else text_in(asked, key)


def order_in(asked: Mapping[str, Any], key: str) -> str | Order:
    """Return an order by its name, or as its blocks: `a`, or `a_front` and `a_loop`.

    Raises RequestError where neither is given.
    """
    if f"{key}_front" not in asked and f"{key}_loop" not in asked:
        return text_in(asked, key)
    stretches = (asked.get(f"{key}_{to}", "") for to in ("front", "loop"))
    front, loop = (tuple(filter(None, names.split(","))) for names in stretches)
    return Order(front=front, loop=loop)


def names_in(asked: Mapping[str, Any], key: str) -> list[str] | None:
    """Return a list of names of the request, or None where it is missing or null.

    Raises RequestError for anything else, and for more than a board could have.
    """
    value = asked.get(key)
    if value is None:
        return None
    if not isinstance(value, list) or len(value) > MOST_CHANGES:
        raise _unfit(key, value, "a list of names")
    return [text_in({key: each}, key) for each in value]


def whole_in(asked: Mapping[str, Any], key: str) -> int:
    """Return a whole number of the request. Raises RequestError for anything else."""
    value = asked.get(key)
    if not isinstance(value, int) or isinstance(value, bool):
        raise _unfit(key, value, "a whole number")
    return value


def yes_in(asked: Mapping[str, Any], key: str) -> bool:
    """Return whether something is asked for; left out is no. Raises RequestError for more."""
    value = asked.get(key, False)
    if not isinstance(value, bool):
        raise _unfit(key, value, "true or false")
    return value


def changes_in(asked: Mapping[str, Any]) -> dict[tuple[str, ...], Any]:
    """Return the changes that a request asks for, as `board.write.updated` takes them.

    Raises RequestError for a change without a path, and for one without either value or remove.
    """
    changes = asked.get("changes")
    if not isinstance(changes, list) or not 1 <= len(changes) <= MOST_CHANGES:
        raise RequestError(f"changes: a list of 1 to {MOST_CHANGES} is wanted")
    return dict(_change(change) for change in changes)


def seconds_in(asked: Mapping[str, str], key: str, most_s: float) -> float | None:
    """Return a time from 0 to `most_s` behind the question mark, or None where it is left out."""
    given = asked.get(key)
    if given is None:
        return None
    try:
        seconds = float(given)
    except ValueError:
        seconds = math.nan
    if not 0.0 <= seconds <= most_s:
        raise RequestError(f"{key} = {shown(given)}: allowed is 0 to {most_s:g} s")
    return seconds


def number_in(asked: Mapping[str, str], key: str) -> float:
    """Return a number behind the question mark. Raises RequestError for anything else."""
    given = text_in(asked, key)
    try:
        number = float(given)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise _unfit(key, given, "a number")
    return number


def _unfit(key: str, value: Any, wanted: str) -> RequestError:
    given = "is missing" if value is None else f"= {shown(value)}"
    return RequestError(f"{key} {given}: {wanted} is wanted")


def _change(change: Any) -> tuple[tuple[str, ...], Any]:
    path = change.get("path") if isinstance(change, dict) else None
    if not isinstance(path, list) or not all(isinstance(key, str) for key in path):
        raise RequestError("a change names its path: a list of texts")
    if not 1 <= len(path) <= DEEPEST_PATH:
        raise RequestError(f"a path has 1 to {DEEPEST_PATH} keys")
    if yes_in(change, "remove"):
        return tuple(path), REMOVED
    value = change.get("value")
    if value is None or _holds_nothing(value):
        where = ".".join(map(key_shown, path))
        raise RequestError(f"{where}: a value is wanted; remove = true takes a key out")
    return tuple(path), value


def _holds_nothing(value: Any) -> bool:
    """Whether null stands somewhere in it, which TOML has no word for."""
    waiting = [value]
    while waiting:
        value = waiting.pop()
        if value is None:
            return True
        if isinstance(value, dict | list):
            waiting += value.values() if isinstance(value, dict) else value
    return False


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(name)
