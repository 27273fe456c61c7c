"""What is said first is true of every pair it speaks of, and claims no more than is expected."""

import copy
import re
from itertools import combinations
from typing import Any

import pytest

from simchain.decide.judge import VERDICTS
from simchain.report.lead import Lead, lead
from simchain.report.tables import comparison_lines
from tests.report.conftest import judgement

TAKE = ": take whichever puts the blocks where your feet, plugs and jacks want them."
THREE = {"first": "push grit room", "second": "grit push room", "third": "room push grit"}
MUSIC = ("verse", "riff", "solo")


def made_up(
    orders: dict[str, str],
    music: tuple[str, ...] = MUSIC,
    amps: tuple[str, ...] = (),
    songs: tuple[str, ...] = (),
) -> dict[str, Any]:
    """Orders ("grit push | room": what is behind the bar is in the loop), all found free."""
    split = {name: [*words.split("|"), ""][:2] for name, words in orders.items()}
    return {
        "amps": list(amps),
        "orders": [
            {"name": name, "front": front.split(), "loop": loop.split()}
            for name, (front, loop) in split.items()
        ],
        "passages": [{"name": name, "is_song": name in songs} for name in music],
        "pairs": [
            {
                "a": a,
                "b": b,
                "passage": passage,
                "amp": amp,
                "trim_lu": 0.0,
                "null_db": -30.0,
                "band_change_db": [0.0],
                **judgement("free", 0.3),
            }
            for passage in music
            for amp in amps or (None,)
            for a, b in combinations(orders, 2)
        ],
        "free": None,
    }


def found(data: dict, a: str, b: str, passage: str | None = None, **what: Any) -> None:
    """Change what was found of two orders, in one passage or in all; `told` are causes."""
    told = what.pop("told", {})
    for pair in data["pairs"]:
        if (pair["a"], pair["b"]) == (a, b) and passage in (None, pair["passage"]):
            pair.update(copy.deepcopy(what))
            pair["causes"] = copy.deepcopy(pair["causes"])
            for name, difference in told.items():
                pair["causes"][name]["difference"] = difference


def louder(lu: float) -> dict[str, Any]:
    return {"trim_lu": lu, "told": {"level": lu}}


@pytest.fixture
def three() -> dict[str, Any]:
    """A and B and C: push to behind grit, and another that is two moves off."""
    return made_up(THREE)


@pytest.fixture
def two() -> dict[str, Any]:
    return made_up({"first": "push grit", "second": "grit push"})


def test_all_alike(three):
    said = lead(three, None)
    assert said.sentences == ["No difference expected between A, B and C in any passage" + TAKE]
    assert said.free == [
        "Moving push after grit (A to B): free to move, no difference expected in any passage.",
        "Moving room before push (A to C): free to move, no difference expected in any passage.",
        "Exchanging grit and room (B to C): free to move, no difference expected in any passage.",
    ]
    assert said.heard == []


def test_those_that_are_the_same_are_called_so(two):
    found(two, "first", "second", null_db=-130.0, **judgement("same", 0.0))
    assert lead(two, None) == Lead(
        ["A and B are the same in every passage" + TAKE],
        ["Moving push after grit (A to B): the same in every passage."],
        [],
    )
    found(two, "first", "second", "riff", null_db=-30.0, **judgement("free", 0.2))
    said = lead(two, None)
    assert said.sentences == ["No difference expected between A and B in any passage" + TAKE]
    assert said.free[0].endswith(": free to move, no difference expected in any passage.")


def test_a_group_is_alike_throughout():
    """A and C are alike, and A and B, but B and C are not: no sentence says of all three."""
    data = made_up(THREE)
    found(data, "second", "third", "solo", **judgement("subtle", 1.4))
    said = lead(data, None)
    assert said.sentences == ["No difference expected between A and B in any passage" + TAKE]
    assert [line.split(" (")[1][:6] for line in said.free] == ["A to B", "A to C"]


def test_groups_are_held_against_the_first(three):
    three["orders"].append({"name": "fourth", "front": ["grit", "room", "push"], "loop": []})
    for a in ("first", "second", "third"):
        three["pairs"] += [
            {**pair, "a": a, "b": "fourth"}
            for pair in three["pairs"]
            if (pair["a"], pair["b"]) == ("first", "second")
        ]
    for a, b in (
        ("first", "second"),
        ("first", "fourth"),
        ("second", "third"),
        ("third", "fourth"),
    ):
        found(three, a, b, "solo", **judgement("clear", 7.0), **louder(5.1))
    said = lead(three, None)
    clear = "a clear difference expected in solo, by dirt: 5.1 LU louder and no dirtier"
    assert said.sentences == [
        "No difference expected between A and C in any passage" + TAKE,
        "No difference expected between B and D in any passage" + TAKE,
        f"B against A (moving push after grit): {clear}; none in verse and riff.",
    ]
    assert [line[: line.index(")") + 1] for line in said.free] == [
        "Moving room before push (A to C)",
        "Moving push after room (B to D)",
    ]
    assert [line[: line.index(")") + 1] for line in said.heard] == [
        "Moving push after room (A to D)",
        "Exchanging grit and room (B to C)",
        "Moving grit before room (C to D)",
    ]


