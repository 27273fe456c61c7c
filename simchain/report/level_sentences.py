"""Plain sentences about level along a path: ceilings, noise floor, and what the loop meets."""

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

from simchain.report.sentences import sounds_in
from simchain.report.stops import (
    LITTLE_HEADROOM_DB,
    NEAR_FLOOR_DB,
    ON_PURPOSE,
    loop_blocks,
    stop_name,
    stops,
)
from simchain.report.wording import frequency, letter, listed, spoken

SOFT_CLIPPING = (
    "The amplifier's own points have no ceiling and so no figure for what is left: an amplifier "
    "clips softly, more and more as it is driven, and is meant to."
)
# Less than this between two orders, or between noise and music at one block, is not worth a word.
_WORTH_A_WORD_DB = 2.0
_NAMED_DIPS = 3
_PARTS = {"amp.send": "the preamp", "speaker": "the power stage", "source": "the guitar"}

Rows = Mapping[str, Sequence[Mapping[str, Any]]]


def level_sentences(document: Mapping[str, Any]) -> list[str]:
    """Return what a level diagram says, in words; `document` is that of `levels_document`."""
    rows = rows_of(document)
    says = [*ceiling_sentences(rows)]
    says += filter(None, (floor_sentence(passage, points) for passage, points in rows.items()))
    says += [
        text
        for passage, facts in document["loop"].items()
        if (text := parallel_sentence(facts, passage))
    ]
    if document["amp"]:
        says += filter(None, [preamp_sentence(rows)])
        says.append(SOFT_CLIPPING)
    return says


def diagram_notes(rows: Rows) -> list[str]:
    """Return what is written beneath a level diagram: what the eye needs words for."""
    close = [
        (min(known), floor_sentence(passage, points))
        for passage, points in rows.items()
        if (known := [db for stop in stops(points) if (db := stop.above_floor_db) is not None])
    ]
    nearest = min(close, default=(0.0, ""))[1]
    amplified = any(point["name"] == "amp.in" for points in rows.values() for point in points)
    soft = "An amplifier has no ceiling: it clips softly, and is meant to." if amplified else ""
    return [*filter(None, (preamp_sentence(rows), nearest, soft))]


