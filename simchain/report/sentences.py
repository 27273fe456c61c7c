"""Plain sentences about orders: facts of level and spectrum, no claim about what anyone hears.

A difference is always that of the second order less the first: positive `trim_lu` is louder,
positive `band_change_db` is more in that third of an octave once both are equally loud.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from simchain.decide.match import IDENTICAL_DB
from simchain.report.causes import turned_causes, what_it_does, what_it_is
from simchain.report.moves import move_words
from simchain.report.stops import LITTLE_HEADROOM_DB, ON_PURPOSE, Stop, stops
from simchain.report.verdicts import (
    HEARD_LU,
    SAME_NULL_DB,
    SAME_TRIM_LU,
    are_alike,
    expected,
    expected_of_each,
    grouped,
    is_same,
    louder,
)
from simchain.report.wording import capital, frequency, letter, listed, spoken

_FAINT_TONE_DB = 1.0
_NAMED_ORDERS = 5


def pair_sentence(
    pair: Mapping[str, Any], first: str = "A", second: str = "B", moved: str = ""
) -> str:
    """Say in one sentence how two orders differ in one passage.

    `pair` holds trim_lu (None when one of them is silent), null_db, max_band_change_db,
    max_band_hz and band_change_db, and where it was judged verdict, borderline, decided_by and
    causes; `first` and `second` are the words for its `a` and `b`, `moved` for what makes one of
    the other ("moving push after grit").
    """
    trim_lu, null_db = pair["trim_lu"], pair["null_db"]
    if trim_lu is None:
        return f"One of {first} and {second} is silent here, so there is no difference to state."
    if null_db is not None and null_db <= SAME_NULL_DB:
        return _nothing_else(first, second, float(trim_lu), float(null_db))
    if pair.get("causes") and pair["verdict"] in ("subtle", "clear"):
        return capital(f"{_what_is_heard(pair, first, second, moved)}.")
    change_db = signed_band_change(pair)
    sentence = f"{expected(pair)}{_level(first, second, trim_lu)}; {_tone(pair, change_db)}"
    if null_db is not None and abs(change_db) < _FAINT_TONE_DB:
        sentence += f", and their whole difference is {-null_db:.0f} dB below the sound"
    return capital(sentence) + "."


def passage_sentence(data: Mapping[str, Any], passage: str, amp: str | None) -> str:
    """Say in one sentence how the orders of `data` (see `audition_page`) differ in a passage.

    With more than two orders, those that are the same, or of which no difference is expected, come
    first, as groups; then the first of each group is held against the first order.
    """
    names = [order["name"] for order in data["orders"]]
    start = capital(spoken(passage)) + ": "

    def pair_of(first: int, second: int) -> dict[str, Any] | None:
        return find_pair(data, names[first], names[second], passage, amp)

    if len(names) == 2 and (pair := pair_of(0, 1)) is not None:
        return start + pair_sentence(pair, moved=moved_in(data, passage, 0, 1))

    def alike(first: int, second: int) -> bool:
        pair = pair_of(first, second)
        return pair is not None and are_alike(pair)

    groups = grouped(len(names), alike)
    against_first = [
        (letter(group[0]), pair)
        for group in groups[1:]
        if (pair := pair_of(0, group[0])) is not None
    ]
    if not against_first and all(len(group) == 1 for group in groups):
        return start + "there is one order, and nothing to hold it against."
    return start + _many_sentence(_alike(groups, pair_of), against_first)


def moved_in(data: Mapping[str, Any], passage: str, first: int, second: int) -> str:
    """Say what of the blocks that are on in a passage moves from one order to another."""
    on = next(one["on"] for one in data["passages"] if one["name"] == passage)
    return move_words(data["orders"][first], data["orders"][second], on)


def step_sentence(data: Mapping[str, Any], passage: str, amp: str | None) -> str:
    """Say how far a passage lies above the one it is held against, in each order; '' for none."""
    wish = next(one.get("above") for one in data["passages"] if one["name"] == passage)
    if not wish:
        return ""
    loud = {
        (sound["order"], sound["passage"]): sound["integrated_lufs"]
        for sound in data["sounds"]
        if sound["amp"] == amp
    }
    steps = []
    for place, order in enumerate(data["orders"]):
        here, there = (loud.get((order["name"], name)) for name in (passage, wish["passage"]))
        if here is None or there is None:
            return ""
        steps.append((letter(place), f"{here - there:+.1f}"))
    alike = len({step for _, step in steps}) == 1
    told = f"{steps[0][1]} LU in each order" if alike else listed(
        [f"{name} {step}" for name, step in steps]
    ) + " LU"  # fmt: skip
    return f"Against the {spoken(wish['passage'])}: {told}; {wish['lu']:+.1f} is wanted."


def headroom_sentence(data: Mapping[str, Any], passage: str, amp: str | None) -> str:
    """Say where the orders clip in a passage, or how far the closest stays from clipping."""
    limited = [
        (letter(place), stop)
        for place, _, sound in sounds_in(data, passage, amp)
        for stop in stops(sound["points"])
        if stop.headroom_db is not None
    ]
    if not limited:
        return "Nothing on these paths has a rail to clip against."
    clipping = [(name, stop) for name, stop in limited if stop.clips]
    near = [(name, stop) for name, stop in limited if stop.is_tight and not stop.clips]
    limit = f"within {LITTLE_HEADROOM_DB:.0f} dB of clipping"
    parts = []
    if clipping:
        parts.append(f"Clips: {_places(clipping, 'over')}.")
    if near:
        parts.append(f"{capital(limit)}: {_places(near, 'left')}.")
    if not parts:
        name, stop = min(limited, key=lambda item: _headroom(item[1]))
        parts.append(
            f"Nothing comes {limit}; the closest is {stop.name} in {name}, "
            f"with {_headroom(stop):.1f} dB left. {ON_PURPOSE}"
        )
    return " ".join(parts)


def find_pair(
    data: Mapping[str, Any], first: str, second: str, passage: str, amp: str | None
) -> dict[str, Any] | None:
    """Return the pair of two orders with `first` as its `a`, turned round where it is listed so."""
    for pair in data["pairs"]:
        if pair["passage"] != passage or pair["amp"] != amp:
            continue
        if (pair["a"], pair["b"]) == (first, second):
            return dict(pair)
        if (pair["a"], pair["b"]) == (second, first):
            return turned(pair)
    return None


def turned(pair: Mapping[str, Any]) -> dict[str, Any]:
    """Return `pair` with its two orders changed over and every difference the other way."""
    changes = [None if change is None else -change for change in pair["band_change_db"]]
    trim_lu = pair["trim_lu"]
    other = {"a": pair["b"], "b": pair["a"], "band_change_db": changes}
    if causes := pair.get("causes"):
        other["causes"] = turned_causes(causes)
    if where := pair.get("where"):
        other["where"] = {**where, "change_db": -where["change_db"]}
    return {**pair, **other, "trim_lu": None if trim_lu is None else -trim_lu}


def signed_band_change(pair: Mapping[str, Any]) -> float:
    """Return the largest third-octave change in dB, with its direction."""
    changes = [float(change) for change in pair["band_change_db"] if change is not None]
    return max(changes, key=abs, default=float(pair["max_band_change_db"] or 0.0))


def _what_is_heard(pair: Mapping[str, Any], first: str, second: str, moved: str) -> str:
    """Say what is expected to be heard, and what moving a block does.

    Where most of the difference lies stands in what is expected: the tone is not told again.
    """
    said, tone = expected(pair), not pair.get("where")
    if moved:
        told = what_it_does(moved, pair["causes"], tone=tone)
    else:
        told = what_it_is(second, first, pair["causes"], tone=tone)
    if told:
        return said + told
    between = f"from {moved}" if moved else f"between {first} and {second}"
    return f"{said.removesuffix(': ')}, {between}"


def _nothing_else(first: str, second: str, trim_lu: float, null_db: float) -> str:
    if null_db <= IDENTICAL_DB and trim_lu == 0.0:
        return f"{first} and {second} are the same sound, sample for sample."
    if abs(trim_lu) <= SAME_TRIM_LU:
        return (
            f"{first} and {second} are the same: "
            f"their difference is {-null_db:.0f} dB below the sound."
        )
    return (
        f"{_level(first, second, trim_lu)}, and nothing else differs: "
        f"once matched, their difference is {-null_db:.0f} dB below the sound."
    )


def _level(first: str, second: str, trim_lu: float) -> str:
    if abs(trim_lu) < HEARD_LU:
        return f"{first} and {second} are equally loud"
    return f"{second} is {louder(trim_lu)} than {first}"


def _tone(pair: Mapping[str, Any], change_db: float, whose: str = "") -> str:
    if abs(change_db) < 0.05 or pair["max_band_hz"] is None:
        return "no third of an octave differs by as much as 0.1 dB"
    direction = "more" if change_db > 0.0 else "less"
    place = frequency(pair["max_band_hz"])
    return f"most change of tone: {whose}{abs(change_db):.1f} dB {direction} at {place}"


def _alike(
    groups: Sequence[Sequence[int]], pair_of: Callable[[int, int], Mapping[str, Any] | None]
) -> list[str]:
    """Name the groups of more than one: "A and C are the same"."""
    said = []
    for first, *others in groups:
        letters = listed([letter(place) for place in (first, *others)])
        pairs = [pair for place in others if (pair := pair_of(first, place)) is not None]
        if pairs and all(is_same(pair) for pair in pairs):
            said.append(f"{letters} are the same")
        elif pairs:
            said.append(f"no difference expected between {letters}")
    return said


def _many_sentence(
    alike: Sequence[str], against_first: Sequence[tuple[str, Mapping[str, Any]]]
) -> str:
    """Name what is alike, then what is expected of the rest, levels, the most change of tone."""
    parts = [capital(alike[0]), *alike[1:]] if alike else []
    silent = [name for name, pair in against_first if pair["trim_lu"] is None]
    if silent:
        said = _one_is_silent(silent)
        parts.append(said if parts else capital(said))
    rest = [(name, pair) for name, pair in against_first if name not in silent]
    if rest:
        if said := expected_of_each(rest):
            parts.append(said if parts else capital(said))
        parts.append(_levels([(name, float(pair["trim_lu"])) for name, pair in rest]))
        name, pair = max(rest, key=lambda item: abs(signed_band_change(item[1])))
        parts.append(_tone(pair, signed_band_change(pair), f"{name}, "))
    return "; ".join(parts) + "."


def _one_is_silent(letters: Sequence[str]) -> str:
    """Say that of A and each of the others one is silent: which is not in the pair."""
    if len(letters) == 1:
        return f"either A or {letters[0]} is silent"
    return f"either A is silent, or {listed(letters)} are"


def _levels(trims: Sequence[tuple[str, float]]) -> str:
    """Say how loud several orders are against A; past five, only the quietest and the loudest."""
    if len(trims) > _NAMED_ORDERS:
        quietest, loudest = (chosen(trims, key=lambda item: item[1]) for chosen in (min, max))
        return (
            f"against A the others lie between {louder(quietest[1])} ({quietest[0]}) "
            f"and {louder(loudest[1])} ({loudest[0]})"
        )
    equal = [name for name, trim_lu in trims if abs(trim_lu) < HEARD_LU]
    moved = [(name, trim_lu) for name, trim_lu in trims if abs(trim_lu) >= HEARD_LU]
    if not moved:
        return f"{listed(['A', *equal])} are equally loud"
    words = [
        f"{name} is {louder(trim_lu)} than A" if place == 0 else f"{name} {louder(trim_lu)}"
        for place, (name, trim_lu) in enumerate(moved)
    ]
    return ", ".join([*words, *(f"{name} equally loud" for name in equal)])


def _places(found: Sequence[tuple[str, Stop]], word: str) -> str:
    """Return "A at room (2.1 dB over) and repeat (0.4 dB over); B at push (1.0 dB over)"."""
    by_order: dict[str, list[str]] = {}
    for name, stop in found:
        size = f"{abs(_headroom(stop)):.1f} dB {word}"
        by_order.setdefault(name, []).append(f"{stop.name} ({size})")
    return "; ".join(f"{name} at {listed(places)}" for name, places in by_order.items())


def _headroom(stop: Stop) -> float:
    return math.inf if stop.headroom_db is None else stop.headroom_db


def sounds_in(
    data: Mapping[str, Any], passage: str, amp: str | None
) -> Iterator[tuple[int, Mapping[str, Any], Mapping[str, Any]]]:
    """Yield the place of each order that is heard in a passage, the order, and its sound.

    `data` is what the audition page is built from.
    """
    for place, order in enumerate(data["orders"]):
        for sound in data["sounds"]:
            if (sound["order"], sound["passage"], sound["amp"]) == (order["name"], passage, amp):
                yield place, order, sound
