"""Sentences say the facts they are given, in the right direction, in plain words."""

import pytest

from simchain.report.sentences import (
    find_pair,
    headroom_sentence,
    moved_in,
    pair_sentence,
    passage_sentence,
    signed_band_change,
    step_sentence,
    turned,
)
from simchain.report.verdicts import are_alike, expected_of_each, grouped, is_same
from simchain.report.wording import frequency, letter, listed, spoken
from tests.report.conftest import judgement

# Nominal centres of third-octave bands, ISO 266 / IEC 61260-1:2014 annex E (from memory);
# the exact ones are 1000 * 10^(x/10).
NOMINAL = [
    25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800,
    1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000,
]  # fmt: skip


def a_pair(**changes: object) -> dict:
    change = [0.0] * 30
    change[19] = -2.4
    pair = {
        "a": "series",
        "b": "split",
        "passage": "solo",
        "amp": None,
        "trim_lu": 3.1,
        "null_db": -12.0,
        "max_band_change_db": 2.4,
        "max_band_hz": 1995.262,
        "band_change_db": change,
    }
    return {**pair, **changes}


def test_loudness_first_then_the_largest_change_of_tone():
    assert pair_sentence(a_pair()) == (
        "B is 3.1 LU louder than A; most change of tone: 2.4 dB less at 2 kHz."
    )


def test_the_other_way_round_says_the_opposite():
    assert pair_sentence(turned(a_pair()), "B", "A") == (
        "A is 3.1 LU quieter than B; most change of tone: 2.4 dB more at 2 kHz."
    )


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        (
            {"null_db": -400.0, "trim_lu": 0.0},
            "A and B are the same sound, sample for sample.",
        ),
        (
            {"null_db": -120.2, "trim_lu": 0.02},
            "A and B are the same: their difference is 120 dB below the sound.",
        ),
        (
            {"null_db": -120.2, "trim_lu": 3.0},
            "B is 3.0 LU louder than A, and nothing else differs: "
            "once matched, their difference is 120 dB below the sound.",
        ),
        (
            {"trim_lu": None},
            "One of A and B is silent here, so there is no difference to state.",
        ),
        (
            {"trim_lu": 0.04, "null_db": -27.0, "band_change_db": [0.4, -0.3], "max_band_hz": 25.1},
            "A and B are equally loud; most change of tone: 0.4 dB more at 25 Hz, "
            "and their whole difference is 27 dB below the sound.",
        ),
        (
            {"trim_lu": -0.6, "null_db": -50.0, "band_change_db": [0.04, -0.03]},
            "B is 0.6 LU quieter than A; no third of an octave differs by as much as 0.1 dB, "
            "and their whole difference is 50 dB below the sound.",
        ),
    ],
)
def test_each_kind_of_difference_has_its_sentence(changes, sentence):
    assert pair_sentence(a_pair(**changes)) == sentence


def test_same_begins_where_judging_says():
    """judging.md section 1: `same` is a null of -80 dB or deeper and 0.1 LU or less."""
    assert "are the same" in pair_sentence(a_pair(null_db=-80.0, trim_lu=0.1))
    assert "are the same" not in pair_sentence(a_pair(null_db=-79.9, trim_lu=0.1))
    assert "are the same" not in pair_sentence(a_pair(null_db=-80.0, trim_lu=0.11))


def test_many_orders_name_those_alike_then_hold_the_rest_against_the_first(data):
    assert passage_sentence(data, "solo", "crunch") == (
        "Solo: B and D are the same; B is 0.3 LU quieter than A, "
        "C 3.1 LU louder; most change of tone: C, 2.6 dB less at 1.6 kHz."
    )
    assert passage_sentence(data, "verse", "crunch").startswith(
        "Verse: B and D are the same; A, B and C are equally loud;"
    )


def test_two_orders_get_the_sentence_of_their_pair(data):
    data["orders"] = data["orders"][:1] + data["orders"][2:3]
    pair = find_pair(data, "series", "boost_first", "solo", "crunch")
    assert passage_sentence(data, "solo", "crunch") == "Solo: " + pair_sentence(pair)


def test_all_alike_is_one_clause(data):
    for pair in data["pairs"]:
        pair.update(null_db=-130.0, trim_lu=0.0)
    assert passage_sentence(data, "riff", "crunch") == ("Riff: A, B, C and D are the same.")


def test_two_groups_share_a_clause(data):
    for pair in data["pairs"]:
        alike = {pair["a"], pair["b"]} in ({"series", "tail_swap"}, {"split", "boost_first"})
        pair.update(null_db=-130.0 if alike else -30.0, trim_lu=0.0)
    assert passage_sentence(data, "riff", "crunch").startswith(
        "Riff: A and D are the same; B and C are the same; "
        "A and B are equally loud; most change of tone: B, "
    )


