"""What is said of a search, in words: the counts, the goals, from which pass figures are."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from simchain.decide.goals import GOALS
from simchain.report.wording import capital, letter, listed

# A player considers ten orders, not thousands.
SHOWN = 10
# More groups than these are not told one by one.
_NAMED_GROUPS = 3


def counts_sentence(document: Mapping[str, Any]) -> str:
    """Say how many orders there are, and how many of them are really different sounds.

    `document` is a `search_document`, here and below.
    """
    parts = [f"{many(document['orders_total'], 'order')}"]
    parts.append(f"{document['orders_allowed']:,} after the rules")
    if document["beam"] is not None:
        parts.append(f"{document['orders_visited']:,} of them visited")
    parts.append(f"{document['orders_distinct']:,} that differ")
    count = len(document["groups"])
    apart = "group, expected to sound alike" if count == 1 else "groups expected to sound apart"
    return f"{'; '.join(parts)}; {count:,} {apart}."


def many(count: int, word: str) -> str:
    """Return "1 order", "10,080 orders"."""
    return f"{count:,} {word}{'' if count == 1 else 's'}"


def ordinal(place: int) -> str:
    """Return "1st", "22nd", "113th"."""
    ends = {1: "st", 2: "nd", 3: "rd"}
    return f"{place:,}{'th' if place % 100 in (11, 12, 13) else ends.get(place % 10, 'th')}"


def group_words(document: Mapping[str, Any], place: int) -> str:
    """Say of a group how many orders it stands for, and how far their loudness differs."""
    group = document["groups"][place]
    if group["size"] == 1:
        return "stands alone"
    words = f"{group['size']:,} orders alike"
    if group["proved"]:
        words += f", {group['proved']:,} of them by proof"
    if (group["louder_lu"] or 0.0) >= 0.05:
        words += f", loudness within {group['louder_lu']:.1f} LU"
    return words


def unbeaten_sentence(document: Mapping[str, Any]) -> str:
    """Say which orders no other beats in all goals, by their places in the ranking."""
    places = [place for place, one in enumerate(document["ranking"], 1) if one["unbeaten"]]
    if not places:
        return ""
    told = [f"{place:,}" for place in places[:SHOWN]]
    more = f" and {len(places) - SHOWN:,} more" if len(places) > SHOWN else ""
    named = ", ".join(told) + more if more else listed(told)
    if len(places) == 1:
        return f"Order {named} is unbeaten: no other is as good in every goal and better in one."
    return f"Orders {named} are unbeaten: no other is as good in every goal and better in one."


def weights_sentence(document: Mapping[str, Any]) -> str:
    """Say which goals counted, and how much."""
    weights = document["weights"]
    if not weights:
        return "No goal has a weight: the sequence is that of the orders alone."
    told = listed([f"{goal_name(name)} {weight:g}" for name, weight in weights.items()])
    return f"Weights of the goals: {told}. Less is better; 0 meets every goal."


def goal_name(name: str) -> str:
    """Return a goal's name as words."""
    return name.replace("_", " ")


def goal_reading(name: str, value: float | None) -> str:
    """Return what a goal reads, with the words for it: "headroom 4.1 dB"."""
    return f"{goal_words(name)} {goal_figure(name, value)}"


def goal_words(name: str) -> str:
    """Return what stands before a goal's figure."""
    return GOALS[name].words if name in GOALS else goal_name(name)


def goal_figure(name: str, value: float | None) -> str:
    """Return what a goal reads, in its unit; a dash where that is no number."""
    if value is None:
        return "–"
    digits, unit = (GOALS[name].digits, GOALS[name].unit) if name in GOALS else (1, "")
    figure = f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")
    return f"{figure} {unit}".rstrip()


def passes_sentence(document: Mapping[str, Any]) -> str:
    """Say from which pass the figures are."""
    full = sum(one["quality"] == "full" for one in document["ranking"])
    count, coarse = len(document["ranking"]), document["coarse"]
    how = _coarse_words(coarse)
    if full == count:
        return "All figures are from the full pass."
    if full == 0:
        return f"All figures are from the coarse pass{how}."
    places = f"Figures of {many(full, 'order')} are from the full pass"
    return f"{places}, those of the other {count - full:,} from the coarse one{how}."


def _coarse_words(coarse: Mapping[str, Any] | None) -> str:
    if coarse is None:
        return ""
    parts = []
    if coarse["seconds"] is not None:
        parts.append(f"the first {coarse['seconds']:g} s of each passage")
    if coarse["rate"] is not None:
        parts.append(f"at {coarse['rate'] / 1000:g} kHz")
    return f" ({' '.join(parts)})" if parts else ""


