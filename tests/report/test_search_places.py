"""Where a block may also stand is said in as few words as tell it, and tells nothing else."""

import re

import pytest

from simchain.report.search_places import free_notes, free_places, free_sentences
from tests.report.search_found import found

ORDER = "tuner press sweep grit | room repeat"


def facts(words: str) -> dict[str, list[str]]:
    front, _, loop = words.partition("|")
    return {"front": front.split(), "loop": loop.split()}


@pytest.mark.parametrize(
    ("order", "block", "others", "said"),
    [
        (ORDER, "sweep", ["tuner sweep press grit | room repeat"], ["before press"]),
        (ORDER, "sweep", ["tuner press grit sweep | room repeat"], ["after grit"]),
        (ORDER, "room", ["tuner press sweep grit | repeat room"], ["after repeat"]),
        (ORDER, "sweep", ["tuner press grit | room sweep repeat"], ["in the loop, before repeat"]),
        (ORDER, "sweep", ["tuner press grit | room repeat sweep"], ["in the loop, after repeat"]),
        (ORDER, "room", ["room tuner press sweep grit | repeat"], ["in front, before tuner"]),
        ("grit room", "room", ["grit | room"], ["in the loop"]),
        ("grit | room", "room", ["grit room"], ["in front, after grit"]),
        ("grit push", "push", ["push grit"], ["before grit"]),
        ("a b c", "a", ["b a c", "b c a"], ["anywhere"]),
        (
            ORDER,
            "sweep",
            ["tuner sweep press grit | room repeat", "tuner press grit | room sweep repeat"],
            ["before press", "in the loop, before repeat"],
        ),
        (
            "tuner press sweep grit",
            "sweep",
            ["tuner sweep press grit", "tuner press grit sweep"],
            ["anywhere after tuner"],
        ),
        (
            "tuner press grit sweep",
            "press",
            ["press tuner grit sweep", "tuner grit press sweep"],
            ["anywhere before sweep"],
        ),
        (
            "a b c d e",
            "b",
            ["a c b d e", "a c d b e"],
            ["anywhere between a and e"],
        ),
        (
            "tuner press grit | room",
            "room",
            ["room tuner press grit", "tuner press room grit", "tuner press grit room"],
            ["in front, before tuner", "in front, anywhere after press"],
        ),
        (
            "tuner press sweep | room repeat",
            "sweep",
            [
                "tuner sweep press | room repeat",
                "tuner press | sweep room repeat",
                "tuner press | room sweep repeat",
            ],
            ["anywhere between tuner and repeat, in front or in the loop"],
        ),
        (
            "sweep grit | room",
            "room",
            ["room sweep grit", "sweep room grit", "sweep grit room"],
            ["anywhere in front"],
        ),
    ],
)
def test_places_in_words(order, block, others, said):
    assert free_places(facts(order), block, [facts(other) for other in others]) == said


def test_blocks_with_the_same_places_are_said_at_once():
    group = {
        "representative": facts("a b c"),
        "free_places": [
            {"block": "b", "orders": [facts("b a c")]},
            {"block": "c", "orders": [facts("c a b")]},
            {"block": "a", "orders": [facts("b a c"), facts("b c a")]},
        ],
    }
    assert free_sentences(group) == [
        "b and c may also stand before a",
        "a may also stand anywhere",
    ]
    assert free_notes(group) == {"b": "or before a", "c": "or before a", "a": "or anywhere"}


def slots(words: str, order: dict[str, list[str]], block: str) -> set[tuple[str, int]]:
    """Read words back: an independent reader, by what stands before each place."""
    rest = {part: [name for name in order[part] if name != block] for part in order}
    home = "front" if block in order["front"] else "loop"
    across = words.endswith(", in front or in the loop")
    words = words.removesuffix(", in front or in the loop")
    part = "loop" if "in the loop" in words else "front" if "in front" in words else home
    words = re.sub(r"(, )?in (the loop|front)(, )?", "", words).strip()
    line = rest["front"] + ["|"] + rest["loop"] if across else rest[part]
    places = range(len(line) + 1)
    found = re.fullmatch(
        r"(?:anywhere )?(?:between (?P<a>\S+) and (?P<b>\S+)|after (?P<c>\S+)|before (?P<d>\S+))",
        words,
    )
    if found:
        low = found["a"] or found["c"]
        high = found["b"] or found["d"]
        least = line.index(low) + 1 if low else 0
        most = line.index(high) if high else len(line)
        one = [least if low else most] if "anywhere" not in words else range(least, most + 1)
        places = one
    if not across:
        return {(part, place) for place in places}
    end = len(rest["front"])
    return {("front", place) if place <= end else ("loop", place - end - 1) for place in places}


def test_what_is_said_of_a_large_search_is_what_was_found():
    """Read back, the words name every place that is free, and no other but the block's own."""
    read = 0
    for group in found().groups:
        first = group.representative
        order = {"front": list(first.front), "loop": list(first.loop)}
        for free in group.free_places:
            others = [{"front": list(o.front), "loop": list(o.loop)} for o in free.orders]
            wanted = {
                (part, other[part].index(free.block))
                for other in others
                for part in other
                if free.block in other[part]
            }
            home = {
                (part, order[part].index(free.block)) for part in order if free.block in order[part]
            }
            told = set()
            for words in free_places(order, free.block, others):
                told |= slots(words, order, free.block)
            assert wanted - told == set()
            assert told - home == wanted
            read += 1
    assert read > 200
