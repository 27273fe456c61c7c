"""What a page and a command say first: which orders are alike, which moves are free."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from typing import Any, NamedTuple

from simchain.decide.holding import turn_for
from simchain.decide.judge import FREE_WORDS, HEARD_WORDS, VERDICTS
from simchain.report.causes import in_words
from simchain.report.moves import move_words
from simchain.report.sentences import find_pair
from simchain.report.verdicts import (
    EXPECTED,
    FREE_MOVE_LU,
    HEARD_LU,
    are_alike,
    decided,
    grouped,
    is_same,
    level_words,
    louder,
)
from simchain.report.wording import capital, letter, listed, spoken

Pair = Mapping[str, Any]
# One pair of orders in each passage or song, by its name.
Pairs = Mapping[str, Pair]


class Lead(NamedTuple):
    """On one amplifier: how the orders stand to each other, the free moves, and those heard."""

    sentences: list[str]
    free: list[str]
    heard: list[str]


def lead(data: Mapping[str, Any], amp: str | None) -> Lead:
    """Return what is said first of the orders of `data` (see `audition_page`), where judged.

    The first of each further group has a sentence against the first order, unless it is one free
    move from it: moves have a line each.
    """
    if any(pair.get("verdict") is None for pair in data["pairs"]):
        return Lead([], [], [])
    count = range(len(data["orders"]))
    judged = {at: found for at in combinations(count, 2) if (found := _pairs(data, amp, *at))}
    groups = grouped(len(count), lambda *at: at in judged and _are_alike(judged[at]))
    said = Lead([_alike(data, group, judged) for group in groups if len(group) > 1], [], [])
    leaders = {group[0] for group in groups[1:]}
    for (first, second), pairs in judged.items():
        moved = move_words(data["orders"][first], data["orders"][second])
        held = _held(data, amp, first, second)
        is_free = _is_free(pairs) and _turn_db(pairs) is not None
        outcome = f"{_outcome(data, pairs, is_move=bool(moved))}{held}."
        title = f"{letter(first)} to {letter(second)}"
        if first == 0 and second in leaders and not (is_free and moved):
            how = f" ({moved})" if moved else ""
            said.sentences.append(f"{letter(second)} against A{how}: {outcome}")
        elif moved:
            part = said.free if is_free else said.heard
            part.append(f"{capital(moved)} ({title}): {outcome}")
        elif held:
            said.free.append(f"{title}: {outcome}")
    return said


def _pairs(data: Mapping[str, Any], amp: str | None, first: int, second: int) -> dict[str, Pair]:
    """Return a pair of orders in each passage, by its name."""
    names = [data["orders"][place]["name"] for place in (first, second)]
    found = {
        passage["name"]: find_pair(data, names[0], names[1], passage["name"], amp)
        for passage in data["passages"]
    }
    return {name: pair for name, pair in found.items() if pair is not None}


def _held(data: Mapping[str, Any], amp: str | None, first: int, second: int) -> str:
    """Say where a free move holds or stops holding, behind a semicolon; '' where not tried."""
    a, b = (data["orders"][place]["name"] for place in (first, second))
    for pair in data["free"] or ():
        if (pair["a"], pair["b"], pair["amp"]) == (a, b, amp) and pair["text"]:
            return f"; {pair['text']}"
    return ""


def _is_free(pairs: Pairs) -> bool:
    """Whether none is expected to be heard; where one of the two is silent nobody can say."""
    return all(
        pair["verdict"] in FREE_WORDS and pair["trim_lu"] is not None for pair in pairs.values()
    )


def _are_alike(pairs: Pairs) -> bool:
    return all(are_alike(pair) for pair in pairs.values())


def _outcome(data: Mapping[str, Any], pairs: Pairs, *, is_move: bool) -> str:
    return _free_move(data, pairs, is_move=is_move) if _is_free(pairs) else _heard(pairs)


def _alike(
    data: Mapping[str, Any], group: Sequence[int], judged: Mapping[tuple[int, int], Pairs]
) -> str:
    """Say of a group that its orders are the same, or that no difference is expected."""
    names = listed([letter(place) for place in group])
    within = [judged[first, second] for first, second in combinations(group, 2)]
    if all(is_same(pair) for pairs in within for pair in pairs.values()):
        said = f"{names} are the same in {_all_of(data, 'every')}"
    else:
        near = _close([name for pairs in within for name in _borderline(pairs)])
        said = f"No difference expected between {names} in {_all_of(data, 'any')}{near}"
    return f"{said}: take whichever puts the blocks where your feet, plugs and jacks want them."


def _all_of(data: Mapping[str, Any], each: str) -> str:
    """Call all that was compared: "every passage", "any passage or song"; one alone by its name."""
    if len(data["passages"]) == 1:
        return spoken(data["passages"][0]["name"])
    kinds = sorted({"song" if one["is_song"] else "passage" for one in data["passages"]})
    return f"{each} {' or '.join(kinds) if each == 'any' else listed(kinds)}"


def _borderline(pairs: Pairs) -> list[str]:
    return [name for name, pair in pairs.items() if pair["borderline"]]


def _close(names: Sequence[str]) -> str:
    called = [spoken(name) for name in dict.fromkeys(names)]
    return f" (borderline in {listed(called)})" if called else ""


def _free_move(data: Mapping[str, Any], pairs: Pairs, *, is_move: bool) -> str:
    """Say that a move is free, and what is to be turned after it."""
    if all(is_same(pair) for pair in pairs.values()):
        return f"the same in {_all_of(data, 'every')}"
    turn_db = _turn_db(pairs)
    close = _close(_borderline(pairs))
    free = "free to move, " if is_move else ""
    free += f"no difference expected in {_all_of(data, 'any')}{close}"
    if turn_db == 0.0:
        return free
    if turn_db is not None:
        way = "down" if turn_db < 0.0 else "up"
        return f"{free} once the level is turned {way} by {abs(turn_db):.1f} dB"
    levels = [f"{level_words(pair['trim_lu'])} in {spoken(name)}" for name, pair in pairs.items()]
    return f"no difference but in level expected{close}: {listed(levels)}; no one turn evens it out"


def _turn_db(pairs: Pairs) -> float | None:
    """Return the turn of the level that makes a free move of it, 0 for none, None without one.

    A turn that rounds to nothing evens nothing out.
    """
    turn_db = turn_for([float(pair["trim_lu"]) for pair in pairs.values()], FREE_MOVE_LU)
    return None if turn_db is None or 0.0 < abs(turn_db) < HEARD_LU else turn_db


def _heard(pairs: Pairs) -> str:
    """Say where a difference is expected and which: "a clear difference expected in solo, ..."."""
    silent = [name for name, pair in pairs.items() if pair["trim_lu"] is None]
    judged = {name: pair for name, pair in pairs.items() if name not in silent}
    heard = {name: pair for name, pair in judged.items() if pair["verdict"] in HEARD_WORDS}
    said = [f"one of the two is silent in {listed(list(map(spoken, silent)))}"] if silent else []
    if heard:
        worst = max(heard, key=lambda name: _strength(heard[name]))
        said += [_worst(worst, judged.pop(worst)), *_elsewhere(judged, heard[worst]["verdict"])]
    else:
        said += _nowhere(judged, "no difference expected")
    return "; ".join(said)


def _strength(pair: Pair) -> tuple[int, float]:
    return VERDICTS.index(pair["verdict"]), float(pair["score"])


def _worst(name: str, pair: Pair) -> str:
    """Say what is expected where the difference is largest, by what, and what it is."""
    near = " (borderline)" if pair["borderline"] else ""
    told = f"{EXPECTED[pair['verdict']]} expected{near} in {spoken(name)}, by {decided(pair)}"
    words = in_words(pair["causes"], tone=not pair["where"])
    return f"{told}: {words}" if words else told


def _elsewhere(pairs: Pairs, worst: str) -> Iterator[str]:
    """Say what is expected in the other passages: "a subtle one in riff", "none in verse"."""
    for word in reversed(HEARD_WORDS):
        names = [_called(name, pair) for name, pair in pairs.items() if pair["verdict"] == word]
        if names:
            yield f"a {word} one in {listed(names)}" + (" too" if word == worst else "")
    yield from _nowhere(pairs, "none")


def _nowhere(pairs: Pairs, none: str) -> Iterator[str]:
    """Say where no difference (`none`) is expected, and where none but in level."""
    free = {name: pair for name, pair in pairs.items() if pair["verdict"] in FREE_WORDS}
    alike = [_called(name, pair) for name, pair in free.items() if are_alike(pair)]
    if alike:
        yield f"{none} in {listed(alike)}"
    levels = [
        _called(name, pair, louder(float(pair["trim_lu"])))
        for name, pair in free.items()
        if not are_alike(pair)
    ]
    if levels:
        yield f"{none} but in level in {listed(levels)}"


def _called(name: str, pair: Pair, *more: str) -> str:
    """Name a passage, and in brackets what else is to be known: "solo (borderline)"."""
    beside = [*more, *(["borderline"] if pair["borderline"] else [])]
    return spoken(name) + (f" ({', '.join(beside)})" if beside else "")
