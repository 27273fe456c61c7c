"""What the page of a search is filled with: groups, lines, figures, orders to look through.

`document` is a `search_document`, with members where orders are looked through.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from simchain.report.search_places import free_notes, free_sentences
from simchain.report.search_words import (
    Best,
    best_of_groups,
    goal_figure,
    goal_words,
    group_letter,
    group_words,
    many,
    ordinal,
)
from simchain.report.wording import order_line

# More orders than these are too much for a page: each takes about 12 bytes.
MOST_MEMBERS = 100_000
TABLE_ROWS = 100
_DIGITS = "0123456789abcdefghijklmnopqrstuvwxyz"
# A stretch of the bar as wide as that, in percent, has room for its letter; on a narrow screen it
# must be wider.
_LETTER_PERCENT, _WIDE_PERCENT = 2.0, 5.0


def shares(document: Mapping[str, Any], accents: int) -> list[dict[str, Any]]:
    """Return the stretches of one bar, in percent, that the groups take up by their orders.

    The groups whose best is shown have a colour each; those behind them have none.
    """
    coloured = {one.ranked["group"] for one in best_of_groups(document)}
    total, x = sum(group["size"] for group in document["groups"]) or 1, 0.0
    bar = []
    for place, group in enumerate(document["groups"]):
        width = 100.0 * group["size"] / total
        is_labelled = place in coloured and width >= _LETTER_PERCENT
        bar.append(
            {
                "x": f"{x:.3f}",
                "width": f"{width:.3f}",
                "middle": f"{x + width / 2:.3f}",
                "accent": place % accents + 1 if place in coloured else None,
                "letter": group_letter(place) if is_labelled else "",
                "is_thin": width < _WIDE_PERCENT,
                "title": f"{group_letter(place)}: {many(group['size'], 'order')}",
            }
        )
        x += width
    return bar


def shares_sentence(document: Mapping[str, Any]) -> str:
    """Say what the bar shows: the largest group, and how many hold a single order."""
    groups = document["groups"]
    if not groups:
        return "No groups."
    largest = max(range(len(groups)), key=lambda place: groups[place]["size"])
    alone = sum(group["size"] == 1 for group in groups)
    said = (
        "One stretch a group, as wide as it has orders, that with the best order first. "
        f"The largest is {group_letter(largest)}: {many(groups[largest]['size'], 'order')}."
    )
    return f"{said} {many(alone, 'order')} alone in a group." if alone else said


def lines(
    document: Mapping[str, Any], heard: Sequence[Mapping[str, Any]], accents: int
) -> list[dict[str, Any]]:
    """Return the best order of each group shown: its words, free places and figures.

    `heard` are the labelled orders that have a sound, those of the first groups.
    """
    best = best_of_groups(document)
    known = [cost for one in best for cost in _weighted(document, one).values() if cost is not None]
    return [_line(document, one, heard, accents, max(known, default=0.0)) for one in best]


def _line(
    document: Mapping[str, Any],
    best: Best,
    heard: Sequence[Mapping[str, Any]],
    accents: int,
    most: float,
) -> dict[str, Any]:
    """Return one line; `most` is the largest cost of all, which takes up a whole bar."""
    place, ranked = best.ranked["group"], best.ranked
    group = document["groups"][place]
    is_heard = place < len(heard)
    return {
        "place": place,
        "letter": group_letter(place),
        "accent": place % accents + 1,
        "heard": is_heard,
        "label": heard[place]["label"] if is_heard else f"place {best.place:,}",
        "order": ranked["order"],
        "notes": free_notes(group) if ranked["order"] == group["representative"] else {},
        "sentences": free_sentences(group),
        "says": group_words(document, place),
        "alike": best.alike,
        "score": "–" if ranked["score"] is None else f"{ranked['score']:.2f}",
        "unbeaten": ranked["unbeaten"],
        "is_coarse": ranked["quality"] == "coarse",
        "goals": [
            {
                "name": goal_words(name),
                "figure": goal_figure(name, ranked["values"].get(name)),
                "share": f"{100.0 if cost is None else 100.0 * cost / (most or 1.0):.1f}",
            }
            for name, cost in _weighted(document, best).items()
        ],
    }


def _weighted(document: Mapping[str, Any], best: Best) -> dict[str, float | None]:
    """Return what each goal costs an order, its weight counted; None where that has no end."""
    costs = best.ranked["costs"]
    return {
        name: None if costs.get(name) is None else abs(weight) * costs[name]
        for name, weight in document["weights"].items()
    }


def places(document: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the places that a block can be wished at: values, and words behind "stands"."""
    count = len(document["blocks"])
    found = [("at 1", "first"), ("last", "last")]
    if document["amp"]:
        found += [("front", "in front of the amplifier"), ("loop", "in the loop")]
    return found + [(f"at {place}", ordinal(place)) for place in range(2, count)]


def fits(document: Mapping[str, Any]) -> bool:
    """Whether a page can hold all orders of all groups."""
    members = sum(group["size"] for group in document["groups"])
    return members <= MOST_MEMBERS and len(document["blocks"]) <= len(_DIGITS)


def search_facts(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the page's script looks through: every order as one character a block."""
    codes = {name: _DIGITS[place] for place, name in enumerate(document["blocks"])}
    groups = document["groups"]
    return {
        "blocks": document["blocks"],
        "coloured": len(best_of_groups(document)),
        "orders": sum(group["size"] for group in groups),
        "letters": [group_letter(place) for place in range(len(groups))],
        "groups": [[_code(order, codes) for order in group["members"]] for group in groups],
        "ranking": [_code(one["order"], codes) for one in document["ranking"]],
    }


def _code(order: Mapping[str, Any], codes: Mapping[str, str]) -> str:
    stretches = ["".join(codes[name] for name in order[part]) for part in ("front", "loop")]
    return "|".join(stretches if order["loop"] else stretches[:1])


def table(document: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield the first of the ranking, row by row, and behind them those that no other beats."""
    unbeaten = 0
    for place, one in enumerate(document["ranking"], 1):
        if place > TABLE_ROWS:
            unbeaten += one["unbeaten"]
            if not one["unbeaten"] or unbeaten > TABLE_ROWS:
                continue
        yield {
            **one,
            "place": place,
            "letter": group_letter(one["group"]),
            "words": order_line(**one["order"]),
            "figures": [
                (goal_figure(name, one["values"].get(name)), one["costs"].get(name))
                for name in document["weights"]
            ],
        }


def table_note(document: Mapping[str, Any]) -> str:
    """Say what the table holds."""
    count = len(document["ranking"])
    more = ""
    if count > TABLE_ROWS:
        more = (
            f" The first {TABLE_ROWS} of {count:,}, and unbeaten ones behind them; --json has all."
        )
    return (
        "Orders that are proved the same stand once. Costs are in steps that matter, before "
        f"their weight.{more}"
    )
