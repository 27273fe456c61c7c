"""Test points gathered into the stops of a path: what a player sees between guitar and output.

A block has two test points, NAME.in and NAME.out. On a chart for people they are one stop, named
like the block and read at its output; what its input says about clipping is kept with it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from simchain.units import peak_volts_to_dbu

LITTLE_HEADROOM_DB = 3.0
ON_PURPOSE = "What diodes and tubes clip on purpose is not counted."
NEAR_FLOOR_DB = 40.0
_AMPLIFIERS = ("amp", "amp2")


@dataclass(frozen=True)
class Stop:
    """One place on the path: levels in dBu, rail as the level of the sine that just touches it.

    `floor_dbu` is the RMS of hum and hiss while nobody plays, None where it is not known.
    `headroom_db` is the least of the block's two test points, negative where it clips, None where
    nothing can clip; `at_input` says that the least one is the input's. A level is None in silence.
    """

    name: str
    rms_dbu: float | None
    peak_dbu: float | None
    rail_dbu: float | None
    headroom_db: float | None
    at_input: bool
    floor_dbu: float | None

    @property
    def above_floor_db(self) -> float | None:
        """How far the music's RMS stands above the noise floor; None where either is missing."""
        if self.rms_dbu is None or self.floor_dbu is None:
            return None
        return self.rms_dbu - self.floor_dbu

    @property
    def clips(self) -> bool:
        """Whether more is asked for than the rail allows."""
        return self.headroom_db is not None and self.headroom_db < 0.0

    @property
    def is_tight(self) -> bool:
        """Whether it clips or comes within 3 dB of it."""
        return self.headroom_db is not None and self.headroom_db < LITTLE_HEADROOM_DB

    @property
    def warning(self) -> str:
        """Return words for the chart, or an empty string where there is room enough."""
        if self.headroom_db is None or not self.is_tight:
            return ""
        if self.clips:
            where = "input clips" if self.at_input else "clips"
            return f"{where}, {-self.headroom_db:.1f} dB over"
        return f"{self.headroom_db:.1f} dB left" + (" at its input" if self.at_input else "")


def stops(points: Iterable[Mapping[str, Any]]) -> list[Stop]:
    """Gather test points, given in path order, into stops in path order."""
    gathered: dict[str, list[Mapping[str, Any]]] = {}
    for point in points:
        gathered.setdefault(stop_name(point["name"]), []).append(point)
    return [_stop(name, group) for name, group in gathered.items()]


def stop_name(point_name: str) -> str:
    """Return the stop a test point belongs to: `grit` for `grit.in` and `grit.out`."""
    block, dot, side = point_name.rpartition(".")
    return block if dot and side in ("in", "out") and block not in _AMPLIFIERS else point_name


def merged_names(lists: Iterable[Sequence[str]]) -> list[str]:
    """Return every name of several path-ordered lists once, each after what it follows."""
    merged: list[str] = []
    for names in lists:
        place = 0
        for name in names:
            if name in merged:
                place = merged.index(name) + 1
            else:
                merged.insert(place, name)
                place += 1
    return merged


def _stop(name: str, points: Sequence[Mapping[str, Any]]) -> Stop:
    read = points[-1]
    limited = [point for point in points if point["headroom_db"] is not None]
    tightest = min(limited, key=lambda point: float(point["headroom_db"]), default=None)
    rail_volts = read["rail_volts"]
    return Stop(
        name=name,
        rms_dbu=read["rms_dbu"],
        peak_dbu=read["peak_dbu"],
        rail_dbu=peak_volts_to_dbu(rail_volts) if rail_volts else None,
        headroom_db=None if tightest is None else float(tightest["headroom_db"]),
        at_input=tightest is not None and _is_tighter(tightest, read),
        floor_dbu=read["floor_dbu"],
    )


def _is_tighter(point: Mapping[str, Any], read: Mapping[str, Any]) -> bool:
    """Whether less is left at `point`, in the figures that are printed, than where it is read."""
    left_db = read["headroom_db"]
    return left_db is None or bool(round(point["headroom_db"], 1) < round(left_db, 1))


def loop_blocks(names: Sequence[str]) -> list[str]:
    """Return the blocks in the loop: what stands between amp.send and amp.return in `names`."""
    if "amp.send" not in names or "amp.return" not in names:
        return []
    between = names[names.index("amp.send") + 1 : names.index("amp.return")]
    return list(dict.fromkeys(stop_name(name) for name in between if not _is_amplifiers(name)))


def _is_amplifiers(name: str) -> bool:
    return name.partition(".")[0] in _AMPLIFIERS
