"""What `simchain verify` prints: predicted against measured, and the likeliest culprit."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from rich.table import Table
from rich.text import Text

import simchain
from simchain.fit.culprits import Suspect
from simchain.fit.faults import Fault
from simchain.fit.verify import Verified
from simchain.report.numbers import number
from simchain.report.verify_readings import evidence_of, measures_of
from simchain.report.wording import frequency, spoken

NO_LATENCY = (
    "latency is not told: takes begin at any time, so it shows only where the recorder starts "
    "playing and recording together"
)
AMPLIFIER_LEFT_OUT = (
    "The amplifier is left out: the last lead before it (in a split order the one to its return, "
    "the lead to its input being joined with the one from its send) goes into the interface. "
    "Never record from a speaker output."
)
_MOST_NAMED = 6


MEASURE_HEADS = ("what", "predicted", "measured", "difference")


def verify_document(result: Verified) -> dict[str, Any]:
    """Return what `simchain verify --json` prints.

    `culprits` come likeliest first; those with one `rank` cannot be told apart by this recording.
    `share` is how much of the misfit a fault explains, null where nothing comes through. `number`
    is the free one of a fault in `unit` (decibels of a pad, a control's value), or null.
    """
    warnings = [*result.warnings, NO_LATENCY]
    if not result.calibrated:
        warnings.append(
            "without --loopback the overall level is known only as far as the levels of the "
            "interface are, and polarity and noise not at all"
        )
    ranked = [(1, one) for one in result.likely] + [(2, one) for one in result.possible]
    return {
        "simchain": simchain.__version__,
        "order": result.order,
        "passage": result.passage,
        "as_planned": result.as_planned,
        "nothing_comes_through": result.silent,
        "measures": list(measures_of(result)),
        "culprits": [_culprit(rank, one, result) for rank, one in ranked],
        "warnings": warnings,
    }


def verify_parts(document: Mapping[str, Any]) -> Iterable[Table | Text]:
    """Return the table and the sentences for people."""
    yield _table(document["measures"])
    yield Text()
    for sentence in verify_sentences(document):
        yield Text(sentence)


def verify_sentences(document: Mapping[str, Any]) -> Iterator[str]:
    """Yield what the readings come to."""
    where = f"order {spoken(document['order'])}, passage {spoken(document['passage'])}"
    if document["as_planned"]:
        yield f"The board measures as planned ({where})."
        yield AMPLIFIER_LEFT_OUT
        return
    if document["nothing_comes_through"]:
        yield f"Nothing of the tones comes through the board ({where})."
    else:
        yield f"The board does not measure as planned ({where})."
    culprits = document["culprits"]
    first = [one for one in culprits if one["rank"] == 1]
    if not first:
        yield (
            "No single fault explains it: there may be several, or a block whose settings are not "
            "those of the plan. Go along the board with a meter: simchain plan lists what it "
            "should read at each jack."
        )
    elif len(first) > 1:
        yield "The likeliest, which this recording does not tell apart:"
    else:
        yield "The likeliest:"
    for one in first[:_MOST_NAMED]:
        yield f"- {one['text']}"
    if len(first) > _MOST_NAMED:
        yield f"- and {len(first) - _MOST_NAMED} more that come to the same (all in --json)"
    for line in first[0]["evidence"] if first else ():
        yield f"  {line}"
    others = [one for one in culprits if one["rank"] == 2]
    if others and not document["nothing_comes_through"]:
        yield f"Also possible: {'; '.join(one['text'] for one in others[:3])}."
    if document["nothing_comes_through"] or len(first) > 1:
        yield (
            "The output alone cannot tell more. Follow the tone with a meter: simchain plan lists "
            "what it should read at each jack."
        )
    yield AMPLIFIER_LEFT_OUT


def _culprit(rank: int, one: Suspect, result: Verified) -> dict[str, Any]:
    fault = one.fault
    share = 1.0 - one.misfit / result.misfit if result.misfit > 0.0 else None
    return {
        "rank": rank,
        "fault": fault.what,
        "blocks": list(fault.blocks),
        "control": fault.control or None,
        "number": number(one.number) if fault.has_number else None,
        "unit": fault.unit or None,
        "text": fault_text(fault, one.number, result.wired.on),
        "evidence": list(evidence_of(one, result)),
        "share": number(share),
    }


def fault_text(fault: Fault, value: float, on: Iterable[str]) -> str:
    """Say a fault in words, with its number."""
    names = [spoken(name) for name in fault.blocks]
    made = {
        "off": "{0} is off, and should be on",
        "on": "{0} is on, and should be off",
        "exchanged": "{0} and {1} stand in each other's place",
        "upside_down": "{0} turns the signal upside down (or a lead near it is wired so)",
        "dead": "{0} passes nothing on, or the lead behind it is dead",
    }
    if fault.what in made:
        return made[fault.what].format(*names)
    if fault.what in ("pad", "dull"):
        where = _gap(fault, list(on))
        if fault.what == "pad":
            return f"something takes {-value:.2g} dB away {where}"
        return f"a lead or plug {where} loses treble, from about {frequency(value)} on"
    if fault.what == "supply":
        return (
            f"{names[0]} runs out of volts at {value:.2g} V peak, not at {fault.planned:.2g} V: "
            "too low a supply (read voltage and polarity on the unit before you change it)"
        )
    unit = f" {fault.unit}" if fault.unit else ""
    return (
        f"{names[0]}: {fault.control} stands as if at {value:.3g}{unit}, not at "
        f"{fault.planned:.3g}{unit}"
    )


def _gap(fault: Fault, on: list[str]) -> str:
    if fault.gap == 0:
        return f"before {spoken(on[0])}" if on else "between the two ends"
    if fault.gap == len(on):
        return f"behind {spoken(on[-1])}"
    return f"between {spoken(on[fault.gap - 1])} and {spoken(on[fault.gap])}"


def _table(measures: Iterable[Mapping[str, Any]]) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("")
    for name in MEASURE_HEADS[1:]:
        table.add_column(name, justify="right", no_wrap=True)
    for row in measure_rows(measures):
        table.add_row(*row)
    return table


def measure_rows(measures: Iterable[Mapping[str, Any]]) -> Iterator[tuple[str, ...]]:
    """Yield what was measured: its name, predicted, measured, and the difference."""
    for one in measures:
        if one["what"].startswith("polarity"):
            way = {1.0: "same", -1.0: "upside down", None: "not told"}[one["measured"]]
            yield one["what"], "same", way, ""
            continue
        cells = (
            "not told" if one[key] is None and key != "difference" else _cell(one[key], one["unit"])
            for key in MEASURE_HEADS[1:]
        )
        yield one["what"], *cells


def _cell(value: float | None, unit: str) -> str:
    if value is None:
        return ""
    return f"{value:.2g} %" if unit == "%" else f"{value:.1f} {unit}"
