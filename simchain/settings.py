"""How a setting is declared: unit, range, usual range and help stand in the model itself.

The same declaration serves the board file, the command line, the page and Python.
"""

from functools import cache
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic.fields import FieldInfo

NAME_PATTERN = r"^[a-z][a-z0-9_-]{0,31}$"
MOST_MM = 5000.0


def _to_tuple(given: Any) -> Any:
    """Take a list for a pair: strict reading does so from JSON, but not behind a first look."""
    return tuple(given) if isinstance(given, list) else given


# Two numbers; width and depth seen from above; a place counted from a left front corner.
Pair = Annotated[tuple[float, float], BeforeValidator(_to_tuple)]
_Side = Annotated[float, Field(gt=0, le=MOST_MM)]
_Place = Annotated[float, Field(ge=-MOST_MM, le=MOST_MM)]
SizeMm = Annotated[tuple[_Side, _Side], BeforeValidator(_to_tuple)]
PlaceMm = Annotated[tuple[_Place, _Place], BeforeValidator(_to_tuple)]


class Settings(BaseModel):
    """A table of settings: frozen, unknown keys refused, no infinities or NaN."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    def named_files(self) -> dict[str, str]:
        """Return the settings that name a file, with the files' names."""
        flagged = files_in(type(self))
        return {name: value for name in flagged if (value := getattr(self, name)) is not None}

    def standing(self, control: str) -> float:
        """Return where a control stands that may move, also where it is left to a choice."""
        return float(getattr(self, control))

    def check_files(self, rate: int) -> None:
        """Raise ClipError when a file that the settings name cannot be used at `rate`."""


def control(
    default: Any,
    help: str,
    *,
    unit: str = "",
    ge: float | None = None,
    gt: float | None = None,
    le: float | None = None,
    usual: tuple[float, float] | None = None,
    movable: bool = False,
    file: bool = False,
) -> Any:
    """Declare one setting.

    `ge`, `gt`, `le` are what physics allows: outside them the board is refused. `usual` is what
    people meet: outside it `check` warns. `movable` settings may change during a passage. A
    `file` is looked for beside the board.
    """
    extra: dict[str, Any] = {
        "unit": unit,
        "usual": list(usual) if usual else None,
        "movable": movable,
        "file": file,
    }
    return Field(default, description=help, ge=ge, gt=gt, le=le, json_schema_extra=extra)


def unit_of(field: FieldInfo) -> str:
    """Return the unit a setting was declared with ('' for none)."""
    return str(_extra(field).get("unit") or "")


def usual_of(field: FieldInfo) -> tuple[float, float] | None:
    """Return the range that people meet, or None."""
    usual = _extra(field).get("usual")
    return (usual[0], usual[1]) if usual else None


def limits_of(field: FieldInfo) -> tuple[float | None, float | None]:
    """Return the lowest and the highest value that the model accepts."""
    low = high = None
    for rule in field.metadata:
        low = getattr(rule, "ge", getattr(rule, "gt", low))
        high = getattr(rule, "le", high)
    return low, high


def is_movable(field: FieldInfo) -> bool:
    """Tell whether the setting may change during a passage."""
    return bool(_extra(field).get("movable"))


@cache
def movable_in(model: type[BaseModel]) -> frozenset[str]:
    """Return the names of the settings that may change during a passage."""
    return frozenset(name for name, field in model.model_fields.items() if is_movable(field))


@cache
def files_in(model: type[BaseModel]) -> tuple[str, ...]:
    """Return the names of the settings that name a file."""
    return tuple(name for name, field in model.model_fields.items() if is_file(field))


def is_file(field: FieldInfo) -> bool:
    """Tell whether the setting names a file."""
    return bool(_extra(field).get("file"))


def _extra(field: FieldInfo) -> dict[str, Any]:
    return field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
