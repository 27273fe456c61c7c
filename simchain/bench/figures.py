"""Figures: for engineers, each with its name, as the page lists them; thirds of octaves."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from simchain.blocks import Block
from simchain.chain.walk import Rendering
from simchain.measure.loudness import ungated_lufs
from simchain.report.numbers import number
from simchain.report.sentences import signed_band_change
from simchain.report.wording import frequency
from simchain.signal import Signal, Volts, twins
from simchain.units import volts_to_dbu

Figures = list[tuple[str, str]]


def pair_figures(pair: Mapping[str, Any]) -> Figures:
    """Return what two orders were judged by; `pair` is that of a comparison's document."""
    score, hz = pair["score"], pair["max_band_hz"]
    border = ", borderline" if pair["borderline"] else ""
    rows = [
        ("verdict", f"{pair['verdict']}{border}" if pair["verdict"] else ""),
        ("score", "" if score is None else f"{score:.2f}, decided by {pair['decided_by']}"),
        ("trim", _with_unit(pair["trim_lu"], "LU")),
        ("null depth", _with_unit(pair["null_db"], "dB")),
        (
            "most in a third of an octave",
            f"{_with_unit(signed_band_change(pair), 'dB')} at {frequency(hz)}" if hz else "",
        ),
    ]
    rows += [
        (name, f"{_with_unit(cause['difference'], cause['unit'])}: {cause['text']}")
        for name, cause in (pair["causes"] or {}).items()
        if cause["difference"] is not None
    ]
    return _told(rows)


def sound_figures(rendering: Rendering, gain_db: float) -> Figures:
    """Return how loud a sound is as it comes, and what it is played at."""
    output = rendering.output
    late_s = sum(
        step.unit.late_s()
        for step in rendering.path.steps
        if isinstance(step.unit, Block) and not step.gate.is_never_on
    )
    how = "RMS, too short or too quiet for BS.1770" if output.loudness_is_rms else "integrated"
    rows = [
        (f"loudness, {how}", _with_unit(number(output.integrated_lufs), "LUFS")),
        ("true peak", _with_unit(number(output.true_peak_dbtp), "dBTP")),
        ("gain when matched in the passage", _with_unit(gain_db, "dB")),
        ("converters make it late by", f"{1e3 * late_s:.2f} ms" if late_s else ""),
    ]
    return _told(rows)


def quiet_figures(rendering: Rendering) -> Figures:
    """Return what is there while nobody plays; `rendering` has its floors."""
    out, quiet = rendering.points["out"], rendering.quiet
    floor = out.floor_volts
    rows = []
    if floor:
        floor_dbu = volts_to_dbu(floor)
        under_db = out.level.rms_dbu - floor_dbu
        under = f"{under_db:.1f} dB under the RMS"
        rows += [("hum and hiss at out", f"{_with_unit(floor_dbu, 'dBu')}, {under}")]
    if quiet is not None:
        loud = number(ungated_lufs(quiet, rendering.rate))
        rows += [("loudness of hum and hiss", _with_unit(loud, "LUFS"))]
    return _told(rows)


def bands_facts(samples: Volts, rate: int, gain_db: float) -> dict[str, list[Any]]:
    """Return the thirds of octaves: their names, levels, and below which level each is too quiet.

    Which is where `decide.difference` has it: 50 dB under the loudest, A-weighted.
    """
    from simchain.decide.difference import QUIET_BAND_DB
    from simchain.measure.bands import CENTRES_HZ, a_weighting_db, third_octaves_db

    lines = samples[:1] if twins(samples) else samples
    levels_db = third_octaves_db(Signal(lines, rate))[1] + gain_db
    weights_db = a_weighting_db(CENTRES_HZ)
    quiet_db = np.nanmax(levels_db + weights_db) + QUIET_BAND_DB - weights_db
    return {
        "bands": [frequency(hz) for hz in CENTRES_HZ.tolist()],
        "bands_db": [number(db) for db in levels_db.tolist()],
        "quiet_db": quiet_db.tolist(),
    }


def _with_unit(value: float | None, unit: str) -> str:
    """Return a figure as it is printed, with a true minus; nothing for None."""
    if value is None:
        return ""
    return f"{value:.2f} {unit}".replace("-", "\N{MINUS SIGN}")


def _told(rows: Figures) -> Figures:
    return [(name, figure) for name, figure in rows if figure]