def judged(verdict: str, *, borderline: bool = False) -> dict:
    return {"verdict": verdict, "borderline": borderline}


@pytest.mark.parametrize(
    ("changes", "begins"),
    [
        (judged("clear"), "A clear difference expected: B is 3.1 LU louder than A; most change"),
        (
            judged("subtle", borderline=True),
            "A subtle difference expected (borderline): B is 3.1 LU louder",
        ),
        (judged("free"), "No difference but in level expected: B is 3.1 LU louder than A; most"),
        (
            {**judged("free"), "trim_lu": 0.0},
            "No difference expected: A and B are equally loud; most change of tone",
        ),
    ],
)
def test_what_is_expected_comes_first(changes, begins):
    """A difference in level is never hidden in the word: judging.md section 1."""
    assert pair_sentence(a_pair(**changes)).startswith(begins)


def test_orders_of_which_no_difference_is_expected_are_one_group(data):
    """Unless one is louder: 0.5 LU is no free move any more."""
    for pair in data["pairs"]:
        with_c = "boost_first" in (pair["a"], pair["b"])
        pair.update(null_db=-30.0, trim_lu=0.1, **judged("clear" if with_c else "free"))
    assert passage_sentence(data, "riff", "crunch").startswith(
        "Riff: No difference expected between A, B and D; against A a clear difference expected "
        "in C; C is 0.1 LU louder than A; most change of tone: C, "
    )
    for pair in data["pairs"]:
        if "split" in (pair["a"], pair["b"]):
            pair.update(trim_lu=0.5)
    assert passage_sentence(data, "riff", "crunch").startswith(
        "Riff: No difference expected between A and D; against A a clear difference expected in C, "
        "none but in level in B; B is 0.5 LU louder than A, C 0.1 LU "
    )


def test_more_than_five_orders_give_a_range():
    names = [f"order_{n}" for n in range(8)]
    data = {
        "orders": [{"name": name} for name in names],
        "pairs": [
            a_pair(a=names[0], b=name, trim_lu=n - 4.0, band_change_db=[float(n)])
            for n, name in enumerate(names)
            if n
        ],
    }
    assert passage_sentence(data, "solo", None) == (
        "Solo: against A the others lie between 3.0 LU quieter (B) and 3.0 LU louder (H); "
        "most change of tone: H, 7.0 dB more at 2 kHz."
    )


def test_one_order_has_nothing_to_be_held_against(data):
    data["orders"] = data["orders"][:1]
    assert passage_sentence(data, "solo", "crunch").endswith("nothing to hold it against.")


def test_pairs_are_found_either_way_round(data):
    there = find_pair(data, "series", "boost_first", "solo", "crunch")
    back = find_pair(data, "boost_first", "series", "solo", "crunch")
    assert back["a"] == "boost_first"
    assert back["trim_lu"] == -there["trim_lu"]
    assert signed_band_change(back) == -signed_band_change(there)
    assert find_pair(data, "series", "split", "solo", "no such amplifier") is None


def test_clipping_is_said_before_what_is_close_to_it(data):
    sentence = headroom_sentence(data, "solo", "crunch")
    print(sentence)
    clips, near = sentence.split(" Within 3 dB of clipping: ")
    assert clips.startswith("Clips: B at room (")
    assert "dB over" in clips
    assert "dB left" not in clips
    assert "dB over" not in near


def test_the_closest_is_named_where_nothing_clips(data):
    sentence = headroom_sentence(data, "verse", "crunch")
    assert sentence.startswith("Nothing comes within 3 dB of clipping; the closest is ")
    assert sentence.endswith(" dB left. What diodes and tubes clip on purpose is not counted.")


def test_no_rail_no_clipping(data):
    for sound in data["sounds"]:
        for point in sound["points"]:
            point.update(rail_volts=None, headroom_db=None)
    assert headroom_sentence(data, "solo", "crunch") == (
        "Nothing on these paths has a rail to clip against."
    )


def test_exact_centres_are_called_by_their_nominal_numbers():
    called = [frequency(1000.0 * 10.0 ** (x / 10.0)) for x in range(-16, 14)]
    hertz = [float(word.split()[0]) * (1000 if word.endswith("kHz") else 1) for word in called]
    assert hertz == NOMINAL
    assert frequency(1000.0) == "1 kHz"
    assert frequency(440.0) == "440 Hz"
    assert frequency(999.9) == "1 kHz"


def test_small_words():
    assert [letter(n) for n in (0, 25, 26)] == ["A", "Z", "A2"]
    assert spoken("boost_first") == "boost first"
    assert [listed(words) for words in ([], ["A"], ["A", "B"], ["A", "B", "C"])] == [
        "", "A", "A and B", "A, B and C",
    ]  # fmt: skip


