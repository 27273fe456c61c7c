"""What was predicted and measured of a finished board, and what speaks for a fault, in words."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from simchain import units
from simchain.fit.culprits import Suspect
from simchain.fit.sent import LEVEL_DBFS, LEVEL_VOLTS, STEPS_DBFS
from simchain.fit.traits import HARMONICS, Family, Floats, readings
from simchain.fit.verify import Verified
from simchain.report.numbers import number
from simchain.report.wording import frequency

# A level in dB is of volts RMS; 0 dBu is 0.7746 V.
_DBU_OF_DBV = units.ratio_to_db(units.dbu_to_volts(0.0))
_SWEEPS: tuple[tuple[Family, str], ...] = (("soft", "a soft sweep"), ("loud", "a loud sweep"))
# Readings that part by less of their tolerance, squared, are no evidence.
_LEAST_EVIDENCE = 4.0


def measures_of(result: Verified) -> Iterator[dict[str, Any]]:
    """Yield what was predicted and measured: a line each."""
    if result.heard is not None and result.about is not None:
        planned, heard = result.about.db, result.heard.db
        level = _place("level")[0]
        yield _measure(
            "level of the first tone (1 kHz)",
            planned[level] - _DBU_OF_DBV,
            heard[level] - _DBU_OF_DBV,
            "dBu",
        )
        for family, name in _SWEEPS:
            places = _place(family)
            apart = heard[places] - planned[places] - (heard[level] - planned[level])
            worst = int(np.argmax(np.abs(apart)))
            hz = readings()[places[worst]].at
            yield _measure(
                f"response to {name} at {frequency(hz)}, against the first tone",
                planned[places[worst]] - planned[level],
                heard[places[worst]] - heard[level],
                "dB",
            )
        yield _dirt_measure(planned, heard)
        yield _ring_measure(planned, heard)
    yield _measure(
        "noise",
        _dbu(result.planned_noise_volts),
        _dbu(result.heard_noise_volts),
        "dBu",
    )
    yield {
        "what": "latency",
        "predicted": None,
        "measured": None,
        "difference": None,
        "unit": "ms",
    }
    way = None if result.same_way_up is None else (1.0 if result.same_way_up else -1.0)
    yield {
        "what": "polarity against the plan",
        "predicted": 1.0,
        "measured": way,
        "difference": None,
        "unit": "",
    }


def _measure(
    what: str, predicted: float | None, measured: float | None, unit: str
) -> dict[str, Any]:
    apart = None if predicted is None or measured is None else measured - predicted
    return {
        "what": what,
        "predicted": number(predicted),
        "measured": number(measured),
        "difference": number(apart),
        "unit": unit,
    }


def _dbu(volts: float | None) -> float | None:
    return None if volts is None or volts <= 0.0 else units.volts_to_dbu(volts)


def _place(family: Family) -> list[int]:
    return [at for at, one in enumerate(readings()) if one.family == family]


def _dirt_percent(db: Floats) -> Floats:
    """Return the distortion of each step in percent, of harmonics 2 to 7."""
    powers = 10.0 ** (db[_place("dirt")].reshape(len(STEPS_DBFS), len(HARMONICS)) / 10.0)
    return np.asarray(100.0 * np.sqrt(powers.sum(axis=1)))


def _dirt_measure(planned: Floats, heard: Floats) -> dict[str, Any]:
    """Return the dirt of the step of which it differs most."""
    one, other = _dirt_percent(planned), _dirt_percent(heard)
    worst = int(np.argmax(np.abs(np.log(other / one))))
    what = f"dirt of a tone of {_millivolts(STEPS_DBFS[worst])} (220 Hz)"
    return _measure(what, float(one[worst]), float(other[worst]), "%")


def _ring_measure(planned: Floats, heard: Floats) -> dict[str, Any]:
    places = _place("ring")
    apart = heard[places] - planned[places]
    worst = int(np.argmax(np.abs(apart)))
    what = f"what rings on {readings()[places[worst]].at:.1f} s after a tone"
    return _measure(
        what,
        planned[places[worst]] - _DBU_OF_DBV,
        heard[places[worst]] - _DBU_OF_DBV,
        "dBu",
    )


def _millivolts(dbfs: float) -> str:
    volts = LEVEL_VOLTS * units.db_to_ratio(dbfs - LEVEL_DBFS)
    return f"{volts * 1e3:.3g} mV" if volts < 0.9995 else f"{volts:.3g} V"


_SAID: dict[str, str] = {
    "level": "the first tone is",
    "steps": "a tone of 220 Hz is",
    "soft": "a soft sweep is",
    "loud": "a loud sweep is",
    "bursts": "bursts are",
    "ring": "what rings on after a tone is",
}


def evidence_of(one: Suspect, result: Verified) -> Iterator[str]:
    """Yield the two sorts of readings that speak most for a fault, in words."""
    if result.heard is None or result.about is None:
        if result.heard_noise_volts is not None:
            yield "judged by the noise that is left on the output"
        return
    planned, heard = result.about.db, result.heard.db
    made = planned + one.traits.db - result.about.still.db
    scale = result.about.spread_db
    gained = ((heard - planned) / scale) ** 2 - ((heard - made) / scale) ** 2
    families = sorted(
        {each.family for each in readings()}, key=lambda family: -_most(gained, family)
    )
    for family in families[:2]:
        places = _place(family)
        worst = places[int(np.argmax(gained[places]))]
        if gained[worst] > _LEAST_EVIDENCE:
            yield _evidence_line(family, worst, planned, heard, made)
    if result.same_way_up is False and one.fault.what == "upside_down":
        yield "the first marker comes back upside down"


def _most(gained: Floats, family: Family) -> float:
    return float(gained[_place(family)].max())


def _evidence_line(family: Family, worst: int, planned: Floats, heard: Floats, made: Floats) -> str:
    at = readings()[worst].at
    if family == "dirt":
        step = STEPS_DBFS.index(at)
        was, plan, then = (float(_dirt_percent(db)[step]) for db in (heard, planned, made))
        return (
            f"a tone of {_millivolts(at)} has {was:.2g} % of dirt against {plan:.2g} % as planned, "
            f"and {then:.2g} % with this fault"
        )
    apart, then = heard[worst] - planned[worst], made[worst] - planned[worst]
    if family in ("soft", "loud"):
        where = f" at {frequency(at)}"
    elif family == "steps":
        where = f" at {_millivolts(at)}"
    else:
        where = {"bursts": f" {at:.2f} s after the first begins", "ring": f" {at:.1f} s later"}.get(
            family, ""
        )
    more = "louder" if apart > 0.0 else "softer"
    said = _SAID[family]
    return (
        f"{said} {abs(apart):.1f} dB {more} than planned{where}; with this fault it would "
        f"be {abs(then):.1f} dB {'louder' if then > 0.0 else 'softer'}"
    )
