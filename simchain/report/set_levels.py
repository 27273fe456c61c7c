"""What `simchain set-levels` prints: settings, what they reach, and what cannot be reached."""

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from rich.table import Table
from rich.text import Text

import simchain
from simchain.decide.limits import Limit
from simchain.decide.set_levels import LevelSettings, PassageLevel
from simchain.report.numbers import number


def set_levels_document(result: LevelSettings, *, written: bool) -> dict[str, Any]:
    """Return what `simchain set-levels --json` prints.

    In `passages`, `target_lu` and `reached_lu` are LU above the passage named in `above`; where a
    passage has a target in LUFS they are LUFS, and without a target null. `target_lufs` is null
    but where a target in LUFS is given; `reached_lufs` is the loudness at `out` in any case.
    `before_lu` and `before_lufs` are measured with the board as it stands.
    `settings` and `before` hold the controls that were turned, as found and as the board had them.
    `renders` counts renders of each passage, `curve_renders` those made on top for `limits`, which
    has an entry for each passage that misses its target: `curve` is [value of `control`, LU].
    """
    return {
        "simchain": simchain.__version__,
        "order": result.order,
        "amp": result.amp,
        "settings": {block: dict(controls) for block, controls in result.settings.items()},
        "before": {block: dict(controls) for block, controls in result.before.items()},
        "passages": {name: _passage(level) for name, level in result.passages.items()},
        "renders": dict(result.renders),
        "curve_renders": dict(result.curve_renders),
        "limits": {name: _limit(limit) for name, limit in result.limits.items()},
        "written": written,
        "warnings": list(result.warnings),
    }


def set_levels_parts(document: Mapping[str, Any], file: Path) -> Iterable[Table | Text]:
    """Return tables and lines for people: controls old and new, passages, what cannot be met."""
    amp = document["amp"]
    yield Text(f"{document['order']}, " + (f"amplifier {amp}" if amp else "into the mixer"))
    if document["settings"]:
        yield _controls(document)
    yield Text()
    yield _passages(document["passages"])
    limits = document["limits"].items()
    for (name, limit), sentence in zip(limits, missed_sentences(document), strict=True):
        yield Text(f"\n{sentence}")
        if limit["curve"]:
            yield _curve(name, document["passages"][name], limit)
    yield Text()
    yield Text(_kept(document, file))


def _passage(level: PassageLevel) -> dict[str, Any]:
    return {
        "above": level.above,
        "target_lu": level.target_lu,
        "before_lu": number(level.before_lu),
        "reached_lu": number(level.reached_lu),
        "target_lufs": level.target_lufs,
        "before_lufs": number(level.before_lufs),
        "reached_lufs": number(level.reached_lufs),
    }


def _limit(limit: Limit) -> dict[str, Any]:
    return {
        "control": limit.control or None,
        "unit": limit.unit,
        "curve": [[value, number(lu)] for value, lu in limit.curve],
        "text": limit.text,
    }


def _controls(document: Mapping[str, Any]) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("control", no_wrap=True)
    table.add_column("now", justify="right")
    table.add_column("set to", justify="right")
    for block, controls in document["settings"].items():
        for name, value in controls.items():
            before = document["before"][block][name]
            new = "as it is" if value == before else f"{value:g}"
            table.add_row(f"{block}.{name}", f"{before:g}", new)
    return table


def _passages(passages: Mapping[str, Any]) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("passage", no_wrap=True)
    table.add_column("should be", no_wrap=True)
    for heading in ("is now", "is then", "LUFS then"):
        table.add_column(heading, justify="right", no_wrap=True)
    for row in passage_rows(passages):
        table.add_row(*row)
    return table


def passage_rows(passages: Mapping[str, Any]) -> Iterator[tuple[str, str, str, str, str]]:
    """Yield the `passages` of a document: name, what it should be, is now, is then, LUFS then."""
    for name, level in passages.items():
        signed, free = level["above"] is not None, level["target_lu"] is None
        yield (
            name,
            _wanted(level),
            "" if free else _figure(level["before_lu"], signed=signed),
            "" if free else _figure(level["reached_lu"], signed=signed),
            _figure(level["reached_lufs"], signed=False),
        )


def missed_sentences(document: Mapping[str, Any]) -> Iterator[str]:
    """Yield, of each passage that misses its target, why it does."""
    for name, limit in document["limits"].items():
        yield f"{name} misses its target. {_capital(limit['text'])}."


def _wanted(level: Mapping[str, Any]) -> str:
    if level["target_lu"] is None:
        return "-"
    if level["above"] is None:
        return f"{level['target_lu']:.1f} LUFS"
    return f"{_figure(level['target_lu'], signed=True)} LU against {level['above']}"


def _curve(name: str, level: Mapping[str, Any], limit: Mapping[str, Any]) -> Table:
    table = Table(box=None, pad_edge=False)
    unit = f" {limit['unit']}" if limit["unit"] else ""
    against = f"{name} against {level['above']}, LU" if level["above"] else f"{name}, LUFS"
    table.add_column(f"{limit['control']}{unit}", justify="right", no_wrap=True)
    table.add_column(against, justify="right", no_wrap=True)
    for value, lu in limit["curve"]:
        table.add_row(f"{value:g}", _figure(lu, signed=level["above"] is not None))
    return table


def _kept(document: Mapping[str, Any], file: Path) -> str:
    if document["settings"] == document["before"]:
        return f"nothing is turned; {file} stays as it is"
    if document["written"]:
        return f"written into {file}"
    return f"{file} is untouched; add --write to keep these settings"


def _figure(value: float | None, *, signed: bool) -> str:
    if value is None:
        return "silent"
    text = f"{value:+.1f}" if signed else f"{value:.1f}"
    return "0.0" if text in ("+0.0", "-0.0") else text


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:] if text.startswith("nothing") else text
