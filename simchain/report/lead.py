"""What a page and a command say first: which orders are alike, which moves are free."""

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from typing import Any, NamedTuple

from simchain.decide.holding import turn_for
from simchain.decide.judge import FREE_WORDS, VERDICTS
from simchain.report.causes import in_words
from simchain.report.moves import move_words
from simchain.report.sentences import find_pair, is_same
from simchain.report.verdicts import (
    EXPECTED,
    FREE_MOVE_LU,
    decided,
    level_words,
    no_difference_expected,
)
from simchain.report.wording import capital, letter, listed, spoken

Pair = Mapping[str, Any]


class Lead(NamedTuple):
    """On one amplifier: how the orders stand to each other, the free moves, and those heard."""

    sentences: list[str]
    free: list[str]
    heard: list[str]


def lead(data: Mapping[str, Any], amp: str | None) -> Lead:
    """Return what is said first of the orders of `data` (see `audition_page`), where judged."""
    if any(pair.get("verdict") is None for pair in data["pairs"]):
        return Lead([], [], [])
    orders, groups = data["orders"], _groups(data, amp)
    sentences = [*_alike(groups), *_apart(data, amp, groups)]
    said = {(0, group[0]) for group in groups[1:]}
    free: list[str] = []
    heard: list[str] = []
    for first, second in combinations(range(len(orders)), 2):
        moved = move_words(orders[first], orders[second])
        if moved and (first, second) not in said:
            title = f"{capital(moved)} ({letter(first)} to {letter(second)})"
            pairs = _pairs(data, amp, first, second)
            is_free = _is_free(pairs)
            held = _held(data, amp, orders[first]["name"], orders[second]["name"])
            text = f"{title}: {_outcome(pairs)}{held}."
            (free if is_free else heard).append(text)
    return Lead(sentences, free, heard)


def _held(data: Mapping[str, Any], amp: str | None, a: str, b: str) -> str:
    """Say where a free move holds or stops holding, behind a semicolon; '' where not tried."""
    for pair in data["free"] or ():
        if (pair["a"], pair["b"], pair["amp"]) == (a, b, amp) and pair["text"]:
            return f"; {pair['text']}"
    return ""


def _is_free(pairs: Mapping[str, Pair]) -> bool:
    return all(pair["verdict"] in FREE_WORDS for pair in pairs.values())


def _outcome(pairs: Mapping[str, Pair]) -> str:
    return _free_move(pairs) if _is_free(pairs) else _heard(pairs)


def _pairs(data: Mapping[str, Any], amp: str | None, first: int, second: int) -> dict[str, Pair]:
    """Return a pair of orders in each passage, by its name."""
    names = [data["orders"][place]["name"] for place in (first, second)]
    found = {
        passage["name"]: find_pair(data, names[0], names[1], passage["name"], amp)
        for passage in data["passages"]
    }
    return {name: pair for name, pair in found.items() if pair is not None}


def _groups(data: Mapping[str, Any], amp: str | None) -> list[list[int]]:
    """Gather orders of which in no passage a difference to the first of their group is expected."""
    groups: list[list[int]] = []
    for place in range(len(data["orders"])):
        for group in groups:
            pairs = _pairs(data, amp, group[0], place).values()
            if all(is_same(pair) or no_difference_expected(pair) for pair in pairs):
                group.append(place)
                break
        else:
            groups.append([place])
    return groups


def _alike(groups: Sequence[Sequence[int]]) -> Iterator[str]:
    for group in groups:
        if len(group) > 1:
            names = listed([letter(place) for place in group])
            yield (
                f"No difference expected between {names} in any passage: take whichever puts the "
                "blocks where your feet, plugs and jacks want them."
            )


def _apart(
    data: Mapping[str, Any], amp: str | None, groups: Sequence[Sequence[int]]
) -> Iterator[str]:
    """Say how the first order of each further group differs from the first order of all."""
    for group in groups[1:]:
        names = listed([letter(place) for place in group])
        moved = move_words(data["orders"][0], data["orders"][group[0]])
        how = f" ({moved})" if moved else ""
        yield f"{names} against A{how}: {_outcome(_pairs(data, amp, 0, group[0]))}."


def _heard(pairs: Mapping[str, Pair]) -> str:
    """Say where a difference is expected and which: "a clear difference expected in solo, ..."."""
    worst = max(pairs, key=lambda name: _strength(pairs[name]))
    pair = pairs[worst]
    near = " (borderline)" if pair["borderline"] else ""
    told = f"{EXPECTED[pair['verdict']]} expected{near} in {spoken(worst)}, by {decided(pair)}"
    if words := in_words(pair["causes"], tone=not pair["where"]):
        told += f": {words}"
    others = [name for name in pairs if name != worst]
    also = [name for name in others if pairs[name]["verdict"] not in FREE_WORDS]
    none = [name for name in others if name not in also]
    if also:
        told += f"; less in {listed([spoken(name) for name in also])}"
    if none:
        told += f"; none in {listed([spoken(name) for name in none])}"
    return told


def _strength(pair: Pair) -> tuple[int, float]:
    score = math.inf if pair["score"] is None else float(pair["score"])
    return VERDICTS.index(pair["verdict"]), score


def _free_move(pairs: Mapping[str, Pair]) -> str:
    """Say that a move is free, and what is to be turned after it."""
    if all(is_same(pair) for pair in pairs.values()):
        return "the same in every passage"
    trims = {name: float(pair["trim_lu"] or 0.0) for name, pair in pairs.items()}
    turn_db = turn_for(list(trims.values()), FREE_MOVE_LU)
    free = "free to move, no difference expected in any passage"
    near = [spoken(name) for name, pair in pairs.items() if pair["borderline"]]
    close = f" (borderline in {listed(near)})" if near else ""
    if turn_db == 0.0:
        return free + close
    if turn_db is not None:
        way = "down" if turn_db < 0.0 else "up"
        return f"{free}{close} after turning the level {way} by {abs(turn_db):.1f} dB"
    levels = [f"{level_words(lu)} in {spoken(name)}" for name, lu in trims.items()]
    return f"no difference but in level expected{close}: {listed(levels)}; no one turn evens it out"