def test_free_after_a_turn_of_the_level(two):
    """It is a free move, and told once: among those."""
    found(two, "first", "second", trim_lu=3.0)
    assert lead(two, None) == Lead(
        [],
        [
            "Moving push after grit (A to B): free to move, no difference expected in any passage "
            "once the level is turned down by 3.0 dB."
        ],
        [],
    )
    found(two, "first", "second", trim_lu=-0.5)
    assert lead(two, None).free[0].endswith("once the level is turned up by 0.5 dB.")
    found(two, "first", "second", trim_lu=-0.49)
    assert lead(two, None).free[0].endswith("no difference expected in any passage.")


def test_no_one_turn_evens_it_out(two):
    found(two, "first", "second", trim_lu=3.0)
    found(two, "first", "second", "riff", trim_lu=0.0)
    said = lead(two, None)
    assert said.sentences == [
        "B against A (moving push after grit): no difference but in level expected: 3.0 LU louder "
        "in verse, equally loud in riff and 3.0 LU louder in solo; no one turn evens it out."
    ]
    assert said.free == [], "what cannot be turned back is no free move"


def test_a_turn_that_rounds_to_nothing_is_not_told(two):
    found(two, "first", "second", trim_lu=0.5)
    found(two, "first", "second", "riff", trim_lu=-0.49)
    (line,) = lead(two, None).sentences
    assert "0.0" not in line
    assert line.endswith("; no one turn evens it out.")


def test_what_is_no_one_move_is_said_in_a_sentence():
    data = made_up({"first": "a b c d", "second": "b a d c"})
    found(data, "first", "second", trim_lu=-2.0)
    assert lead(data, None) == Lead(
        [
            "B against A: no difference expected in any passage once the level is turned up by "
            "2.0 dB."
        ],
        [],
        [],
    )


def test_borderline_passages_are_named(two):
    found(two, "first", "second", "solo", borderline=True)
    said = lead(two, None)
    assert said.sentences == [
        "No difference expected between A and B in any passage (borderline in solo)" + TAKE
    ]
    assert said.free[0].endswith("no difference expected in any passage (borderline in solo).")
    found(two, "first", "second", "riff", borderline=True, trim_lu=-3.0)
    assert (
        "no difference but in level expected (borderline in riff and solo): "
        in (lead(two, None).sentences[0])
    )
    found(two, "first", "second", "verse", **judgement("subtle", 1.1, borderline=True))
    assert lead(two, None).sentences == [
        "B against A (moving push after grit): a subtle difference expected (borderline) in verse, "
        "by dirt; none in solo (borderline); none but in level in riff (3.0 LU quieter, "
        "borderline)."
    ]


def test_expected_in_several_passages(two):
    """The strongest is told; the same word elsewhere is not called less."""
    found(two, "first", "second", "verse", **judgement("clear", 6.0))
    found(two, "first", "second", "riff", **judgement("clear", 6.1), told={"dirt": 4.0})
    start = "B against A (moving push after grit): "
    assert lead(two, None) == Lead(
        [
            f"{start}a clear difference expected in riff, by dirt: dirtier (4.0 dB); "
            "a clear one in verse too; none in solo."
        ],
        [],
        [],
    )
    found(two, "first", "second", "solo", **judgement("subtle", 4.0, borderline=True))
    assert (
        lead(two, None)
        .sentences[0]
        .endswith("; a clear one in verse too; a subtle one in solo (borderline).")
    )
    found(two, "first", "second", **judgement("subtle", 2.0))
    assert lead(two, None).sentences == [
        f"{start}a subtle difference expected in verse, by dirt; a subtle one in riff and solo too."
    ]


def test_a_change_of_level_elsewhere_is_not_hidden(two):
    found(two, "first", "second", trim_lu=3.0)
    found(two, "first", "second", "solo", **judgement("subtle", 2.0))
    found(two, "first", "second", "verse", trim_lu=0.3)
    assert (
        lead(two, None)
        .sentences[0]
        .endswith("by dirt; none in verse; none but in level in riff (3.0 LU louder).")
    )


