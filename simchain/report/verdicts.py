"""The words of a verdict, as people read them: what is expected to be heard, never what is."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from simchain.board import Judging
from simchain.decide.judge import HEARD_WORDS
from simchain.report.causes import when_words, where_words
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
EXPECTED = {
    "same": "no difference",
    "free": "no difference",
    "subtle": "a subtle difference",
    "clear": "a clear difference",
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
    but = " but in level" if word == "free" and abs(pair["trim_lu"] or 0.0) >= HEARD_LU else ""
    near = " (borderline)" if pair.get("borderline") else ""
    return f"{EXPECTED[word]}{but} expected{near}"


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
    return DECIDED_BY[pair["decided_by"]] + (f" ({there})" if there else "")


def expected_of_each(pairs: Sequence[tuple[str, Mapping[str, Any]]]) -> str:
    """Say it of several orders against A: "against A a clear difference expected in C and D".

    `pairs` has each order's letter; '' where none was judged.
    """
    letters: dict[tuple[str, str], list[str]] = {}
    for letter, pair in pairs:
        if said := _expected(pair):
            letters.setdefault((said, _by(pair)), []).append(letter)
    told = [f"{said} in {listed(names)}{by}" for (said, by), names in letters.items()]
    return f"against A {', '.join(told)}" if told else ""


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
