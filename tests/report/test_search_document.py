"""The JSON of a search: names that others rely on, and null for what is no number."""

import json
import math
from dataclasses import replace

from simchain.report.search_document import search_document
from tests.report.search_found import found, two_orders


def strict(document: dict) -> dict:
    """What a strict reader of JSON makes of it."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    return json.loads(json.dumps(document), parse_constant=refuse)


def test_the_names_that_are_fixed():
    document = strict(search_document(found()))
    assert document["simchain"]
    assert document["orders_total"] == 362_880
    assert document["blocks_rendered"] == 48_211
    assert document["seconds"] == 51.3
    group, ranked = document["groups"][0], document["ranking"][0]
    assert set(group) >= {"representative", "size"}
    assert set(group["representative"]) == {"front", "loop"}
    assert set(ranked) == {
        "order", "score", "values", "costs", "quality", "group", "coarse_place", "unbeaten",
    }  # fmt: skip
    assert set(document) >= {
        "orders_allowed", "orders_visited", "orders_distinct", "weights", "lost", "beam", "coarse",
        "why", "warnings",
    }  # fmt: skip
    assert document["lost"] == {"tried": 60, "best_was": 3, "ten_were": 41}
    assert document["coarse"] == {"rate": 24_000, "seconds": 4.0}


def test_members_stand_only_where_they_are_asked_for():
    assert not any("members" in group for group in search_document(found())["groups"])
    groups = search_document(found(), members=True)["groups"]
    assert [len(group["members"]) for group in groups] == [group["size"] for group in groups]
    assert groups[0]["members"][0] == groups[0]["representative"]
    assert sum(group["size"] for group in groups) == 10_080


def test_the_group_of_a_ranked_order_counts_in_the_groups():
    document = search_document(found(), members=True)
    for ranked in document["ranking"][::97]:
        assert ranked["order"] in document["groups"][ranked["group"]]["members"]


def test_what_is_no_number_is_null():
    small = two_orders()
    ranked = replace(
        small.ranking[0],
        score=math.inf,
        values={"levels": math.nan, "headroom": -math.inf},
        costs={"levels": math.inf, "headroom": 0.0},
    )
    group = replace(small.groups[0], louder_lu=math.inf)
    document = strict(
        search_document(replace(small, ranking=(ranked,), groups=(group,), seconds=math.nan))
    )
    assert document["ranking"][0]["score"] is None
    assert document["ranking"][0]["values"] == {"levels": None, "headroom": None}
    assert document["ranking"][0]["costs"] == {"levels": None, "headroom": 0.0}
    assert document["groups"][0]["louder_lu"] is None
    assert document["seconds"] is document["lost"] is document["beam"] is None
    assert document["coarse"] is document["amp"] is None


def test_free_places_say_where():
    free = search_document(two_orders())["groups"][0]["free_places"]
    assert free == [
        {
            "block": "push",
            "orders": [{"front": ["push", "grit"], "loop": []}],
            "text": "push may also stand before grit",
        }
    ]
