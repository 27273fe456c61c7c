"""What `simchain worth` prints: a row and a sentence for each block, the best fours, and JSON."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

import simchain
from simchain.decide.without import Lost
from simchain.decide.worth import BlockWorth, Four, Worth
from simchain.report.causes import cause_facts, in_words, loudness_and_dirt
from simchain.report.documents import score_facts
from simchain.report.duties import same_duties
from simchain.report.numbers import number
from simchain.report.verdicts import EXPECTED, STYLES
from simchain.report.wording import listed, order_line

CLASSES = {
    "always_on": "always on",
    "switched": "on at times",
    "essential": "essential to one sound",
    "rarely": "rarely earns its place",
}


def worth_document(result: Worth) -> dict[str, Any]:
    """Return what `simchain worth --json` prints.

    Each of `blocks` has the share of time it is on, how often it is switched, the word of the
    passage that loses most without it (`same` where it is never on), its class, a `text`, and
    `passages`: what each one in which it is ever on loses without it, measured against the order as
    it is, so that `trim_lu` is below 0 where the block adds level. `missed` is the score, or the
    change in level where that counts for more; null without end. `best` are the choices of four
    that `kept` most of what all blocks do; `passages` are as rendered with the others off. `shared`
    are duties that two blocks share: "alike" does the same in the same passages, "stands_in" is
    hardly missed while the other is there.
    """
    blocks = {name: _block(name, one) for name, one in result.blocks.items()}
    cost = result.cost
    return {
        "simchain": simchain.__version__,
        "order": result.order_name,
        "front": list(result.order.front),
        "loop": list(result.order.loop),
        "amp": result.amp,
        "passages": list(result.passages),
        "blocks": blocks,
        "best": [_four(four) for four in result.best],
        "shared": [
            *same_duties(blocks, result.board.judging.free_below),
            *_stand_ins(result),
        ],
        "renders": result.renders,
        "cost": {"takes": cost.takes, "probes": cost.probes, "still": cost.still},
        "free_move_lu": result.board.judging.free_move_lu,
        "listening_db_spl": result.board.judging.listening_db_spl,
        "warnings": list(result.warnings),
    }


def _block(name: str, one: BlockWorth) -> dict[str, Any]:
    worst = one.worst
    facts = {
        "on_share": one.use.on_share,
        "switched": one.use.switched,
        "verdict": worst.judged.score.verdict if worst else "same",
        "class": one.judged_as,
        "worst_passage": worst.passage if worst else None,
        "passages": {passage: _lost(lost) for passage, lost in one.lost.items()},
    }
    return {**facts, "text": _sentence(name, facts)}


def _lost(lost: Lost) -> dict[str, Any]:
    difference = lost.judged.difference
    facts = {
        **score_facts(lost.judged.score, lost.judged.where, lost.judged.when),
        "missed": number(lost.missed),
        "trim_lu": number(difference.trim_lu),
        "null_db": number(difference.null_db),
        "more_dirt_db": number(lost.judged.more_dirt_db),
    }
    return {**facts, "causes": cause_facts(lost.causes)} if lost.causes else facts


def _four(four: Four) -> dict[str, Any]:
    passages = {passage: _lost(lost) for passage, lost in (four.lost or {}).items()}
    facts = {"blocks": list(four.blocks), "kept": four.kept, "passages": passages}
    return {**facts, "text": _four_sentence(facts)}


def _stand_ins(result: Worth) -> Iterator[dict[str, Any]]:
    """Yield the pairs that are missed together and hardly alone, with all their passages."""
    least = result.board.judging.free_below
    by_pair: dict[tuple[str, ...], dict[str, Any]] = {}
    for lost in result.pairs:
        if lost.missed >= least:
            pair = tuple(name for name in result.order.blocks if name in lost.without)
            by_pair.setdefault(pair, {})[lost.passage] = _lost(lost)
    for pair, passages in by_pair.items():
        told = [f"in {passage} {_without_words(facts)}" for passage, facts in passages.items()]
        text = (
            f"{listed(pair)} stand in for one another: either alone is hardly missed, "
            f"without both {listed(told)}."
        )
        yield {
            "blocks": list(pair),
            "kind": "stands_in",
            "duty": None,
            "passages": list(passages),
            "together": passages,
            "text": text,
        }


def _sentence(name: str, facts: Mapping[str, Any]) -> str:
    """Say what a block is, and what each passage loses without it."""
    if not facts["passages"]:
        return (
            f"{name} is never on in these passages: what they sound like does not tell its worth."
        )
    times = facts["switched"]
    often = "" if not times else ", switched once" if times == 1 else f", switched {times} times"
    said = f"{name} is on {_percent(facts['on_share'])} of the time{often}; without it, "
    told = [f"in {passage} {_without_words(lost)}" for passage, lost in facts["passages"].items()]
    return said + "; ".join(told) + "."


def _without_words(lost: Mapping[str, Any]) -> str:
    """Say what is lost in one passage: "a clear difference: 6.0 LU quieter and cleaner"."""
    if lost["trim_lu"] is None:
        return "there is silence"
    causes = lost.get("causes")
    if causes:
        told = in_words(causes)
    else:
        told = loudness_and_dirt(lost["trim_lu"], lost["more_dirt_db"] or 0.0)
    near = " (borderline)" if lost["borderline"] else ""
    return f"{EXPECTED[lost['verdict']]}{near}" + (f", {told}" if told else "")


def _four_sentence(facts: Mapping[str, Any]) -> str:
    said = f"{listed(facts['blocks'])} keep {_percent(facts['kept'])} of what all blocks do"
    told = [f"in {name} {_without_words(lost)}" for name, lost in facts["passages"].items()]
    lost = "; ".join(told) if told else "nothing is lost"
    return f"{said}; as rendered without the others, {lost}."


def _percent(share: float) -> str:
    """Write a share; a little is never written as nothing, nor nearly all as all."""
    if 0.0 < share < 0.01:
        return "under 1 %"
    if 0.99 < share < 1.0:
        return "over 99 %"
    return f"{100.0 * share:.0f} %"


def worth_parts(document: Mapping[str, Any]) -> Iterable[Table | Text | Padding]:
    """Return what people see: a row for each block, a sentence each, the best fours, the duties."""
    amp = document["amp"]
    yield Text(f"{document['order']}: {order_line(document['front'], document['loop'])}")
    yield Text(f"amplifier {amp}" if amp else "into the mixer")
    yield Text()
    yield _table(document)
    yield Text()
    for title, texts in (
        ("What is lost without each", [one["text"] for one in document["blocks"].values()]),
        ("Duties that two blocks share", [one["text"] for one in document["shared"]]),
        ("The best board of four", [one["text"] for one in document["best"]]),
    ):
        if texts:
            yield Text(title, style="bold")
            yield from (Padding(Text(text), (0, 0, 0, 2)) for text in texts)
            yield Text()
    yield from _footing(document)


def _table(document: Mapping[str, Any]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for title in ("", "on", "switched", "without it", "level", ""):
        table.add_column(title, no_wrap=True, justify="right" if title == "on" else "left")
    for name, one in document["blocks"].items():
        table.add_row(
            name,
            _percent(one["on_share"]),
            str(one["switched"]),
            _word(one),
            _level(one),
            CLASSES[one["class"]],
        )
    return table


def _word(one: Mapping[str, Any]) -> Text:
    if one["worst_passage"] is None:
        return Text("·", style="dim")
    return Text(f"{one['verdict']} in {one['worst_passage']}", style=STYLES[one["verdict"]])


def _level(one: Mapping[str, Any]) -> str:
    """Write the largest change of level of any passage: "-6.0 LU"."""
    trims = [lost["trim_lu"] for lost in one["passages"].values()]
    if not trims:
        return "·"
    return "silent" if None in trims else f"{max(trims, key=abs):+.1f} LU"


def _footing(document: Mapping[str, Any]) -> Iterator[Text]:
    """Say what the words rest on."""
    cost = document["cost"]
    yield Text(
        "Each block was switched off, and stayed on the path, in the passages that have it on; "
        "words are for equal loudness, the change in level stands beside them. Kept: what is "
        "missed without a block, up to a clear difference, summed over passages by their weights; "
        f"a change of {document['free_move_lu']:g} LU counts as much as the least difference that "
        f"is expected to be heard. Judged at {document['listening_db_spl']:g} dB SPL with these "
        "clips, settings and levels; a prediction: your ears have the last word. What a block does "
        "for tuning, muting or feel is not in it.",
        style="dim",
    )
    yield Text(
        f"{document['renders']} passage renders, {cost['takes']} further takes, "
        f"{cost['still']} held still or dry, {cost['probes']} of tones",
        style="dim",
    )