def test_a_step_against_another_passage_is_told_with_what_is_wanted(data):
    for passage in data["passages"]:
        passage["above"] = {"passage": "verse", "lu": 3.0} if passage["name"] == "solo" else None
    for sound in data["sounds"]:
        raised = {"series": 4.1, "split": 2.0}.get(sound["order"], 4.1)
        sound["integrated_lufs"] = -20.0 + (raised if sound["passage"] == "solo" else 0.0)
    said = step_sentence(data, "solo", "crunch")
    assert said.startswith("Against the verse: A +4.1, B +2.0, C +4.1")
    assert said.endswith("LU; +3.0 is wanted.")
    for sound in data["sounds"]:
        sound["integrated_lufs"] = -20.0
    assert step_sentence(data, "solo", "crunch").startswith("Against the verse: +0.0 LU in each")
    assert step_sentence(data, "verse", "crunch") == ""
    wanted = ("series", "verse", "crunch")
    for sound in data["sounds"]:
        if (sound["order"], sound["passage"], sound["amp"]) == wanted:
            sound["integrated_lufs"] = None
    assert step_sentence(data, "solo", "crunch") == "", "a silent passage is no step"


def causes(**differences: float | None) -> dict:
    found = judgement("subtle", 2.0)["causes"]
    for name, difference in differences.items():
        found[name]["difference"] = difference
    return found


def heard(verdict: str = "subtle", **more: object) -> dict:
    return {**judgement(verdict, 2.0), **more}


def test_where_a_difference_is_expected_it_is_told_by_its_causes():
    """The sentence of a boost behind a drive, from the judgement of a pair."""
    pair = a_pair(**heard("clear", causes=causes(level=5.1)))
    assert pair_sentence(pair, moved="moving push after grit") == (
        "A clear difference expected, by dirt: moving push after grit makes it 5.1 LU louder and "
        "no dirtier."
    )
    assert pair_sentence(pair, "A", "C") == (
        "A clear difference expected, by dirt: against A, C is 5.1 LU louder and no dirtier."
    )


def test_a_difference_that_no_cause_tells_is_still_told():
    pair = a_pair(**heard(borderline=True, decided_by="movement"))
    assert pair_sentence(pair, moved="moving push after grit") == (
        "A subtle difference expected (borderline), by movement, from moving push after grit."
    )
    assert pair_sentence(pair, "A", "C") == (
        "A subtle difference expected (borderline), by movement, between A and C."
    )


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({}, "by tone and evenness"),
        ({"tail": -3.0}, "by echo"),
        ({"touch": 0.8, "tail": -3.0}, "by evenness and echo"),
    ],
)
def test_what_decided_is_called_by_the_causes_that_are_told(told, words):
    """No headline that the causes contradict: "by tone" where hardly any tone changes."""
    pair = a_pair(**heard(decided_by="distribution", causes=causes(level=1.0, **told)))
    assert f"expected, {words}: " in pair_sentence(pair)


def test_where_most_of_it_lies_replaces_the_tone():
    changed = causes(level=1.0)
    changed["tone"] |= {"difference": 2.0, "band_db": -8.0, "hz": 3000.0}
    where = {"change_db": -2.4, "moments": "all", "range": "high"}
    pair = a_pair(**heard(decided_by="distribution", causes=changed))
    assert pair_sentence(pair).endswith(
        ", by tone: against A, B is 1.0 LU louder and no dirtier, with 8.0 dB less around 3 kHz."
    )
    assert pair_sentence({**pair, "where": where}).endswith(
        ", by tone (2.4 dB less above 2.5 kHz): against A, B is 1.0 LU louder and no dirtier."
    )


def test_a_judged_pair_is_found_the_other_way_round_with_all_that_was_told():
    """What is dirtier one way is cleaner the other, and where it is more there is less."""
    where = {"change_db": 2.4, "moments": "soft", "range": "high"}
    changed = causes(level=3.1, dirt=4.0, tail=None)
    pair = a_pair(**heard(decided_by="distribution", causes=changed, where=where))
    assert pair_sentence(pair) == (
        "A subtle difference expected, by tone and evenness (2.4 dB more above 2.5 kHz in soft "
        "moments): against A, B is 3.1 LU louder and dirtier (4.0 dB)."
    )
    assert pair_sentence(turned(pair), "B", "A") == (
        "A subtle difference expected, by tone and evenness (2.4 dB less above 2.5 kHz in soft "
        "moments): against B, A is 3.1 LU quieter and cleaner (4.0 dB)."
    )
    assert turned(turned(pair))["where"] == where
    assert turned(pair)["causes"]["tail"]["difference"] is None
    assert pair["causes"]["dirt"]["difference"] == 4.0, "what was given stays"


