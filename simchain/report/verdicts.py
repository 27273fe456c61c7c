"""The words of a verdict, as people read them: what is expected to be heard, never what is."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from simchain.board import Judging
from simchain.decide.causes import Name
from simchain.decide.judge import HEARD_WORDS
from simchain.report.causes import is_told, when_words, where_words
from simchain.report.wording import listed, round_frequency

# A level that is told, and one that is no free move any more.
HEARD_LU, FREE_MOVE_LU = 0.05, Judging().free_move_lu
SAME_NULL_DB, SAME_TRIM_LU = Judging().same_null_db, Judging().same_trim_lu
FREE = "free to move: no difference expected"
STYLES = {"same": "green", "free": "green", "subtle": "yellow", "clear": "bold red"}
SINGLE_MOMENTS = "single moments"
DECIDED_BY = {
    "distribution": "tone and evenness",
    "movement": "movement",
    "event": f"{SINGLE_MOMENTS} (a click, a gap, a note)",
    "dirt": "dirt",
    "width": "stereo width",
}
# What spreads levels over time and bands, as causes have it.
SPREAD_BY: dict[Name, str] = {"tone": "tone", "touch": "evenness", "tail": "echo"}
EXPECTED = {
    "same": "no difference",
    "free": "no difference",
    "subtle": "a subtle difference",
    "clear": "a clear difference",
}
# What follows where a difference was named before.
_ANOTHER = {
    "no difference": "none",
    "a subtle difference": "a subtle one",
    "a clear difference": "a clear one",
}


def level_words(trim_lu: float) -> str:
    """Say a change of level: "3.0 LU louder", "equally loud"."""
    return "equally loud" if abs(trim_lu) < HEARD_LU else louder(trim_lu)


def louder(trim_lu: float) -> str:
    """Say by how much something is louder or quieter: "3.0 LU louder"."""
    return f"{abs(trim_lu):.1f} LU {'louder' if trim_lu > 0.0 else 'quieter'}"


def expected(pair: Mapping[str, Any]) -> str:
    """Say what is expected of a pair: "a subtle difference expected (borderline), by dirt: ".

    `pair` has `verdict`, `borderline` and `trim_lu`, and perhaps what the score was `decided_by`;
    '' where it was not judged.
    """
    said = _expected(pair)
    return f"{said}{_by(pair)}: " if said else ""


def _expected(pair: Mapping[str, Any]) -> str:
    word = pair.get("verdict")
    if word is None:
        return ""
    return f"{EXPECTED[word]}{_but(pair)} expected{_near(pair)}"


def _but(pair: Mapping[str, Any]) -> str:
    is_louder = pair["verdict"] == "free" and abs(pair["trim_lu"] or 0.0) >= HEARD_LU
    return " but in level" if is_louder else ""


def _near(pair: Mapping[str, Any]) -> str:
    return " (borderline)" if pair.get("borderline") else ""


def _by(pair: Mapping[str, Any]) -> str:
    told = pair["verdict"] in HEARD_WORDS and pair.get("decided_by")
    return f", by {decided(pair)}" if told else ""


def decided(pair: Mapping[str, Any]) -> str:
    """Say what the word was decided by: a part of the score, or one narrow band; and where."""
    if pair.get("raised_by_band"):
        return f"one narrow band, around {round_frequency(pair['max_erb_change_hz'])}"
    there = where_words(pair["where"]) if pair.get("where") else ""
    if pair.get("when"):
        return f"{SINGLE_MOMENTS} ({when_words(pair['when'])})"
    return _part(pair) + (f" ({there})" if there else "")


def _part(pair: Mapping[str, Any]) -> str:
    """Say which part decided; of how levels are spread, which causes of that are told."""
    causes = pair.get("causes")
    if pair["decided_by"] != "distribution" or not causes:
        return DECIDED_BY[pair["decided_by"]]
    told = [word for name, word in SPREAD_BY.items() if is_told(name, causes[name])]
    return listed(told) or DECIDED_BY["distribution"]


def expected_of_each(pairs: Sequence[tuple[str, Mapping[str, Any]]]) -> str:
    """Say it of several orders against A: "against A a clear difference expected in C, none in D".

    `pairs` has each order's letter. The largest difference comes first; by what it is differs from
    order to order, and is left to their own sentences. '' where none was judged.
    """
    judged = [(letter, pair) for letter, pair in pairs if pair.get("verdict") is not None]
    letters: dict[tuple[str, str, str], list[str]] = {}
    for letter, pair in sorted(judged, key=lambda item: _largest_first(item[1])):
        kind = (EXPECTED[pair["verdict"]], _but(pair), _near(pair))
        letters.setdefault(kind, []).append(letter)
    told = [
        f"{_ANOTHER[what]}{but}{near} in {listed(names)}"
        if place
        else f"against A {what}{but} expected{near} in {listed(names)}"
        for place, ((what, but, near), names) in enumerate(letters.items())
    ]
    return ", ".join(told)


def _largest_first(pair: Mapping[str, Any]) -> tuple[int, bool, bool]:
    """The key that sorts pairs: what is free comes last, whatever it is called."""
    heard = HEARD_WORDS.index(pair["verdict"]) + 1 if pair["verdict"] in HEARD_WORDS else 0
    return -heard, bool(_but(pair)), bool(_near(pair))


def is_same(pair: Mapping[str, Any]) -> bool:
    """Whether two orders are the same in level and spectrum: a null of -80 dB, 0.1 LU."""
    trim_lu, null_db = pair["trim_lu"], pair["null_db"]
    if trim_lu is None or null_db is None:
        return False
    return bool(null_db <= SAME_NULL_DB and abs(trim_lu) <= SAME_TRIM_LU)


def are_alike(pair: Mapping[str, Any]) -> bool:
    """Whether two orders are the same, or no difference between them is expected."""
    return is_same(pair) or no_difference_expected(pair)


def grouped(count: int, alike: Callable[[int, int], bool]) -> list[list[int]]:
    """Gather orders, given by their places, into groups of which each is `alike` every other."""
    groups: list[list[int]] = []
    for place in range(count):
        for group in groups:
            if all(alike(other, place) for other in group):
                group.append(place)
                break
        else:
            groups.append([place])
    return groups


def no_difference_expected(pair: Mapping[str, Any]) -> bool:
    """Whether a pair was judged, and found so near that not even its level counts."""
    near = pair["trim_lu"] is not None and abs(pair["trim_lu"]) < FREE_MOVE_LU
    return near and pair.get("verdict") in ("same", "free")
