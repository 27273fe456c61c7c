"""What `simchain swaps` prints: a matrix of words, the free moves as sentences, and JSON."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

import simchain
from simchain.decide.exchanges import Exchange
from simchain.decide.judge import FREE_WORDS, Cost
from simchain.decide.swaps import Exchanged, Swap, Swaps
from simchain.report.causes import loudness_and_dirt
from simchain.report.documents import score_facts
from simchain.report.holding import holding_document, holding_words
from simchain.report.numbers import number
from simchain.report.verdicts import FREE, STYLES, decided, level_words
from simchain.report.wording import listed, order_line, spoken

WIDTH = 80
_CELL, _GAP = 12, 2
_SILENT_LU = 0.05


def swaps_document(result: Swaps) -> dict[str, Any]:
    """Return what `simchain swaps --json` prints.

    `pairs` has an entry for each exchange in each passage, `exchanges` one for each exchange over
    all passages: the word and score of the worst passage, `free_move`, `turn_db` (by how much the
    level is to be turned afterwards; null where no one turn does, or the word is not free), a
    `text`, `also` as in `pairs`: further passages whose sequence it changes, judged where it is
    free so far, and the passages it is `not_judged_in`. Its `holds` says under which conditions a
    free one holds, null where that was not tried.
    `cost` counts renders of passages, further takes of them, and renders of the nine tones; its
    `holds` the same for what was tried so.
    """
    limit = result.board.judging.free_move_lu
    return {
        "simchain": simchain.__version__,
        "order": result.order_name,
        "front": list(result.order.front),
        "loop": list(result.order.loop),
        "amp": result.amp,
        "passages": list(result.passages),
        "pairs": [_pair(swap) for each in result.exchanged for swap in each.swaps],
        "exchanges": [_exchange(each, limit) for each in result.exchanged],
        "listening_db_spl": result.board.judging.listening_db_spl,
        "cost": {
            **_cost(result.cost),
            "holds": None if result.holding_cost is None else _cost(result.holding_cost),
        },
        "warnings": list(result.warnings),
    }


def _cost(cost: Cost) -> dict[str, int]:
    return {"renders": cost.renders, "takes": cost.takes, "probes": cost.probes}


def _pair(swap: Swap) -> dict[str, Any]:
    difference = swap.difference
    return {
        **_names(swap.exchange),
        "passage": swap.passage,
        "proved": swap.proved,
        "why_not_proved": swap.why_not,
        "null_db": number(difference.null_db),
        "trim_lu": number(difference.trim_lu),
        "max_band_change_db": number(difference.max_band_change_db),
        **score_facts(swap.score, swap.judged.where, swap.judged.when),
        "more_dirt_db": number(swap.judged.more_dirt_db),
    }


def _exchange(each: Exchanged, limit: float) -> dict[str, Any]:
    worst, turn_db = each.worst, each.turn_db(limit) if each.is_free else None
    return {
        **_names(each.exchange),
        "front": list(each.order.front),
        "loop": list(each.order.loop),
        "verdict": worst.score.verdict,
        "score": number(worst.score.score),
        "decided_by": worst.score.decided_by,
        "worst_passage": worst.passage,
        "free_move": turn_db == 0.0,
        "turn_db": turn_db,
        "proved": all(swap.proved for swap in each.everywhere),
        "also": [_pair(swap) for swap in each.also],
        "not_judged_in": list(each.not_judged),
        "breaks": list(each.breaks),
        "holds": holding_document(each.held),
        "text": _sentence(each, turn_db),
    }


def _names(exchange: Exchange) -> dict[str, Any]:
    return {"first": exchange.first, "second": exchange.second, "move": exchange.move}


def _called(exchange: Mapping[str, Any]) -> str:
    if exchange["second"] is not None:
        return f"{exchange['first']} / {exchange['second']}"
    where = "into the loop" if exchange["move"] == "to_loop" else "to the front"
    return f"{exchange['first']} {where}"


def _sentence(each: Exchanged, turn_db: float | None) -> str:
    """Say what an exchange does, over all passages."""
    exchange = each.exchange
    if exchange.second is not None:
        what, verb = f"{exchange.first} and {exchange.second}", "are"
    else:
        end = "into the loop" if exchange.move == "to_loop" else "in front of the amplifier"
        what, verb = f"{exchange.first}, {end},", "is"
    said = f"{what} {verb} {_outcome(each, turn_db)}"
    if holds := holding_words(each.held, turn_db):
        said += f"; {holds}"
    if each.not_judged:
        said += f"; not judged in {listed(each.not_judged)}, where other blocks stand beside it"
    for text in each.breaks:
        said += f"; against your rules ({text})"
    return said + "."


def _outcome(each: Exchanged, turn_db: float | None) -> str:
    """Say it behind "are" or "is"; `turn_db` is `Exchanged.turn_db`."""
    worst = each.worst
    names = [swap.passage for swap in each.everywhere]
    near = " (borderline)" if worst.score.borderline else ""
    if all(swap.proved for swap in each.everywhere):
        return f"proved the same in {listed(names)}: free to move"
    if not math.isfinite(worst.difference.trim_lu):
        return f"no free move: one of the two is silent in {worst.passage}"
    if not each.is_free:
        why = decided(score_facts(worst.score, worst.judged.where, worst.judged.when))
        said = f"no free move: {worst.score.verdict} in {worst.passage}{near}, by {why}"
        told = loudness_and_dirt(worst.difference.trim_lu, worst.judged.more_dirt_db)
        return f"{said}; {told}" if told else said
    if worst.score.verdict == "same":
        return f"the same in {listed(names)}: free to move"
    if turn_db is not None and abs(turn_db) < _SILENT_LU:
        return f"{FREE}{near}"
    if turn_db is not None:
        way = "down" if turn_db < 0.0 else "up"
        return f"free after turning the level {way} by {abs(turn_db):.1f} dB{near}"
    trims = [
        f"{level_words(swap.difference.trim_lu)} in {swap.passage}" for swap in each.everywhere
    ]
    return f"free but for the level, {listed(trims)}: no one turn evens that out{near}"


def swaps_parts(document: Mapping[str, Any]) -> Iterable[Table | Text | Padding]:
    """Return what people see: the matrix, the free moves, the rest, and what it rests on."""
    amp = document["amp"]
    yield Text(f"{document['order']}: {order_line(document['front'], document['loop'])}")
    yield Text(f"amplifier {amp}" if amp else "into the mixer")
    if not document["exchanges"]:
        yield Text("\nno two neighbours are on in one passage: there is nothing to exchange")
        return
    yield Text()
    yield from _matrices(document)
    free = [
        each
        for each in document["exchanges"]
        if each["verdict"] in FREE_WORDS and each["turn_db"] is not None
    ]
    heard = [each for each in document["exchanges"] if each not in free]
    stops = [each for each in free if each["holds"] and not each["holds"]["holds"]]
    for title, part in (
        ("Put these where your foot wants them", [each for each in free if each not in stops]),
        ("Free here, but not however it is played and set", stops),
        ("Expected to be heard", heard),
    ):
        if part:
            yield Text(title, style="bold")
            yield from (Padding(Text(each["text"]), (0, 0, 0, 2)) for each in part)
            yield Text()
    yield from _footing(document, any_free=bool(free))


def _matrices(document: Mapping[str, Any]) -> Iterator[Table]:
    """Yield the matrix, as many passages side by side as there is room for."""
    names = max(len(_called(each)) for each in document["exchanges"])
    room = max(1, (WIDTH - names) // (_CELL + _GAP))
    judged = {pair["passage"] for pair in _cells(document)}
    used = [passage for passage in document["passages"] if passage in judged]
    for first in range(0, len(used), room):
        yield _matrix(document, used[first : first + room])


def _cells(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [
        *document["pairs"],
        *(pair for each in document["exchanges"] for pair in each["also"]),
    ]


def _matrix(document: Mapping[str, Any], passages: Sequence[str]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, _GAP, 0, 0))
    table.add_column("", no_wrap=True)
    for passage in passages:
        table.add_column(spoken(passage), no_wrap=True, min_width=_CELL)
    cells = {
        (pair["first"], pair["second"], pair["move"], pair["passage"]): pair
        for pair in _cells(document)
    }
    for each in document["exchanges"]:
        key = each["first"], each["second"], each["move"]
        row = [cells.get((*key, passage)) for passage in passages]
        if any(row):
            table.add_row(_called(each), *(_cell(pair) for pair in row))
    table.add_row()
    return table


def _cell(pair: Mapping[str, Any] | None) -> Text:
    """Write a word, and what changes in level: "free? +3.0"; "?" where it is borderline."""
    if pair is None:
        return Text("·", style="dim")
    word = pair["verdict"] + ("?" if pair["borderline"] else "")
    if pair["proved"]:
        word += ", proved"
    trim = pair["trim_lu"]
    if trim is None:
        word += " silent"
    elif abs(trim) >= _SILENT_LU:
        word += f" {trim:+.1f}"
    return Text(word, style=STYLES[pair["verdict"]])


def _footing(document: Mapping[str, Any], *, any_free: bool) -> Iterator[Text]:
    """Say what the words rest on."""
    cost = document["cost"]
    others = ", not softer, harder, at another volume or with levels off (--holds tries these)"
    not_tried = others if any_free and cost["holds"] is None else ""
    yield Text(
        "+ and -: so many LU louder or quieter. ?: borderline. ·: not on, or not judged there. "
        f"Judged at {document['listening_db_spl']:g} dB SPL with these clips, settings and "
        f"levels{not_tried}; a prediction: your ears have the last word.",
        style="dim",
    )
    yield Text(_rendered(cost), style="dim")
    if cost["holds"] is not None:
        tried = f"to try where moves hold: {_rendered(cost['holds'])}"
        nothing = "nothing is free here, so there was nothing to try"
        yield Text(tried if any_free else nothing, style="dim")


def _rendered(cost: Mapping[str, Any]) -> str:
    return (
        f"{_count(cost['renders'], 'passage render')}, {_count(cost['takes'], 'further take')}, "
        f"{_count(cost['probes'], 'render')} of tones"
    )


def _count(number_of: int, what: str) -> str:
    return f"{number_of} {what}{'' if number_of == 1 else 's'}"
