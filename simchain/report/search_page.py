"""The page of a search: how many sounds, the best orders, where order is free; and to hear them."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from threading import Event
from typing import Any

from simchain import files
from simchain.board import Order
from simchain.decide.comparison import Comparison
from simchain.decide.found import Found
from simchain.report.page import ACCENTS, SCRIPTS, STYLES, as_json, audition_parts, sheet
from simchain.report.results import write_sounds
from simchain.report.search_document import search_document
from simchain.report.search_page_data import (
    fits,
    lines,
    places,
    search_facts,
    shares,
    shares_sentence,
    table,
    table_note,
)
from simchain.report.search_words import (
    SHOWN,
    beam_sentence,
    best_of_groups,
    counts_sentence,
    goal_words,
    judged_sentence,
    lost_sentence,
    passes_sentence,
    rendered_sentence,
    unbeaten_sentence,
    weights_sentence,
)
from simchain.report.wording import spoken

Progress = Callable[[int, int, str], None]

PAGE = "search.html"
SEARCH_SCRIPTS = ("drawing.js", "search.js")
SEARCH_STYLES = (*STYLES, "search.css")


def audition_orders(found: Found, most: int = SHOWN) -> tuple[Order, ...]:
    """Return the orders to be heard: the best of each of the first groups; none where one is all.

    Give them to `decide.compare.compare`, and what it finds to `write_search_page`.
    """
    orders = tuple(group.representative for group in found.groups[:most])
    return orders if len(orders) > 1 else ()


def auditions(
    found: Found, *, progress: Progress | None = None, stop: Event | None = None
) -> Comparison | None:
    """Render what `write_search_page` lets hear; None where one order is all.

    `progress` and `stop` are those of `decide.compare.compare`. Raises ClipError, and StoppedError
    once `stop` is set.
    """
    from simchain.decide.compare import compare

    orders = audition_orders(found)
    if not orders:
        return None
    amps = [found.amp] if found.amp else None
    return compare(
        found.board,
        orders,
        passages=found.passages,
        amps=amps,
        judged=False,
        progress=progress,
        stop=stop,
    )


def write_search_page(folder: Path, found: Found, auditions: Comparison | None) -> Path:
    """Write the page of a search, with the sounds of `auditions` beside it and in it.

    `auditions` compares `audition_orders`; without it the page has no sounds. Raises OutputError
    when the folder cannot be written, ValueError when other orders were compared.
    """
    files.prepare_folder(folder)
    data = write_sounds(auditions, folder)[1] if auditions else None
    files.write_text(folder / PAGE, search_page(search_document(found, members=True), data))
    return folder / PAGE


def search_page(document: Mapping[str, Any], data: Mapping[str, Any] | None = None) -> str:
    """Return the page of a `search_document` with members, which plays the sounds of `data`.

    `data` is what an audition page of the first groups' representatives is made from. Raises
    ValueError when it holds other orders.
    """
    scripts: list[Sequence[str]] = [SEARCH_SCRIPTS]
    parts: dict[str, Any] = {"data": None}
    heard: list[dict[str, Any]] = []
    if data is not None:
        heard = _labelled(document, data)
        parts = audition_parts({**data, "orders": heard})
        scripts.insert(0, SCRIPTS)
    parts |= _parts(document, heard)
    return sheet("search.html.j2", scripts, SEARCH_STYLES, **parts)


def _labelled(document: Mapping[str, Any], data: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the orders that are heard, called by their places in the ranking.

    Raises ValueError unless they are the best of the first groups.
    """
    firsts = [group["representative"] for group in document["groups"][: len(data["orders"])]]
    if firsts != [{part: order[part] for part in ("front", "loop")} for order in data["orders"]]:
        raise ValueError("the orders to be heard are not the best of the first groups")
    ranked = {one.ranked["group"]: one.place for one in best_of_groups(document)}
    return [
        {**order, "label": _label(order, ranked.get(group))}
        for group, order in enumerate(data["orders"])
    ]


def _label(order: Mapping[str, Any], place: int | None) -> str:
    """Return a name, where the board has one, and the place; without one it is its blocks."""
    names = [spoken(order["name"])] if " " not in order["name"] else []
    return ", ".join(names + ([f"place {place:,}"] if place else [])) or "not ranked"


def _parts(document: Mapping[str, Any], heard: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Return what the template is filled with beside the audition."""
    best = lines(document, heard, ACCENTS)
    passes, beam = passes_sentence(document), beam_sentence(document)
    judged = judged_sentence(document)
    lost = lost_sentence(document)
    how = (rendered_sentence(document), passes, lost, judged, beam, *document["warnings"])
    can_wish = fits(document)
    return {
        "found": document,
        "counts": counts_sentence(document),
        "shares": shares(document, ACCENTS),
        "shares_say": shares_sentence(document),
        "beam": beam,
        "groups": best,
        "best_head": _best_head(len(best)),
        "weights": weights_sentence(document),
        "unbeaten": unbeaten_sentence(document),
        "passes": passes,
        "found_how": [sentence for sentence in how if sentence],
        "wish": {"places": places(document)} if can_wish else None,
        "goal_names": [goal_words(name) for name in document["weights"]],
        "table": list(table(document)),
        "table_note": table_note(document),
        "search_facts": as_json(search_facts(document) if can_wish else {"ranking": []}),
    }


def _best_head(count: int) -> str:
    if count < 2:
        return "The best order" if count else "No order to rank"
    return f"The {count} best that are expected to sound apart"
