"""What `simchain tones` and `simchain fit` print: how to record, what was found, and how sure."""

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from rich.table import Table
from rich.text import Text

import simchain
from simchain.blocks import Block, kinds
from simchain.errors import RequestError
from simchain.fit.fitting import Fitted
from simchain.fit.sent import LEVEL_VOLTS, sent
from simchain.report.numbers import number
from simchain.report.verdicts import EXPECTED
from simchain.report.wording import listed, round_frequency, with_unit
from simchain.settings import unit_of

# A residual above it leaves out what an ear may find, and a control this unsure is told as such.
_LEAVES_OUT_DB, _UNSURE_SHARE, _UNSURE_DB = -30.0, 0.1, 1.0
_IN_RATIOS = ("Hz", "ms", "s", "V", "ohm", "A")


def refuse_tones(file: Path) -> None:
    """Raise RequestError for a name that is no WAV file's."""
    if file.suffix.lower() != ".wav":
        raise RequestError(f"{file}: a name that ends in .wav is wanted")


def tones_document(file: Path) -> dict[str, Any]:
    """Return what `simchain tones --json` prints: the file, its length, and how it is used."""
    return {
        "simchain": simchain.__version__,
        "file": str(file),
        "seconds": sent().seconds,
        "level_volts": LEVEL_VOLTS,
        "parts": [
            {"part": name, "at_s": part.start_s, "seconds": part.seconds}
            for name, part in sent().parts.items()
        ],
        "steps": list(recording_steps(file)),
    }


def recording_steps(file: Path) -> Iterator[str]:
    """Yield how the recording is made, a step each, with the usual cautions."""
    volts = f"{LEVEL_VOLTS * 1e3:.0f} mV"
    level = sent().parts["level"]
    yield (
        "Turn monitors and headphones off or all the way down: the tones are loud and sudden. "
        "Check voltage and polarity of the unit's supply before you plug it in. Feed pedals only, "
        "never the speaker output of an amplifier."
    )
    yield (
        "Loop-back first: a lead from an output of the interface straight into its instrument "
        "input (the one for guitars, some 1 Mohm). In the recorder nothing else may act on the "
        "sound: no effects, no level riding, no monitoring of the input."
    )
    yield (
        f"Begin with the output turned down. Play {file} and turn it up until a meter set to AC "
        f"volts reads {volts} at the end of the lead while the first steady tone sounds "
        f"({level.start_s:.2g} to {level.start_s + level.seconds:.2g} s). Then turn the input so "
        "that the loudest stays 6 dB below full scale. From now on touch neither."
    )
    yield (
        f"Record while the whole file plays, {sent().seconds:.0f} s, and save the take as WAV of "
        "one channel: that is loopback.wav."
    )
    yield (
        "Now put the unit in between, switched on, its knobs where you use them (write them down), "
        "and record again: unit.wav. If that is clipped, turn the input down and record both once "
        "more."
    )
    yield "simchain fit BOARD.toml BLOCK unit.wav --loopback loopback.wav"


def tones_parts(document: Mapping[str, Any]) -> Iterable[Text]:
    """Return the lines for people."""
    yield Text(f"written: {document['file']} ({document['seconds']:.0f} s)\n")
    for place, step in enumerate(document["steps"], 1):
        yield Text(f"{place}. {step}")


def fit_document(result: Fitted, before: Block, *, written: bool) -> dict[str, Any]:
    """Return what `simchain fit --json` prints.

    `settings` are as a board file has them; `before` the same as the board had them. `confidence`
    has one standard deviation of each control, between parts of the recording, null where it could
    not be told. `residual_db` is what the block does not copy against all that was received, of
    waveforms where `by_waveform`, else of levels in bands over time; `left_by_band` and
    `left_by_level` are that of a loud sweep, and of steps of a tone. `verdict` is how far block and
    unit are expected to sound apart on what was played. `cannot_tell` has the reason for each
    control that such a recording does not tell.
    """
    return {
        "simchain": simchain.__version__,
        "block": result.name,
        "kind": result.block.kind,
        "fits": result.fits,
        "settings": result.settings,
        "before": {name: _plain(getattr(before, name)) for name in result.settings},
        "confidence": {one.name: number(one.deviation) for one in result.controls},
        "controls": [
            {
                "control": one.name,
                "value": one.value,
                "deviation": number(one.deviation),
                "unit": one.unit,
            }
            for one in result.controls
        ],
        "residual_db": result.residual_db,
        "by_waveform": result.by_waveform,
        "left_by_band": [{"hz": hz, "db": db} for hz, db in result.left_by_band],
        "left_by_level": [{"peak_volts": volts, "db": db} for volts, db in result.left_by_level],
        "verdict": result.score.verdict,
        "cannot_tell": result.blind_to,
        "calibrated": result.received.calibrated,
        "drift_ppm": result.received.drift * 1e6,
        "written": written,
        "warnings": list(_warnings(result)),
    }