def rows_of(document: Mapping[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """Return a levels document's test points in path order, for each passage."""
    rows: dict[str, list[dict[str, Any]]] = {}
    for name, passages in document["points"].items():
        for passage, figures in passages.items():
            rows.setdefault(passage, []).append({"name": name, **figures})
    return rows


def ceiling_sentences(rows: Rows) -> Iterator[str]:
    """Say where a path clips, then where little is left, worst first; or what comes closest."""
    limited = sorted(
        (
            (stop.headroom_db, stop, passage)
            for passage, points in rows.items()
            for stop in stops(points)
            if stop.headroom_db is not None
        ),
        key=lambda item: item[0],
    )
    tight = [item for item in limited if item[1].is_tight]
    for headroom_db, stop, passage in tight:
        where = f"{stop.name}'s input" if stop.at_input else stop.name
        if stop.clips:
            yield f"{where} clips in {spoken(passage)}, {-headroom_db:.1f} dB over."
        else:
            yield f"{where} has {headroom_db:.1f} dB left in {spoken(passage)}."
    if limited and not tight:
        headroom_db, stop, passage = limited[0]
        yield (
            f"Nothing comes within {LITTLE_HEADROOM_DB:g} dB of clipping; the closest is "
            f"{stop.name} in {spoken(passage)}, with {headroom_db:.1f} dB left. {ON_PURPOSE}"
        )


def floor_sentence(passage: str, points: Sequence[Mapping[str, Any]]) -> str:
    """Say where the noise floor is within 40 dB of the music in a passage; '' where it is not.

    One place is named, the worst, and the block that lifts the noise most against the music.
    """
    known = [
        (above_db, stop.name)
        for stop in stops(points)
        if (above_db := stop.above_floor_db) is not None
    ]
    if not known or min(known)[0] >= NEAR_FLOOR_DB:
        return ""
    worst_db, where = min(known, key=lambda place: round(place[0]))
    in_passage = f"in {spoken(passage)}"
    if worst_db < 0.0:
        told = f"At {where} the noise floor is {-worst_db:.0f} dB above the music {in_passage}"
    else:
        told = f"At {where} the noise floor is only {worst_db:.0f} dB below the music {in_passage}"
    if known[0][1] != where:
        told += f", at {_part(known[0][1])} {known[0][0]:.0f} dB"
    costs = [(before[0] - after[0], after[1]) for before, after in pairwise(known)]
    cost_db, name = max(costs, default=(0.0, ""))
    if cost_db >= _WORTH_A_WORD_DB:
        told += f"; {_part(name)} lifts the noise most, {cost_db:.0f} dB more than the music"
    return told + "."


def preamp_sentence(rows: Rows) -> str:
    """Say what lies between the amplifier's input and its send, and which blocks meet that."""
    lifts, loop = [], []
    for points in rows.values():
        level = {point["name"]: point["rms_dbu"] for point in points}
        ends = level.get("amp.in"), level.get("amp.send")
        if ends[0] is not None and ends[1] is not None:
            lifts.append(ends[1] - ends[0])
        loop = loop_blocks(list(level))
    if not lifts:
        return ""
    low, high = round(min(lifts)), round(max(lifts))
    by = f"{low} dB" if low == high else f"{low} to {high} dB"
    told = f"The preamp lifts the music by {by} between amp.in and amp.send"
    if loop:
        meet = "meets" if len(loop) == 1 else "meet"
        return f"{told}: {listed(loop)} in the loop {meet} it that much louder than in front."
    return f"{told}; every block stands in front of that and meets the guitar's level."


def parallel_sentence(facts: Mapping[str, Any] | None, passage: str) -> str:
    """Say where a parallel loop and the direct sound beside it cancel; '' where they do not.

    `facts` holds mix, level_db and dips (hz, db).
    """
    if facts is None:
        return ""
    inside = f"in {spoken(passage)}"
    dips = facts["dips"]
    if dips:
        deepest = min(dip["db"] for dip in dips)
        named = [frequency(dip["hz"]) for dip in dips[:_NAMED_DIPS]]
        more = ", and on upwards" if len(dips) > _NAMED_DIPS else ""
        size = "whole" if deepest <= -40.0 else f"{deepest:.0f} dB"
        return (
            f"The loop beside the direct sound cancels {inside}: {size} at {listed(named)}{more}."
        )
    if facts["level_db"] is not None and facts["level_db"] < -LITTLE_HEADROOM_DB:
        return (
            f"The loop is turned over against the direct sound {inside}: together they are "
            f"{-facts['level_db']:.0f} dB quieter than the louder of the two alone."
        )
    return ""


def meeting_sentence(data: Mapping[str, Any], passage: str, amp: str | None) -> str:
    """Say why level differs between orders: what blocks meet in the loop and in front of it.

    `data` is what the audition page is built from. Blocks that stand in the loop in some orders
    and in front of the amplifier in others come first, then the other block whose input differs
    most between two orders. '' where nothing differs by 2 dB.
    """
    met = _met(data, passage, amp)
    moved: dict[tuple[str, str], list[tuple[str, float]]] = {}
    rest: list[tuple[float, str, str, str]] = []
    for block, places in met.items():
        inside = [(name, dbu) for name, dbu, in_loop in places if in_loop]
        outside = [(name, dbu) for name, dbu, in_loop in places if not in_loop]
        if inside and outside:
            more_db = _mean(inside) - _mean(outside)
            key = (listed([name for name, _ in inside]), listed([name for name, _ in outside]))
            moved.setdefault(key, []).append((block, more_db))
        elif len(places) > 1:
            least, most = min(places, key=lambda p: p[1]), max(places, key=lambda p: p[1])
            rest.append((most[1] - least[1], block, most[0], least[0]))
    told = [_moved(*key, blocks) for key, blocks in moved.items()]
    if rest and max(rest)[0] >= _WORTH_A_WORD_DB:
        more_db, block, most_name, least_name = max(rest)
        start = "Elsewhere most" if any(told) else "Most"
        told.append(
            f"{start} differs at {block}, which meets {more_db:.0f} dB more in {most_name} than in "
            f"{least_name}."
        )
    return " ".join(filter(None, told))


def floors_sentence(data: Mapping[str, Any], passage: str, amp: str | None) -> str:
    """Say how far the noise floor lies below the music at the end of each order's path."""
    found = []
    for place, _, sound in sounds_in(data, passage, amp):
        known = [stop for stop in stops(sound["points"]) if stop.above_floor_db is not None]
        ends = [stop for stop in known if stop.name == "speaker"] or known[-1:]
        if ends:
            found.append((letter(place), float(ends[0].above_floor_db or 0.0), ends[0].name))
    if not found:
        return ""
    least, most = (chosen(db for _, db, _ in found) for chosen in (min, max))
    where = f"At {found[0][2]} the noise floor is "
    if least < 0.0:
        return f"{where}louder than the music in {listed([n for n, db, _ in found if db < 0.0])}."
    only = "only " if least < NEAR_FLOOR_DB else ""
    if round(most) - round(least) <= 1:
        span = f"{least:.0f} dB" if round(least) == round(most) else f"{least:.0f} to {most:.0f} dB"
        return f"{where}{only}{span} below the music in each order."
    sizes = listed([f"{db:.0f} dB in {name}" for name, db, _ in found])
    return f"{where}{only}{sizes} below the music."


def loops_sentence(data: Mapping[str, Any], passage: str, amp: str | None) -> str:
    """Say where parallel loops cancel, order by order; '' where none does."""
    told = []
    for place, _, sound in sounds_in(data, passage, amp):
        for name, facts in sound["loops"].items():
            text = parallel_sentence(facts, name)
            told += [f"{letter(place)}: {text}"] if text else []
    return " ".join(told)


def _met(
    data: Mapping[str, Any], passage: str, amp: str | None
) -> dict[str, list[tuple[str, float, bool]]]:
    """Return for each block each order's letter, the RMS it meets, and whether in the loop.

    Blocks that are off throughout meet nothing that matters.
    """
    on: list[str] = next((each["on"] for each in data["passages"] if each["name"] == passage), [])
    met: dict[str, list[tuple[str, float, bool]]] = {}
    for place, order, sound in sounds_in(data, passage, amp):
        for point in sound["points"]:
            block = stop_name(point["name"])
            is_input = point["name"] == f"{block}.in" and block in on
            if is_input and point["rms_dbu"] is not None:
                inside = block in order["loop"]
                met.setdefault(block, []).append((letter(place), point["rms_dbu"], inside))
    return {block: places for block, places in met.items() if len(places) > 1}


def _moved(inside: str, outside: str, blocks: Sequence[tuple[str, float]]) -> str:
    low, high = (round(chosen(db for _, db in blocks)) for chosen in (min, max))
    if abs(low) < _WORTH_A_WORD_DB and abs(high) < _WORTH_A_WORD_DB:
        return ""
    by = f"{low} dB" if low == high else f"{low} to {high} dB"
    meet = "meets" if len(blocks) == 1 else "meet"
    return (
        f"{listed([block for block, _ in blocks])} {meet} {by} more in the loop ({inside}) than "
        f"in front of the amplifier ({outside}): the preamp has lifted the music by then."
    )


def _mean(levels: Sequence[tuple[str, float]]) -> float:
    return math.fsum(dbu for _, dbu in levels) / len(levels)


def _part(name: str) -> str:
    return _PARTS.get(name, name)
