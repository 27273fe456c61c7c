"""What `simchain blocks` prints: the kinds there are, and what is declared of their settings."""

from collections.abc import Collection, Iterable, Sequence
from typing import Any

from pydantic_core import to_jsonable_python
from rich.table import Table
from rich.text import Text

import simchain
from simchain.amp.settings import Amp
from simchain.blocks import Block, kinds
from simchain.blocks.base import kind_with_choice
from simchain.board import Cables, Floor, Goals, Judging, Outlet, Output, Source, Supply
from simchain.board.gear import GuitarPickup, PiezoPickup
from simchain.errors import RequestError, nearest
from simchain.report.wording import number_text, with_unit
from simchain.settings import Settings, is_movable, limits_of, unit_of, usual_of

# Tables of the board that are no blocks, by the name under which they are asked for.
TABLES: dict[str, tuple[type[Settings], str]] = {
    "amp": (Amp, "An amplifier, [amps.NAME]: preamp, effects loop, power stage, speaker, cabinet."),
    "source": (Source, "The guitar, [source], and how its recordings are tied to volts."),
    "pickup": (GuitarPickup, "A passive pickup with its pots, [source.pickup]."),
    "piezo": (PiezoPickup, 'A bridge pickup, [source.pickup] where kind = "piezo".'),
    "cables": (Cables, "Lengths of cable, [cables]."),
    "supply": (Supply, "The power supply, [supply]."),
    "outlet": (Outlet, "An outlet of the supply, an entry of outlets in [supply]."),
    "floor": (Floor, "The board that the blocks stand on, [floor]."),
    "goals": (Goals, "What a good order does, [goals]: weights for search, 0 leaves one out."),
    "judging": (Judging, "How differences are judged, [judging]."),
    "output": (Output, "Where orders end, [output]: at amplifiers, or at a mixer's input."),
}


def kinds_document(kind: str | None = None) -> dict[str, Any]:
    """Return what `simchain blocks --json` prints: every kind, or one, or one of `TABLES`.

    Raises RequestError for a kind that there is not.
    """
    known = kinds()
    if kind in TABLES:
        return {"simchain": simchain.__version__, "kinds": [_table(kind)]}
    if kind is not None and kind not in known:
        hint = kind_with_choice(kind) or nearest(kind, (*known, *TABLES))
        there = f"there are: {', '.join(known)}; and the tables {', '.join(TABLES)}"
        raise RequestError(f"no kind '{kind}' ({there}){hint}")
    chosen = [known[kind]] if kind else list(known.values())
    return {"simchain": simchain.__version__, "kinds": [_kind(one) for one in chosen]}


def _table(name: str) -> dict[str, Any]:
    model, about = TABLES[name]
    return {
        "kind": name,
        "about": about,
        "checked_against": "",
        "deepest": "",
        "is_lti": None,
        "latency_ms": None,
        "controls": controls_facts(model),
    }


def _kind(kind: type[Block]) -> dict[str, Any]:
    usual = kind()
    return {
        "kind": kind.kind,
        "about": kind.about,
        "checked_against": kind.checked_against,
        "deepest": kind.deepest,
        "is_lti": usual.is_lti(),
        "latency_ms": usual.wet_latency_s * 1e3,
        "controls": controls_facts(kind, common=as_all_have(kind)),
    }


def as_all_have(kind: type[Block]) -> set[str]:
    """Return the settings that a kind has from all kinds, with the default that all have."""
    fields = Block.model_fields
    return {name for name in fields if kind.model_fields[name].default == fields[name].default}


def controls_facts(model: type[Settings], common: Collection[str] = ()) -> list[dict[str, Any]]:
    """Return what is declared of each setting of a table, for JSON; `common` last."""
    return [
        {
            "name": name,
            "common": name in common,
            "default": None if field.is_required() else to_jsonable_python(field.get_default()),
            "unit": unit_of(field),
            "usual": usual_of(field),
            "allowed": limits_of(field),
            "movable": is_movable(field),
            "help": field.description,
        }
        for name, field in sorted(
            model.model_fields.items(),
            key=lambda item: bool(common) and item[0] in Block.model_fields,
        )
    ]


def kinds_table(document: dict[str, Any]) -> Table:
    """Return the list of kinds."""
    table = Table(box=None, pad_edge=False)
    table.add_column("kind", no_wrap=True)
    table.add_column("what it is")
    for kind in document["kinds"]:
        table.add_row(kind["kind"], kind["about"].split("\n")[0])
    return table


def kind_tables(document: dict[str, Any], *, every: bool) -> Iterable[Any]:
    """Return one kind: what it is, its controls, what it is checked against.

    With `every` the settings that all kinds have are explained too.
    """
    kind = document["kinds"][0]
    own = [control for control in kind["controls"] if not control["common"]]
    common = [control for control in kind["controls"] if control["common"]]
    yield Text(f"{kind['kind']}: {kind['about']}\n")
    yield _controls(own)
    if kind["deepest"]:
        yield Text(f"\nat its most: {kind['deepest']}")
    if kind["is_lti"] is not None:
        steady = "yes" if kind["is_lti"] else "no"
        yield Text(f"\nlinear and time-invariant with its defaults: {steady}")
        yield Text(f"delay of its converters: {kind['latency_ms']:g} ms")
        yield Text(f"checked against: {kind['checked_against']}")
    if common and every:
        yield Text("\nand what every kind has:\n")
        yield _controls(common)
    elif common:
        names = ", ".join(control["name"] for control in common)
        yield Text(f"\nand what every kind has (--all explains it): {names}")


def _controls(controls: Sequence[dict[str, Any]]) -> Table:
    """One line a control: its default with unit, the usual range, what it does."""
    table = Table(box=None, pad_edge=False)
    table.add_column("control", no_wrap=True)
    table.add_column("default", no_wrap=True)
    table.add_column("usual", no_wrap=True)
    table.add_column("what it does", ratio=1)
    for control in controls:
        default = _value(control["default"])
        table.add_row(
            control["name"],
            default if default == "-" else with_unit(default, control["unit"]),
            _span(control["usual"]),
            control["help"],
        )
    return table


def _value(value: Any) -> str:
    if value is None or value == "":
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return number_text(value) if isinstance(value, int | float) else str(value)


def _span(limits: Sequence[float] | None) -> str:
    return "" if limits is None else " to ".join(number_text(limit) for limit in limits)
