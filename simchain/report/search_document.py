"""The JSON document of `simchain search`: counts, groups, ranking, and what they rest on."""

from collections.abc import Mapping
from typing import Any

import simchain
from simchain.board import Order
from simchain.decide.found import Found, Group, Ranked
from simchain.report.numbers import number
from simchain.report.search_places import free_sentence


def search_document(found: Found, members: bool = False) -> dict[str, Any]:
    """Return what `simchain search --json` prints; with `members` each group lists its orders.

    `groups` stand in the sequence of their best, `ranking` best first; the `group` of a ranked
    order counts from 0 in `groups`. `values` of goals are in units of their own, `costs` in steps
    that matter, before the weight. `coarse` is the rate in Hz, and the seconds of each passage, of
    the pass that visits every order; null where there is none. A value that is infinite or missing
    is null.
    """
    return {
        "simchain": simchain.__version__,
        "title": found.board.title,
        "amp": found.amp,
        "blocks": list(found.blocks),
        "passages": list(found.passages),
        "listening_db_spl": found.board.judging.listening_db_spl,
        "orders_total": found.orders_total,
        "orders_allowed": found.orders_allowed,
        "orders_visited": found.orders_visited,
        "orders_distinct": found.orders_distinct,
        "weights": _numbers(found.weights),
        "why": found.why,
        "groups": [_group(group, members) for group in found.groups],
        "ranking": [_ranked(ranked) for ranked in found.ranking],
        "blocks_rendered": found.blocks_rendered,
        "seconds": number(found.seconds),
        "lost": None if found.lost is None else vars(found.lost).copy(),
        "beam": found.beam,
        "coarse": _coarse(found),
        "warnings": list(found.warnings),
    }


def order_facts(order: Order) -> dict[str, list[str]]:
    """Return an order as the two stretches of its blocks."""
    return {"front": list(order.front), "loop": list(order.loop)}


def _group(group: Group, members: bool) -> dict[str, Any]:
    document: dict[str, Any] = {
        "representative": order_facts(group.representative),
        "size": len(group.members),
        "proved": group.proved,
        "louder_lu": number(group.louder_lu),
        "quality": group.quality,
        "free_places": [],
    }
    for free in group.free_places:
        orders = [order_facts(order) for order in free.orders]
        text = free_sentence(document["representative"], free.block, orders)
        document["free_places"].append({"block": free.block, "orders": orders, "text": text})
    if members:
        document["members"] = [order_facts(order) for order in group.members]
    return document


def _ranked(ranked: Ranked) -> dict[str, Any]:
    return {
        "order": order_facts(ranked.order),
        "score": number(ranked.score),
        "values": _numbers(ranked.values),
        "costs": _numbers(ranked.costs),
        "quality": ranked.quality,
        "group": ranked.group,
        "coarse_place": ranked.coarse_place,
        "unbeaten": ranked.unbeaten,
    }


def _numbers(values: Mapping[str, float]) -> dict[str, float | None]:
    return {name: number(value) for name, value in values.items()}


def _coarse(found: Found) -> dict[str, float | None] | None:
    if found.coarse_rate is None and found.coarse_s is None:
        return None
    return {"rate": found.coarse_rate, "seconds": number(found.coarse_s)}
