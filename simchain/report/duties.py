"""Duties that two blocks share: the same kind of thing is lost in the same passages without them.

Read from what `worth` found of each block alone, causes as JSON has them.
"""

import itertools
import math
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from simchain.decide.causes import CAUSES, Name
from simchain.report.causes import WORDS, is_told
from simchain.report.wording import listed, round_frequency

# What a block does whose going makes a cause less, and more.
_DOES: dict[Name, tuple[str, str]] = {
    "level": ("add level", "take level away"),
    "tone": ("bring up the tone", "take from the tone"),
    "dirt": ("add dirt", "keep it cleaner"),
    "touch": ("let hard notes stand out", "even out soft and hard notes"),
    "movement": ("add sway", "hold the sway back"),
    "tail": ("add echo", "cover the echo"),
    "noise": ("add hum and hiss", "hold hum and hiss back"),
    "width": ("make it wider", "make it narrower"),
}


class Duty(NamedTuple):
    """What a block mainly does in a passage; `adds` where it makes more of the cause."""

    cause: Name
    adds: bool
    hz: float = 0.0

    def is_like(self, other: "Duty") -> bool:
        """Whether it is the same kind of thing; of tones, within an octave."""
        if (self.cause, self.adds) != (other.cause, other.adds):
            return False
        return self.cause != "tone" or 0.5 <= self.hz / other.hz <= 2.0


def main_duty(causes: Mapping[str, Mapping[str, Any]] | None) -> Duty | None:
    """Return what a block mainly does, from what is lost without it; None where nothing is told.

    The largest of the causes, each in units of the least that is worth a word.
    """
    told = [name for name in CAUSES if causes and is_told(name, causes[name])]
    if not causes or not told:
        return None
    name = max(told, key=lambda name: abs(causes[name]["difference"]) / WORDS[name].least)
    cause = causes[name]
    if name == "tone":
        return Duty(name, cause["band_db"] < 0.0, cause["hz"])
    return Duty(name, cause["difference"] < 0.0)


def same_duties(blocks: Mapping[str, Mapping[str, Any]], least: float) -> Iterator[dict[str, Any]]:
    """Yield each two of `blocks` that mainly do the same in a passage in which both are missed.

    `blocks` are those of the document; missed is what counts for at least `least`, or without end.
    """
    duties = {
        name: {
            passage: duty
            for passage, lost in one["passages"].items()
            if (lost["missed"] is None or lost["missed"] >= least)
            and (duty := main_duty(lost.get("causes"))) is not None
        }
        for name, one in blocks.items()
    }
    for a, b in itertools.combinations(duties, 2):
        shared: dict[tuple[Name, bool], list[str]] = {}
        for passage in duties[a]:
            one, other = duties[a][passage], duties[b].get(passage)
            if other is not None and one.is_like(other):
                shared.setdefault((one.cause, one.adds), []).append(passage)
        for (cause, adds), passages in shared.items():
            first = duties[a][passages[0]]
            yield {
                "blocks": [a, b],
                "kind": "alike",
                "duty": cause,
                "passages": passages,
                "together": None,
                "text": f"{a} and {b} both {_does(cause, adds, first.hz)} in {listed(passages)}.",
            }


def _does(cause: Name, adds: bool, hz: float) -> str:
    said = _DOES[cause][0 if adds else 1]
    return f"{said} around {round_frequency(hz)}" if math.isfinite(hz) and hz else said