def test_where_the_difference_lies_the_tone_is_not_told_twice(two):
    tone = {"difference": 1.0, "band_db": -3.0, "hz": 4000.0}
    for pair in two["pairs"]:
        pair.update(judgement("subtle", 2.0, decided_by="distribution"))
        pair["causes"]["tone"] |= tone
        pair["causes"]["level"]["difference"] = 1.0
    assert (
        "by tone: 1.0 LU louder and no dirtier, with 3.0 dB less around 4 kHz"
        in (lead(two, None).sentences[0])
    )
    for pair in two["pairs"]:
        pair["where"] = {"change_db": -2.4, "moments": "soft", "range": "high"}
    assert (
        "by tone (2.4 dB less above 2.5 kHz in soft moments): "
        "1.0 LU louder and no dirtier; " in lead(two, None).sentences[0]
    )


def test_each_amplifier_has_its_own():
    data = made_up({"first": "grit", "second": "| grit"}, amps=("clean", "hot"))
    for pair in data["pairs"]:
        if pair["amp"] == "hot":
            pair.update(judgement("clear", 9.0))
    clean, hot = lead(data, "clean"), lead(data, "hot")
    assert clean.sentences == ["No difference expected between A and B in any passage" + TAKE]
    assert clean.free[0].startswith("Moving grit into the loop (A to B): ")
    assert hot.sentences[0].startswith("B against A (moving grit into the loop): a clear differ")
    assert hot.free == hot.heard == []
    assert lead(data, "none such") == lead(data, None) == Lead([], [], []), "nothing was judged"


def test_nothing_is_said_of_what_was_not_judged(data):
    assert lead(data, "crunch") == Lead([], [], [])
    for pair in data["pairs"]:
        pair.update(judgement("free", 0.1))
    assert lead(data, "crunch") != Lead([], [], [])
    data["pairs"][-1]["verdict"] = None
    assert lead(data, "crunch") == Lead([], [], [])


def test_one_order_has_nothing_to_be_held_against():
    assert lead(made_up({"first": "push grit"}), None) == Lead([], [], [])


SILENT = {**judgement("clear", 0.0), "score": None, "trim_lu": None, "null_db": 0.0}


def silent(data: dict, a: str, b: str, passage: str | None = None) -> None:
    """One of the two is silent: level, score and causes are infinite, null in JSON."""
    found(data, a, b, passage, **SILENT)
    for pair in data["pairs"]:
        if pair["trim_lu"] is None:
            pair["causes"] = {
                name: {**one, "difference": None} for name, one in pair["causes"].items()
            }


def test_a_silent_order_is_called_silent_and_nothing_more(two):
    start = "B against A (moving push after grit): "
    silent(two, "first", "second", "verse")
    assert lead(two, None).sentences == [
        f"{start}one of the two is silent in verse; no difference expected in riff and solo."
    ]
    found(two, "first", "second", "riff", **judgement("subtle", 2.0), told={"dirt": -2.0})
    assert lead(two, None).sentences == [
        f"{start}one of the two is silent in verse; a subtle difference expected in riff, by dirt: "
        "cleaner (2.0 dB); none in solo."
    ]
    silent(two, "first", "second")
    assert lead(two, None) == Lead(
        [f"{start}one of the two is silent in verse, riff and solo."], [], []
    )


def test_silence_is_never_a_free_move(two):
    """Should a word ever stand beside it: nobody can say how loud silence is."""
    silent(two, "first", "second")
    for pair in two["pairs"]:
        pair["verdict"] = "free"
    said = lead(two, None)
    assert said.free == []
    assert said.sentences[0].endswith("one of the two is silent in verse, riff and solo.")


def test_where_both_are_silent_they_are_the_same(two):
    """As the judgement has it: no difference in level, an identical sound."""
    found(two, "first", "second", null_db=-400.0, **judgement("same", 0.0))
    assert lead(two, None).sentences[0].startswith("A and B are the same in every passage: ")


@pytest.mark.parametrize(
    ("music", "songs", "everywhere", "anywhere"),
    [
        (("verse", "riff"), (), "every passage", "any passage"),
        (("set (song)", "end (song)"), ("set (song)", "end (song)"), "every song", "any song"),
        (
            ("verse", "set (song)"),
            ("set (song)",),
            "every passage and song",
            "any passage or song",
        ),
        (("main_riff",), (), "main riff", "main riff"),
        (("set (song)",), ("set (song)",), "set (song)", "set (song)"),
    ],
)
def test_songs_are_called_songs_and_one_alone_by_its_name(music, songs, everywhere, anywhere):
    data = made_up({"first": "push grit", "second": "grit push"}, music, songs=songs)
    said = lead(data, None)
    assert said.sentences == [f"No difference expected between A and B in {anywhere}" + TAKE]
    assert said.free[0].endswith(f": free to move, no difference expected in {anywhere}.")
    found(data, "first", "second", null_db=-130.0, **judgement("same", 0.0))
    said = lead(data, None)
    assert said.sentences == [f"A and B are the same in {everywhere}" + TAKE]
    assert said.free[0].endswith(f": the same in {everywhere}.")


