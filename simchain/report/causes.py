"""Causes as people read them: what is louder, dirtier, more even, and what stays as it is.

A cause here is what JSON has of it: `difference` (None where it cannot be told), and for the tone
`band_db` at `hz`. Differences are those of the second order less the first.
"""

from collections.abc import Mapping
from typing import Any, NamedTuple

from simchain.decide.causes import CAUSES, Cause, Name
from simchain.report.numbers import number
from simchain.report.wording import listed, round_frequency

Facts = Mapping[str, Mapping[str, Any]]


class _Words(NamedTuple):
    """A cause's unit, from how much on it is told, what more and less of it are, and none."""

    unit: str
    least: float
    more: str
    less: str
    none: str
    unknown: str = "it cannot be told here"


# What is told is more than another cause leaks into it (judging.md §4, 10), and worth a word: half
# of what counts as one in the score, where it is in there.
WORDS: dict[Name, _Words] = {
    "level": _Words("LU", 0.2, "louder", "quieter", "equally loud within 0.2 LU"),
    "tone": _Words("dB", 0.3, "", "", "hardly any change of tone"),
    "dirt": _Words("dB", 1.5, "dirtier", "cleaner", "no dirtier and no cleaner"),
    "touch": _Words("LU", 0.5, "less even", "more even", "as even"),
    "movement": _Words("dB", 0.5, "more sway", "less sway", "as much sway"),
    "tail": _Words(
        "dB", 1.0, "more echo", "less echo", "as much echo", "there are no rests to tell it from"
    ),
    "noise": _Words(
        "dB", 2.0, "more hum and hiss", "less hum and hiss", "as much hum and hiss",
        "hum and hiss were not rendered",
    ),
    "width": _Words("dB", 3.0, "wider", "narrower", "as wide"),
}  # fmt: skip
# What a sound is is told first, then what it has more or less of.
_IS: tuple[Name, ...] = ("touch", "width")
_HAS: tuple[Name, ...] = ("movement", "tail", "noise")
_LOUDER_LU = 0.5
# Dirt under this may be the leak of another cause (judging.md §4, 10).
_LEAKED_DIRT_DB = 0.5
_MOMENTS = {"soft": "in soft moments", "loud": "in loud moments", "all": ""}
_RANGES = {
    "low": "below 250 Hz", "middle": "between 250 Hz and 2.5 kHz", "high": "above 2.5 kHz",
    "all": "",
}  # fmt: skip


def where_words(where: Mapping[str, Any]) -> str:
    """Say where two sounds differ most: "3.0 dB less above 2.5 kHz in soft moments"."""
    size = _more_or_less(where["change_db"])
    return " ".join(filter(None, (size, _RANGES[where["range"]], _MOMENTS[where["moments"]])))


def when_words(when: Mapping[str, Any]) -> str:
    """Say at which moment two sounds differ most: "most at 5.2 s, below 250 Hz"."""
    return ", ".join(filter(None, (f"most at {when['at_s']:.1f} s", _RANGES[when["range"]])))


def cause_facts(causes: Mapping[Name, Cause] | None) -> dict[str, dict[str, Any]] | None:
    """Return causes for JSON: each a `difference`, its `unit`, and a `text`."""
    if causes is None:
        return None
    facts: dict[str, dict[str, Any]] = {}
    for name in CAUSES:
        cause = causes[name]
        facts[name] = {"difference": number(cause.difference), "unit": WORDS[name].unit}
        if name == "tone":
            facts[name] |= {"band_db": number(cause.band_db), "hz": number(cause.hz)}
        facts[name]["text"] = cause_text(name, facts[name])
    return facts


def turned_causes(causes: Facts) -> dict[Name, dict[str, Any]]:
    """Return causes with the two orders changed over: all the other way round, words too."""
    turned: dict[Name, dict[str, Any]] = {}
    for name in CAUSES:
        cause = dict(causes[name])
        # The tone's own number has no direction, its band has.
        key = "band_db" if name == "tone" else "difference"
        if cause[key] is not None:
            cause[key] = -cause[key]
        turned[name] = {**cause, "text": cause_text(name, cause)}
    return turned


