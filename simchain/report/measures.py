"""Measures for engineers: in JSON, and as the page's tables with their notes."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from simchain.decide.measured import Measured
from simchain.report.numbers import number


class Column(NamedTuple):
    """A column of a table: the fact in it, its head with the unit, and its decimal places."""

    fact: str
    head: str
    places: int


# Spaces between a figure and its unit do not break.
OF_THE_SOUND = (
    Column("most_momentary_lufs", "momentary, LUFS", 1),
    Column("most_short_term_lufs", "short-term, LUFS", 1),
    Column("range_lu", "range, LU", 1),
    Column("signal_to_noise_db", "signal to noise, dB", 1),
    Column("signal_to_noise_a_db", "A-weighted, dB", 1),
)
DISTORTION = (
    Column("tones_dbu", "tones, dBu", 1),
    Column("thd_220_hz_percent", "THD 220\N{NO-BREAK SPACE}Hz, %", 2),
    Column("thd_1_khz_percent", "THD 1\N{NO-BREAK SPACE}kHz, %", 2),
    Column("smpte_percent", "SMPTE, %", 2),
    Column("difference_tone_percent", "difference tones, %", 2),
)
DECAY = (
    Column("edt_s", "EDT, s", 2),
    Column("t20_s", "T20, s", 2),
    Column("t30_s", "T30, s", 2),
)
COLUMNS = OF_THE_SOUND + DISTORTION + DECAY

_OF_THE_SOUND = (
    "Momentary (0.4 s) and short-term (3 s) loudness at its highest after EBU Tech 3341, loudness "
    "range after EBU Tech 3342, of the sound as it comes. Signal to noise: that sound over what is "
    "there while nobody plays, from 20 Hz to 20 kHz, plain and A-weighted (IEC 61672-1)."
)
_NOT_ASKED = "simchain compare --measures adds distortion and decay."
_DISTORTION = (
    "Tones at the guitar as loud as the passage, their peak the 90 % quantile of its peaks in "
    "hundredths of a second; the blocks that are on when it begins, without echoes and with "
    "nothing swaying. At out: THD after IEC 60268-3, over the whole; SMPTE, 60 Hz and 7 kHz four "
    "to one; difference tones of {low:g} and {high:g} kHz. The last two are over what is left of "
    "the tones, and may pass 100 %."
)
_DECAY = (
    "EDT, T20 and T30 after ISO 3382-1 of what echoes and rooms add to an impulse; of a few single "
    "repeats T20 and T30 read up to a third too long."
)
_NO_DECAY = "Nothing rings here, or not for ISO 3382-1."


def measures_facts(measured: Measured) -> dict[str, Any]:
    """Return measures for JSON; null is what was not asked for or is not to be had.

    Distortion and decay have to be asked for. `tones_dbu` is the peak of all tones as the level of
    a sine at the guitar, `difference_tone_hz` the pair behind `difference_tone_percent`.
    """
    noise, injected = measured.signal_to_noise, measured.injected
    facts: dict[str, Any] = dict.fromkeys(column.fact for column in COLUMNS)
    facts |= {one.fact: number(getattr(measured, one.fact)) for one in OF_THE_SOUND[:3]}
    facts["difference_tone_hz"] = None
    if noise is not None:
        facts["signal_to_noise_db"] = number(noise.db)
        facts["signal_to_noise_a_db"] = number(noise.a_weighted_db)
    if injected is not None:
        distortion = injected.distortion
        facts["tones_dbu"] = number(distortion.level_dbu)
        facts |= {one.fact: number(getattr(distortion, one.fact)) for one in DISTORTION[1:]}
        facts |= {one.fact: number(getattr(injected, one.fact)) for one in DECAY}
        facts["difference_tone_hz"] = list(distortion.pair_hz)
    return facts


def measures_tables(data: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the page's tables of measures, each with `head`, `columns`, `rows` and a `note`.

    `data` is what the page is built from (see `audition_page`), `rows` are its sounds. Columns in
    which nothing stands are left out, and tables without any.
    """
    rows = [sound for sound in data["sounds"] if sound.get("measures")]
    pair = next((one["measures"]["difference_tone_hz"] for one in rows), None)
    note = _OF_THE_SOUND if pair else f"{_OF_THE_SOUND} {_NOT_ASKED}"
    tables = [_table("Measures", OF_THE_SOUND, rows, note)]
    if pair:
        low, high = pair
        rings = _DECAY if _known(DECAY, rows) else _NO_DECAY
        note = f"{_DISTORTION.format(low=low / 1e3, high=high / 1e3)} {rings}"
        tables.append(_table("Distortion and decay", DISTORTION + DECAY, rows, note))
    return [table for table in tables if table["columns"]]


def _table(
    head: str, columns: Sequence[Column], rows: Sequence[Mapping[str, Any]], note: str
) -> dict[str, Any]:
    return {"head": head, "columns": _known(columns, rows), "rows": rows, "note": note}


def _known(columns: Sequence[Column], rows: Sequence[Mapping[str, Any]]) -> list[Column]:
    """Return the columns in which something stands."""
    return [
        column
        for column in columns
        if any(sound["measures"][column.fact] is not None for sound in rows)
    ]