def fit_parts(document: Mapping[str, Any], file: Path) -> Iterable[Table | Text]:
    """Return the table and the sentences for people."""
    yield _controls(document)
    yield Text()
    for sentence in fit_sentences(document):
        yield Text(sentence)
    yield Text(_kept(document, file))


def fit_sentences(document: Mapping[str, Any]) -> Iterator[str]:
    """Yield what the numbers come to: how near it is, what is left out, what cannot be told."""
    block, kind = document["block"], document["kind"]
    if not document["fits"]:
        yield (
            f"No {kind} comes near this unit: {_share(document['residual_db'])} of what was "
            "received is left over. It may be another kind of unit, have a control that a "
            f"{kind} here does not have, or have been touched while it was recorded."
        )
    else:
        yield (
            f"On what was played, {EXPECTED[document['verdict']]} expected between the unit and "
            f"{block} with these settings; {_share(document['residual_db'])} of the sound is not "
            "copied."
        )
    if document["left_by_band"] and document["residual_db"] > _LEAVES_OUT_DB:
        yield from _left_over(document)
    for name in _unsure(document["controls"]):
        yield f"{name} is not sure: parts of the recording do not agree on it."
    for name, reason in document["cannot_tell"].items():
        yield f"{name} stays as it is on the board: {reason}."


def _warnings(result: Fitted) -> Iterator[str]:
    yield from result.received.warnings
    if not result.received.calibrated:
        yield (
            "without --loopback gain, level and threshold are known only as far as the levels of "
            "the interface are, and polarity not at all"
        )


def _controls(document: Mapping[str, Any]) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("control", no_wrap=True)
    for heading in ("on the board", "found", "give or take"):
        table.add_column(heading, justify="right")
    for row in control_rows(document):
        table.add_row(*row)
    return table


def control_rows(document: Mapping[str, Any]) -> Iterator[tuple[str, str, str, str]]:
    """Yield each control: its name, what the board had, what was found, and how sure that is."""
    free = {one["control"]: one for one in document["controls"]}
    fields = kinds()[document["kind"]].model_fields
    for name, value in document["settings"].items():
        if isinstance(value, list):
            continue
        one = free.pop(name, {"deviation": None, "unit": unit_of(fields[name])})
        before = _shown(document["before"][name], one["unit"])
        yield name, before, _shown(value, one["unit"]), _spread(one)
    for name, one in free.items():
        yield name, "", _shown(float(f"{one['value']:.4g}"), one["unit"]), _spread(one)


def _spread(one: Mapping[str, Any]) -> str:
    return "" if one["deviation"] is None else with_unit(f"{one['deviation']:.2g}", one["unit"])


def _left_over(document: Mapping[str, Any]) -> Iterator[str]:
    """Yield where most is left over: bands, and levels."""
    bands = [one for one in document["left_by_band"] if one["db"] > _LEAVES_OUT_DB]
    if bands:
        named = [round_frequency(one["hz"]) for one in bands]
        worst = max(bands, key=lambda one: one["db"])
        yield (
            f"It is least alike about {listed(named)} (most about {round_frequency(worst['hz'])}: "
            f"{_share(worst['db'])} left over)."
        )
    levels = document["left_by_level"]
    worst = max(levels, key=lambda one: one["db"])
    best = min(levels, key=lambda one: one["db"])
    if worst["db"] > best["db"] + 6.0:
        yield (
            f"A tone of {_volts(worst['peak_volts'])} at its input is copied least "
            f"({_share(worst['db'])} left over), one of {_volts(best['peak_volts'])} best "
            f"({_share(best['db'])})."
        )


def _unsure(controls: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    for one in controls:
        if one["deviation"] is None:
            yield one["control"]
            continue
        in_ratios = one["unit"] in _IN_RATIOS
        limit = _UNSURE_SHARE * abs(one["value"]) if in_ratios else _UNSURE_DB
        if one["unit"] == "":
            limit = _UNSURE_SHARE
        if one["deviation"] > limit:
            yield one["control"]


def _kept(document: Mapping[str, Any], file: Path) -> str:
    if document["written"]:
        return f"written into {file}"
    if not document["fits"]:
        return f"{file} is untouched: nothing was found that is worth keeping"
    return f"{file} is untouched; add --write to keep these settings"


def _share(db: float) -> str:
    """Say a residual in decibels as a share of amplitude."""
    share = 100.0 * 10.0 ** (db / 20.0)
    return "less than 0.1 %" if share < 0.1 else f"{share:.2g} %"


def _volts(volts: float) -> str:
    return f"{volts * 1e3:.2g} mV" if volts < 1.0 else f"{volts:.2g} V"


def _shown(value: Any, unit: str) -> str:
    if value is None:
        return "usual"
    return with_unit(f"{value:g}" if isinstance(value, float) else str(value), unit)


def _plain(value: Any) -> Any:
    """Return a setting as JSON holds it."""
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    return value.model_dump() if hasattr(value, "model_dump") else value
