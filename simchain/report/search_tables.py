"""What `simchain search` prints for people: the counts, ten orders, and where order is free."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from rich.padding import Padding
from rich.text import Text

from simchain.report.search_places import free_sentences
from simchain.report.search_words import (
    SHOWN,
    Best,
    beam_sentence,
    best_of_groups,
    cost_sentence,
    counts_sentence,
    goal_reading,
    group_letter,
    group_words,
    judged_sentence,
    lost_sentence,
    many,
    passes_sentence,
    unbeaten_sentence,
    weights_sentence,
)
from simchain.report.wording import order_line

_INDENT = 4


def search_parts(document: Mapping[str, Any]) -> Iterable[Text | Padding]:
    """Return what people see of a `search_document`; it wraps, and no name is cut off."""
    amp = document["amp"]
    yield Text(f"{document['title']}: " + (f"amplifier {amp}" if amp else "into the mixer"))
    yield Text(counts_sentence(document), style="bold")
    if beam := beam_sentence(document):
        yield Text(beam)
    yield Text()
    best = best_of_groups(document)
    yield from _ranking(best)
    if document["why"]:
        yield Text(document["why"], style="bold")
    if unbeaten := unbeaten_sentence(document):
        yield Text(unbeaten)
    yield from _unbeaten_elsewhere(document, [one.place for one in best])
    yield Text()
    yield from _groups(document, best)
    yield from _footing(document)


def _ranking(best: Sequence[Best]) -> Iterator[Text | Padding]:
    """Yield the best order of each group: its place, words, figures and letter."""
    many_best = f"The {len(best)} best orders that are expected to sound apart"
    title = many_best if len(best) > 1 else "The best order" if best else "No order to rank"
    yield Text(title, style="bold")
    for place, ranked, alike in best:
        yield _order_line(place, ranked)
        figures = [goal_reading(name, value) for name, value in ranked["values"].items()]
        score = "–" if ranked["score"] is None else f"{ranked['score']:.2f}"
        words = "; ".join([f"score {score}", *figures, *_marks(ranked)])
        yield Padding(Text(words), (0, 0, 0, _INDENT))
        if alike:
            yield Padding(Text(f"({alike})", style="dim"), (0, 0, 0, _INDENT))
    yield Text()


def _order_line(place: int, ranked: Mapping[str, Any]) -> Padding:
    """Return an order's line of words behind its place, which stands out to the left."""
    group = group_letter(ranked["group"])
    words = Text.assemble((f"{place:,}", "bold"), f"  {order_line(**ranked['order'])}")
    return Padding(words.append(f"   group {group}", style="bold"), 0)


def _marks(ranked: Mapping[str, Any]) -> list[str]:
    coarse = ["coarse figures"] if ranked["quality"] == "coarse" else []
    return coarse + (["unbeaten"] if ranked["unbeaten"] else [])


def _unbeaten_elsewhere(document: Mapping[str, Any], shown: Sequence[int]) -> Iterator[Padding]:
    """Yield those of the orders that none beats that are not shown already."""
    unbeaten = [place for place, one in enumerate(document["ranking"], 1) if one["unbeaten"]]
    for place in unbeaten[:SHOWN]:
        if place not in shown:
            line = _order_line(place, document["ranking"][place - 1])
            yield Padding(line, (0, 0, 0, _INDENT))


def _groups(document: Mapping[str, Any], best: Sequence[Best]) -> Iterator[Text | Padding]:
    """Say of each group shown how many orders sound like it, and what is free in it."""
    for place, ranked, _ in best:
        group = ranked["group"]
        words = f" (place {place:,}): {group_words(document, group)}"
        yield Text.assemble((f"Group {group_letter(group)}", "bold"), words)
        for sentence in free_sentences(document["groups"][group]):
            yield Padding(Text(sentence), (0, 0, 0, _INDENT))
    others = len(document["groups"]) - len(best)
    if others:
        yield Text(f"{many(others, 'further group')}: --json has them all")
    yield Text()


def _footing(document: Mapping[str, Any]) -> Iterator[Text]:
    """Say what the figures and the groups rest on."""
    said = [weights_sentence(document), passes_sentence(document)]
    said += [lost_sentence(document), judged_sentence(document)]
    said += [
        f"Groups: judged at {document['listening_db_spl']:g} dB SPL with these clips, settings "
        "and levels; free to move but for the level. A prediction: your ears have the last word.",
        cost_sentence(document),
    ]
    yield from (Text(sentence, style="dim") for sentence in said if sentence)
