"""Stereo in JSON and in words: where it begins and ends on each path, and what its end costs."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from simchain.chain.stereo import HeardStereo, stereo_sentence
from simchain.measure.stereo import Stereo
from simchain.report.numbers import number
from simchain.report.sentences import letter, listed, sounds_in, spoken


def stereo_facts(heard: Iterable[HeardStereo]) -> list[dict[str, Any]]:
    """Return stretches of stereo for JSON; what is not known is null.

    Where stereo ends, `loss_db` is the level lost and `dips` are where the fold cancels; they and
    `correlation` and `width` need the sound at the fold. `text` has it in words.
    """
    return [_stretch(one) for one in heard]


def sides_facts(sides: Stereo) -> dict[str, float | None]:
    """Return how far two channels are apart, for JSON."""
    return {"correlation": number(sides.correlation), "width": number(sides.width)}


def stereo_lines(passages: Mapping[str, Sequence[Mapping[str, Any]]]) -> list[str]:
    """Say where stereo ends in each passage, what is said of all of them once.

    `passages` holds the stretches, as `stereo_facts` returns them, of one order in each passage.
    """
    told = {spoken(name): [one["text"] for one in found] for name, found in passages.items()}
    return _told_of(told, "In ")


def stereo_by_order(data: Mapping[str, Any], passage: str, amp: str | None) -> list[str]:
    """Say where stereo ends in each order of a passage or song, what is said of all of them once.

    `data` is what the audition page is built from.
    """
    told = {
        letter(place): [one["text"] for one in sound["stereo"]]
        for place, _, sound in sounds_in(data, passage, amp)
    }
    return _told_of(told, "")


def _told_of(told: Mapping[str, Sequence[str]], before: str) -> list[str]:
    """Put those of whom a sentence is true before it, unless it is true of all."""
    sentences: dict[str, list[str]] = {}
    for name, texts in told.items():
        for text in texts:
            sentences.setdefault(text, []).append(name)
    return [
        text if len(names) == len(told) else f"{before}{listed(names)}: {text}"
        for text, names in sentences.items()
    ]


def _stretch(heard: HeardStereo) -> dict[str, Any]:
    stretch, sides, cost = heard.stretch, heard.sides, heard.cost
    return {
        "begins": stretch.begins,
        "ends": stretch.ends,
        "how": stretch.how,
        "before": stretch.before,
        "from_s": stretch.from_s,
        "loss_db": number(cost.loss.level_db) if cost else None,
        "dips": [{"hz": number(hz), "db": number(db)} for hz, db in cost.dips] if cost else None,
        **(sides_facts(sides) if sides else {"correlation": None, "width": None}),
        "text": stereo_sentence(heard),
    }
