"""Stereo in JSON and in words: where it begins and ends on each path, and what its end costs."""

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from simchain.chain.stereo import AMP, SOURCE, FoldCost, HeardStereo, How
from simchain.measure.stereo import Stereo
from simchain.report.numbers import number
from simchain.report.sentences import sounds_in
from simchain.report.wording import letter, listed, spoken

WORTH_TELLING_DB = 1.0
TOLD_DIPS = 3


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


def stereo_sentence(heard: HeardStereo) -> str:
    """Say in one sentence where a stretch of stereo ends and what that costs."""
    stretch = heard.stretch
    begins = {AMP: "the amplifiers", SOURCE: "the clip"}.get(stretch.begins, stretch.begins)
    if not heard.is_used:
        return f"Both sides are the same behind {begins}: stereo is not used there."
    start = f"Stereo from {begins}"
    if stretch.from_s > 0.0:
        start += f", from {stretch.from_s:.1f} s on,"
    if stretch.how is None:
        return f"{start} reaches out{_apart(heard.sides)}."
    ends = {"amp.in": "the amplifier", "amp.return": "the amplifier's return"}
    place = ends.get(stretch.ends or "", stretch.ends_at)
    cost = f"; {_lost(heard.cost)}" if heard.cost else ""
    return f"{start} ends at {place}: it takes {_TAKEN[stretch.how]}{cost}."


def _apart(sides: Stereo | None) -> str:
    """Say how far the two sides are apart."""
    if sides is None:
        return ""
    correlation = sides.correlation
    alike = f", correlation {correlation:.2f}" if math.isfinite(correlation) else ""
    return f": {100 * sides.width:.2g} % of its energy is side{alike}"


_TAKEN: dict[How, str] = {
    "mean": "the mean of both sides",
    "one amplifier": "the mean of both sides",
    "left": "the left side alone",
}


def _lost(cost: FoldCost) -> str:
    """Say what a fold costs in level, in a tenth of a second too, and where it has dips."""
    loss = cost.loss
    parts = [_level_lost(loss.level_db)]
    if loss.most_db < loss.level_db - WORTH_TELLING_DB:
        most = "all" if loss.most_db == -math.inf else f"{-loss.most_db:.1f} dB"
        parts.append(f"{most} at {loss.most_at_s:.1f} s")
    if cost.dips:
        deepest = sorted(sorted(cost.dips, key=lambda dip: dip.db)[:TOLD_DIPS])
        told = ", ".join(f"{_hertz(dip.hz)} ({dip.db:.0f} dB)" for dip in deepest)
        parts.append(f"the fold dips at {told}")
    return ", ".join(parts[:-1]) + " and " + parts[-1] if len(parts) > 1 else parts[0]


def _level_lost(level_db: float) -> str:
    if level_db == -math.inf:
        return "both sides cancel"
    if abs(level_db) < 0.05:
        return "no level is lost"
    return f"{abs(level_db):.1f} dB of level is {'lost' if level_db < 0.0 else 'won'}"


def _hertz(hz: float) -> str:
    rounded = float(f"{hz:.2g}")
    return f"{rounded / 1e3:g} kHz" if rounded >= 1e3 else f"{rounded:g} Hz"