def test_where_a_free_move_holds_stands_behind_it():
    data = made_up({"first": "a b c d", "second": "b a c d", "third": "b a d c"})
    data["free"] = [
        {"a": "first", "b": "second", "amp": None, "text": "holds when picked 6 dB softer"},
        {"a": "first", "b": "third", "amp": None, "text": "stops holding with levels 2 dB up"},
        {"a": "second", "b": "third", "amp": None, "text": ""},
        {"a": "second", "b": "third", "amp": "hot", "text": "of another amplifier"},
    ]
    free = "no difference expected in any passage"
    assert lead(data, None).free == [
        f"Moving a after b (A to B): free to move, {free}; holds when picked 6 dB softer.",
        f"A to C: {free}; stops holding with levels 2 dB up.",
        f"Moving c after d (B to C): free to move, {free}.",
    ]
    found(data, "first", "third", trim_lu=2.0)
    assert (
        f"C against A: {free} once the level is turned down by 2.0 dB; "
        "stops holding with levels 2 dB up."
    ) in lead(data, None).sentences


def test_it_never_says_that_anyone_hears_or_does_not(three):
    """Only what is expected: judging.md, known to be weak."""
    for pair, verdict in zip(three["pairs"], VERDICTS * 3, strict=False):
        pair.update(judgement(verdict, 2.0), trim_lu=1.0)
    said = lead(three, None)
    lines = [*said.sentences, *said.free, *said.heard]
    assert len(lines) >= 3
    for line in lines:
        assert "hear" not in line
        assert "expected" in line or "the same" in line


def printed(data: dict) -> list[str]:
    return [line.plain for line in comparison_lines(data)]


def judged_as(data: dict, heard: tuple[str, str] | None, verdict: str = "subtle") -> None:
    """All is free; of C a difference is expected to each other order, in one passage and amp."""
    for pair in data["pairs"]:
        pair.update(judgement("free", 0.2), trim_lu=0.0, null_db=-30.0)
        if "boost_first" in (pair["a"], pair["b"]) and (pair["passage"], pair["amp"]) == heard:
            pair.update(judgement(verdict, 2.0))


def test_a_command_prints_the_lead_before_all_passages(data):
    judged_as(data, ("solo", "crunch"))
    lines = printed(data)
    said = lead(data, "crunch")
    start = lines.index("\non the amplifier crunch")
    assert start == len(data["orders"])
    assert lines[start + 1 : start + len(said.sentences) + 1] == said.sentences
    free, heard = lines.index("Free moves"), lines.index("Moves expected to be heard")
    assert lines[free + 1 : heard - 1] == [f"   {move}" for move in said.free]
    assert len(said.free) >= 2
    assert lines[heard + 1] == f"   {said.heard[0]}"
    assert lines[free - 1] == lines[heard - 1] == lines[heard + len(said.heard) + 1] == ""
    assert lines[heard + len(said.heard) + 2].startswith("Verse: ")


def test_a_command_prints_no_lead_where_nothing_was_judged(data):
    lines = printed(data)
    assert not {"Free moves", "Moves expected to be heard"} & set(lines)
    start = lines.index("\non the amplifier crunch")
    assert lines[start + 1].startswith("Verse: ")


def test_a_command_prints_each_amplifiers_lead(two_amps):
    judged_as(two_amps, ("solo", "hot"), "clear")
    lines = printed(two_amps)
    hot = lines.index("\non the amplifier hot")
    clean = lines[lines.index("\non the amplifier crunch") : hot]
    assert not any("a clear difference" in line for line in clean)
    assert any("a clear difference expected in solo" in line for line in lines[hot:])


def test_orders_of_which_no_difference_is_expected_have_no_line_of_their_own(data):
    """Their passage's sentence names them."""
    judged_as(data, ("solo", "crunch"))
    lines = printed(data)
    of_orders = [line for line in lines if re.match(r"   [BCD]: ", line)]
    assert [line[:28] for line in of_orders] == ["   C: A subtle difference ex"]
    (place,) = (n for n, line in enumerate(lines) if line in of_orders)
    before = [line for line in lines[:place] if not line.startswith("   ")]
    assert before[-1].startswith("Solo: No difference expected between A, B and D; against A a ")
    found(data, "series", "split", "riff", trim_lu=3.0)
    of_orders = [line for line in printed(data) if re.match(r"   [BCD]: ", line)]
    assert len(of_orders) == 2
    assert of_orders[0].startswith("   B: No difference but in level expected: B is 3.0 LU louder")
    for pair in data["pairs"]:
        pair.update(dict.fromkeys(("verdict", "causes")))
    of_orders = [line for line in printed(data) if re.match(r"   [BCD]: ", line)]
    assert len(of_orders) == 3 * len(data["passages"]), "where nothing was judged, each has one"