def cause_text(name: Name, cause: Mapping[str, Any]) -> str:
    """Say one cause in a few words: "5.1 LU louder", "no dirtier and no cleaner"."""
    words, difference = WORDS[name], cause["difference"]
    if difference is None:
        return words.unknown
    if not is_told(name, cause):
        return words.none
    if name == "tone":
        return _band(cause)
    return f"{abs(difference):.1f} {words.unit} {_way(name, cause)}"


def what_it_does(subject: str, causes: Facts, *, tone: bool = True) -> str:
    """Say what a move does: "moving push after grit makes it 5.1 LU louder and no dirtier".

    `subject` makes one order of the other. Without `tone` that is left out. '' where nothing is
    worth a word.
    """
    adjectives, nouns = is_and_has(causes, tone=tone)
    if adjectives:
        return f"{subject} makes it {_with(adjectives, nouns)}"
    return f"{subject} brings {listed(nouns)}" if nouns else ""


def what_it_is(order: str, other: str, causes: Facts, *, tone: bool = True) -> str:
    """Say the same of an order against another: "against A, C is 5.1 LU louder and no dirtier"."""
    adjectives, nouns = is_and_has(causes, tone=tone)
    if adjectives:
        return f"against {other}, {order} is {_with(adjectives, nouns)}"
    return f"against {other}, {order} has {listed(nouns)}" if nouns else ""


def in_words(causes: Facts, *, tone: bool = True) -> str:
    """Say what is worth a word without a subject; '' where nothing is."""
    adjectives, nouns = is_and_has(causes, tone=tone)
    return _with(adjectives, nouns) if adjectives else listed(nouns)


def loudness_and_dirt(level_lu: float, more_dirt_db: float) -> str:
    """Say level and dirt alone: "5.1 LU louder and no dirtier"; '' where neither is worth it.

    An infinite level, that of silence, cannot be told.
    """
    causes = {
        "level": {"difference": number(level_lu)},
        "dirt": {"difference": number(more_dirt_db)},
    }
    return listed([text for text in (_level(causes), _dirt(causes)) if text])


def _with(adjectives: list[str], nouns: list[str]) -> str:
    return listed(adjectives) + (f", with {listed(nouns)}" if nouns else "")


def is_and_has(causes: Facts, *, tone: bool) -> tuple[list[str], list[str]]:
    """Return what a sound is, level and dirt first, and what it has, the tone last.

    What it is not comes after all that it is: "no cleaner and more even" could be read two ways.
    """
    dirt = _dirt(causes)
    rest = [_beside(name, causes[name]) for name in _IS if is_told(name, causes[name])]
    rest = [dirt, *rest] if is_told("dirt", causes["dirt"]) else [*rest, dirt]
    adjectives = [text for text in (_level(causes), *rest) if text]
    nouns = [_beside(name, causes[name]) for name in _HAS if is_told(name, causes[name])]
    if tone and is_told("tone", causes["tone"]):
        nouns.append(_band(causes["tone"]))
    return adjectives, nouns


def _level(causes: Facts) -> str:
    level = causes["level"]
    return cause_text("level", level) if is_told("level", level) else ""


def _dirt(causes: Facts) -> str:
    """Say whether it is dirtier; that it is not, where it is much louder or quieter."""
    dirt, level = causes["dirt"], causes["level"]["difference"] or 0.0
    if is_told("dirt", dirt):
        return _beside("dirt", dirt)
    if abs(level) < _LOUDER_LU or dirt["difference"] is None:
        return ""
    if abs(dirt["difference"]) >= _LEAKED_DIRT_DB:
        return f"hardly {_way('dirt', dirt)}"
    return "no dirtier" if level > 0.0 else "no cleaner"


def _beside(name: Name, cause: Mapping[str, Any]) -> str:
    return f"{_way(name, cause)} ({abs(cause['difference']):.1f} {WORDS[name].unit})"


def _way(name: Name, cause: Mapping[str, Any]) -> str:
    return WORDS[name].more if cause["difference"] > 0.0 else WORDS[name].less


def is_told(name: Name, cause: Mapping[str, Any]) -> bool:
    """Whether a cause is large enough to be worth a word."""
    difference = cause["difference"]
    return difference is not None and abs(difference) >= WORDS[name].least


def _band(tone: Mapping[str, Any]) -> str:
    return f"{_more_or_less(tone['band_db'])} around {round_frequency(tone['hz'])}"


def _more_or_less(change_db: float) -> str:
    return f"{abs(change_db):.1f} dB {'more' if change_db > 0.0 else 'less'}"