def judged_sentence(document: Mapping[str, Any]) -> str:
    """Say which groups were judged by the coarse pass alone; '' where none was."""
    coarse = sum(group["quality"] == "coarse" for group in document["groups"])
    if not coarse or document["coarse"] is None:
        return ""
    every = "The one group" if coarse == 1 else "All groups"
    who = every if coarse == len(document["groups"]) else many(coarse, "group")
    verb = "was" if coarse == 1 else "were"
    return (
        f"{who} {verb} judged, in whole or in part, by the coarse pass: its excerpts are short, so "
        "it may call alike what a whole passage tells apart."
    )


def lost_sentence(document: Mapping[str, Any]) -> str:
    """Say how far the coarse pass went wrong; '' where that was not tried."""
    lost = document["lost"]
    if lost is None:
        return ""
    best = lost["best_was"]
    alone = "the coarse pass alone finds the same winner"
    if best > 1:
        alone = "the coarse pass alone would have put another first"
    tried = many(lost["tried"], "order")
    verb = "was" if lost["tried"] == 1 else "were"
    ten = min(SHOWN, lost["tried"])
    best_ten = f", its best {ten} at {ordinal(lost['ten_were'])} at the latest" if ten > 1 else ""
    return (
        f"{capital(tried)} {verb} rendered again at full quality: the best of them stood "
        f"{ordinal(best)} in the coarse ranking{best_ten}; {alone}."
    )


def beam_sentence(document: Mapping[str, Any]) -> str:
    """Say that not every order was visited; '' where all were."""
    if document["beam"] is None:
        return ""
    return (
        f"Searched by a beam of {document['beam']:,}: {document['orders_visited']:,} of "
        f"{document['orders_allowed']:,} orders were visited, and a better one may be among the "
        "others."
    )


def rendered_sentence(document: Mapping[str, Any]) -> str:
    """Say how much was rendered; how long it took differs each time, and is not on the page."""
    return f"{many(document['blocks_rendered'], 'block')} rendered."


def cost_sentence(document: Mapping[str, Any]) -> str:
    """Say what the search took."""
    return f"{rendered_sentence(document)[:-1]}, {_duration(document['seconds'])}."


def _duration(seconds: float | None) -> str:
    if seconds is None:
        return "no time known"
    if seconds < 100.0:
        return f"{seconds:.1f} s" if seconds < 10.0 else f"{seconds:.0f} s"
    minutes = seconds / 60.0
    return f"{minutes:.0f} min" if minutes < 100.0 else f"{minutes / 60.0:.1f} h"


class Best(NamedTuple):
    """The best order of a group: its place in the ranking, from 1, and what is ranked there.

    `alike` says which orders between it and the next best sound like one shown before: '' or
    "places 2 to 14 sound like A".
    """

    place: int
    ranked: Mapping[str, Any]
    alike: str


def best_of_groups(document: Mapping[str, Any]) -> list[Best]:
    """Return the best orders that are expected to sound apart, ten at the most.

    The ranking with what sounds like an order before it left out: ten orders that sound the same
    are no choice.
    """
    firsts: dict[int, int] = {}
    for at, one in enumerate(document["ranking"]):
        firsts.setdefault(one["group"], at)
    shown = list(firsts.values())[:SHOWN]
    ends = [*firsts.values(), len(document["ranking"])][1 : len(shown) + 1]
    return [
        Best(at + 1, document["ranking"][at], _alike(document, at + 1, end))
        for at, end in zip(shown, ends, strict=True)
    ]


def _alike(document: Mapping[str, Any], begin: int, end: int) -> str:
    """Say of the orders from `begin` up to `end`, from 0, which groups they belong to."""
    groups = sorted({one["group"] for one in document["ranking"][begin:end]})
    if not groups:
        return ""
    letters = [group_letter(group) for group in groups]
    if end - begin == 1:
        return f"place {end:,} sounds like {letters[0]}"
    like = f"{', '.join(letters[:-1])} or {letters[-1]}".removeprefix(" or ")
    if len(letters) > _NAMED_GROUPS:
        like = "orders above"
    return f"places {begin + 1:,} to {end:,} sound like {like}"


def group_letter(place: int) -> str:
    """Return what a group is called by: the letter of its representative where that is heard."""
    return letter(place)