def test_what_moved_is_said_of_blocks_that_are_on(data):
    """Two orders: push and grit are exchanged; in the verse neither is on."""
    data["orders"] = data["orders"][1:3]
    for pair in data["pairs"]:
        pair.update(heard(), null_db=-20.0)
        pair["causes"]["dirt"]["difference"] = 4.0
    assert passage_sentence(data, "solo", "crunch") == (
        "Solo: A subtle difference expected, by dirt: moving grit after push makes it dirtier "
        "(4.0 dB)."
    )
    assert moved_in(data, "solo", 0, 1) == "moving grit after push"
    assert moved_in(data, "verse", 0, 1) == ""
    assert "against A, B is dirtier (4.0 dB)" in passage_sentence(data, "verse", "crunch")


def test_what_is_expected_of_each_is_one_list_with_the_largest_first():
    pairs = [
        ("B", a_pair(**heard(decided_by="event", when={"at_s": 5.2, "range": "low"}))),
        ("C", a_pair(**heard("free"))),
        ("D", a_pair(**heard("clear"))),
        ("E", a_pair(**heard("free"), trim_lu=0.04)),
        ("F", a_pair(**heard(decided_by="event", when={"at_s": 7.1, "range": "all"}))),
        ("G", a_pair(**heard("same"), trim_lu=0.1)),
        ("H", a_pair(**heard(decided_by="movement", borderline=True))),
    ]
    assert expected_of_each(pairs) == (
        "against A a clear difference expected in D, a subtle one in B and F, a subtle one "
        "(borderline) in H, none in E and G, none but in level in C"
    )
    assert expected_of_each([*pairs[6:], *pairs[:2]]) == (
        "against A a subtle difference expected in B, a subtle one (borderline) in H, "
        "none but in level in C"
    )
    assert expected_of_each(pairs[1:2]) == "against A no difference but in level expected in C"
    assert expected_of_each([pairs[0], ("C", a_pair())]) == (
        "against A a subtle difference expected in B"
    ), "C was not judged"
    assert expected_of_each([("B", a_pair())]) == ""


def test_orders_of_one_group_are_alike_among_themselves(data):
    """A and B, and A and C, but not B and C: C is not named with them."""
    for pair in data["pairs"]:
        apart = {pair["a"], pair["b"]} == {"split", "boost_first"}
        pair.update(null_db=-30.0, trim_lu=0.0, **judged("subtle" if apart else "free"))
    assert passage_sentence(data, "riff", "crunch").startswith(
        "Riff: No difference expected between A, B and D; "
        "against A no difference expected in C; A and C are equally loud; "
    )


@pytest.mark.parametrize(
    ("silent", "said"),
    [
        ({"split"}, "Solo: Either A or B is silent; "),
        ({"split", "boost_first"}, "Solo: Either A is silent, or B and C are; "),
        ({"series"}, "Solo: Either A is silent, or B, C and D are."),
    ],
)
def test_silence_is_said_as_far_as_it_is_known(data, silent, said):
    """Of a pair it is known that one is silent, not which; of two silent ones they are the same."""
    for pair in data["pairs"]:
        mute = {pair["a"], pair["b"]} & silent
        one = len(mute) == 1
        pair.update(trim_lu=None if one else 0.0, null_db=0.0 if one else -20.0)
    sentence = passage_sentence(data, "solo", "crunch")
    assert sentence.startswith(said)
    assert sentence.count("silent") == 1


@pytest.mark.parametrize(
    ("trim_lu", "null_db", "same"),
    [(0.1, -80.0, True), (0.11, -80.0, False), (0.1, -79.9, False), (None, 0.0, False),
     (0.0, None, False)],
)  # fmt: skip
def test_the_same(trim_lu, null_db, same):
    assert is_same({"trim_lu": trim_lu, "null_db": null_db}) is same


@pytest.mark.parametrize(
    ("verdict", "trim_lu", "alike"),
    [("free", 0.49, True), ("free", -0.5, False), ("same", 0.1, True), ("subtle", 0.0, False),
     ("clear", None, False), (None, 0.0, False)],
)  # fmt: skip
def test_alike_is_free_and_hardly_louder(verdict, trim_lu, alike):
    """judging.md section 1: a free move changes the level by less than 0.5 LU."""
    assert are_alike({"verdict": verdict, "trim_lu": trim_lu, "null_db": -30.0}) is alike


def test_groups_hold_only_what_is_alike_throughout():
    alike = {(0, 1), (0, 2), (1, 2), (2, 3), (3, 4)}
    assert grouped(5, lambda first, second: (first, second) in alike) == [[0, 1, 2], [3, 4]]
    assert grouped(3, lambda *_: False) == [[0], [1], [2]]
    assert grouped(0, lambda *_: True) == []
