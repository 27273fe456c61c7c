"""Causes in words: the right way round, told from the right size on, no claim where unknown."""

import math
from itertools import product
from typing import Any

import pytest

from simchain.decide.causes import CAUSES, Cause
from simchain.report.causes import (
    WORDS,
    cause_facts,
    cause_text,
    in_words,
    loudness_and_dirt,
    turned_causes,
    what_it_does,
    what_it_is,
    when_words,
    where_words,
)
from simchain.report.verdicts import decided
from simchain.report.wording import round_frequency


def facts(*, band_db: float = 0.0, hz: float = 1000.0, **differences: float | None) -> dict:
    """Causes as JSON has them: all that is not named is nought."""
    found: dict[str, dict[str, Any]] = {
        name: {"difference": differences.pop(name, 0.0)} for name in CAUSES
    }
    assert not differences, "no such cause"
    found["tone"] |= {"band_db": band_db, "hz": hz}
    return found


@pytest.mark.parametrize(
    ("name", "size", "more", "less"),
    [
        ("level", 5.1, "5.1 LU louder", "5.1 LU quieter"),
        ("dirt", 4.0, "4.0 dB dirtier", "4.0 dB cleaner"),
        ("touch", 2.5, "2.5 LU less even", "2.5 LU more even"),
        ("movement", 1.7, "1.7 dB more sway", "1.7 dB less sway"),
        ("tail", 1.4, "1.4 dB more echo", "1.4 dB less echo"),
        ("noise", 3.0, "3.0 dB more hum and hiss", "3.0 dB less hum and hiss"),
        ("width", 6.0, "6.0 dB wider", "6.0 dB narrower"),
    ],
)
def test_each_cause_in_both_directions(name, size, more, less):
    """More dynamics between soft and loud notes (`touch` above 0) is less even: judging.md 3."""
    assert cause_text(name, {"difference": size}) == more
    assert cause_text(name, {"difference": -size}) == less


def test_the_tone_is_told_by_the_band_that_changes_most():
    assert cause_text("tone", {"difference": 0.7, "band_db": -2.4, "hz": 1987.0}) == (
        "2.4 dB less around 2 kHz"
    )
    assert cause_text("tone", {"difference": 0.7, "band_db": 2.4, "hz": 126.0}) == (
        "2.4 dB more around 130 Hz"
    )


@pytest.mark.parametrize(
    ("name", "least", "nothing"),
    [
        ("level", 0.2, "equally loud within 0.2 LU"),
        ("tone", 0.3, "hardly any change of tone"),
        ("dirt", 1.5, "no dirtier and no cleaner"),
        ("touch", 0.5, "as even"),
        ("movement", 0.5, "as much sway"),
        ("tail", 1.0, "as much echo"),
        ("noise", 2.0, "as much hum and hiss"),
        ("width", 3.0, "as wide"),
    ],
)
def test_a_cause_is_told_from_its_size_on(name, least, nothing):
    more = {"band_db": 1.0, "hz": 1000.0}
    for way in (1.0, -1.0) if name != "tone" else (1.0,):
        below = math.nextafter(way * least, 0.0)
        assert cause_text(name, {"difference": below, **more}) == nothing
        assert cause_text(name, {"difference": way * least, **more}) != nothing
        assert in_words(facts(**{name: below}, band_db=1.0)) == ""
        assert in_words(facts(**{name: way * least}, band_db=1.0)) != ""
    assert cause_text(name, {"difference": 0.0, **more}) == nothing


def test_what_is_told_is_more_than_other_causes_leak_into_it():
    """judging.md 4, 10: tone 0.3, dirt 0.5, noise 0.5, tail 0.2, movement 0.1, touch 0.5."""
    leaks = {"tone": 0.3, "dirt": 0.5, "noise": 0.5, "tail": 0.2, "movement": 0.1, "touch": 0.5}
    assert all(WORDS[name].least >= leak for name, leak in leaks.items())


def test_what_cannot_be_told_says_why_and_claims_nothing():
    unknown = {name: cause_text(name, {"difference": None}) for name in CAUSES}
    assert unknown["tail"] == "there are no rests to tell it from"
    assert unknown["noise"] == "hum and hiss were not rendered"
    others = set(CAUSES) - {"tail", "noise"}
    assert {unknown[name] for name in others} == {"it cannot be told here"}
    nothing = facts(**dict.fromkeys(CAUSES))
    assert in_words(nothing) == what_it_does("moving push", nothing) == ""
    assert what_it_is("C", "A", nothing) == ""
    assert in_words(facts(level=3.0, dirt=None)) == "3.0 LU louder", "nobody knows of its dirt"
    assert in_words(facts(level=None, dirt=4.0)) == "dirtier (4.0 dB)"


def test_the_sentence_of_a_boost_behind_a_drive():
    assert what_it_does("moving push after grit", facts(level=5.1)) == (
        "moving push after grit makes it 5.1 LU louder and no dirtier"
    )
    assert what_it_is("C", "A", facts(level=5.1)) == "against A, C is 5.1 LU louder and no dirtier"
    assert loudness_and_dirt(5.1, 0.0) == "5.1 LU louder and no dirtier"


def test_what_it_is_not_comes_last():
    causes = facts(level=-0.7, touch=-0.9)
    assert in_words(causes) == "0.7 LU quieter, more even (0.9 LU) and no cleaner"
    causes = facts(level=-0.7, touch=-0.9, dirt=2.0)
    assert in_words(causes) == "0.7 LU quieter, dirtier (2.0 dB) and more even (0.9 LU)"


@pytest.mark.parametrize(
    ("level", "dirt", "words"),
    [
        (5.1, 0.0, "5.1 LU louder and no dirtier"),
        (5.1, 1.49, "5.1 LU louder and hardly dirtier"),
        (5.1, -0.5, "5.1 LU louder and hardly cleaner"),
        (5.1, 0.49, "5.1 LU louder and no dirtier"),
        (5.1, 1.5, "5.1 LU louder and dirtier (1.5 dB)"),
        (5.1, -4.0, "5.1 LU louder and cleaner (4.0 dB)"),
        (-5.1, 0.0, "5.1 LU quieter and no cleaner"),
        (-5.1, 4.0, "5.1 LU quieter and dirtier (4.0 dB)"),
        (0.5, 0.0, "0.5 LU louder and no dirtier"),
        (-0.5, 0.0, "0.5 LU quieter and no cleaner"),
        (0.49, 0.0, "0.5 LU louder"),
        (0.1, 2.0, "dirtier (2.0 dB)"),
        (0.1, 1.0, ""),
        (math.inf, 0.0, ""),
        (-math.inf, -2.0, "cleaner (2.0 dB)"),
    ],
)
def test_level_and_dirt(level, dirt, words):
    """That it is no dirtier is said only where it is so much louder that one might think so."""
    assert loudness_and_dirt(level, dirt) == words
    if math.isfinite(level):
        assert in_words(facts(level=level, dirt=dirt)) == words


@pytest.mark.parametrize(
    ("differences", "words"),
    [
        ({"level": 3.0, "dirt": 2.0}, "makes it 3.0 LU louder and dirtier (2.0 dB)"),
        (
            {"level": -2.4, "dirt": 4.0, "touch": 2.5, "tone": 3.0, "band_db": -10.1, "hz": 1710.0},
            "makes it 2.4 LU quieter, dirtier (4.0 dB) and less even (2.5 LU), "
            "with 10.1 dB less around 1.7 kHz",
        ),
        (
            {"width": -35.2, "movement": 0.6, "noise": -3.0},
            "makes it narrower (35.2 dB), with more sway (0.6 dB) and less hum and hiss (3.0 dB)",
        ),
        ({"tail": -1.4}, "brings less echo (1.4 dB)"),
        (
            {"tail": 1.4, "movement": -0.5, "tone": 0.3, "band_db": 1.0, "hz": 250.0},
            "brings less sway (0.5 dB), more echo (1.4 dB) and 1.0 dB more around 250 Hz",
        ),
    ],
)
def test_what_a_move_does(differences, words):
    """What it is comes first, then what it has; the tone last."""
    causes = facts(**differences)
    assert what_it_does("moving a after b", causes) == f"moving a after b {words}"
    plain = words.removeprefix("makes it ").removeprefix("brings ")
    assert in_words(causes) == plain
    verb = "is" if words.startswith("makes it") else "has"
    assert what_it_is("C", "A", causes) == f"against A, C {verb} {plain}"


def test_the_tone_is_left_out_where_it_was_told_already():
    causes = facts(level=1.0, tone=1.0, band_db=-3.0, hz=4000.0)
    assert in_words(causes) == "1.0 LU louder and no dirtier, with 3.0 dB less around 4 kHz"
    assert in_words(causes, tone=False) == "1.0 LU louder and no dirtier"
    only = facts(tone=1.0, band_db=-3.0, hz=4000.0)
    assert what_it_does("moving a", only) == "moving a brings 3.0 dB less around 4 kHz"
    assert what_it_does("moving a", only, tone=False) == ""
    assert what_it_is("C", "A", only, tone=False) == in_words(only, tone=False) == ""


PARTS = {"low": "below 250 Hz", "middle": "between 250 Hz and 2.5 kHz", "high": "above 2.5 kHz"}
WHENS = {"soft": "in soft moments", "loud": "in loud moments"}


@pytest.mark.parametrize("change_db", [3.04, -3.04])
@pytest.mark.parametrize(("part", "moments"), list(product([*PARTS, "all"], [*WHENS, "all"])))
def test_where_two_sounds_differ(part, moments, change_db):
    said = where_words({"change_db": change_db, "moments": moments, "range": part})
    way = "more" if change_db > 0.0 else "less"
    places = [found for found in (PARTS.get(part), WHENS.get(moments)) if found]
    assert said == " ".join([f"3.0 dB {way}", *places])


@pytest.mark.parametrize("part", [*PARTS, "all"])
def test_at_which_moment_they_do(part):
    said = when_words({"at_s": 5.24, "range": part})
    assert said == (f"most at 5.2 s, {PARTS[part]}" if part != "all" else "most at 5.2 s")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"decided_by": "distribution"}, "tone and evenness"),
        ({"decided_by": "movement"}, "movement"),
        ({"decided_by": "dirt"}, "dirt"),
        ({"decided_by": "width"}, "stereo width"),
        ({"decided_by": "event"}, "single moments (a click, a gap, a note)"),
        (
            {"decided_by": "event", "when": {"at_s": 9.04, "range": "middle"}},
            "single moments (most at 9.0 s, between 250 Hz and 2.5 kHz)",
        ),
        (
            {
                "decided_by": "distribution",
                "where": {"change_db": -2.4, "moments": "soft", "range": "high"},
            },
            "tone and evenness (2.4 dB less above 2.5 kHz in soft moments)",
        ),
        (
            {"decided_by": "movement", "raised_by_band": True, "max_erb_change_hz": 3140.0},
            "one narrow band, around 3.1 kHz",
        ),
    ],
)
def test_what_decided(changes, words):
    """Read without what a pair of before has not: no where, no when, no narrow band."""
    assert decided(changes) == words


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"tone": 0.3}, "tone"),
        ({"touch": -0.5}, "evenness"),
        ({"tail": -1.0}, "echo"),
        ({"tone": 3.0, "touch": 2.5, "tail": 0.99}, "tone and evenness"),
        ({"tone": 3.0, "touch": 2.5, "tail": 1.4}, "tone, evenness and echo"),
        ({"tone": 0.29, "touch": 0.49, "tail": 0.99}, "tone and evenness"),
        ({"tone": 0.5, "tail": None}, "tone"),
        ({"level": 9.0, "dirt": 9.0, "width": 9.0}, "tone and evenness"),
    ],
)
def test_a_spread_of_levels_is_called_by_those_of_its_causes_that_are_told(told, words):
    """And no other part of the score is: what decided that has one word."""
    pair = {"decided_by": "distribution", "causes": facts(**told)}
    assert decided(pair) == words
    assert decided({**pair, "decided_by": "movement"}) == "movement"
    where = {"change_db": 2.4, "moments": "loud", "range": "low"}
    assert decided({**pair, "where": where}) == (
        f"{words} (2.4 dB more below 250 Hz in loud moments)"
    )
    assert decided({**pair, "causes": turned_causes({**facts(**told)})}) == words


@pytest.mark.parametrize(
    ("hz", "words"),
    [(44.4, "44 Hz"), (126.0, "130 Hz"), (994.0, "990 Hz"), (996.0, "1 kHz"), (1240.0, "1.2 kHz"),
     (3212.0, "3.2 kHz"), (3160.0, "3.2 kHz"), (12_600.0, "13 kHz")],
)  # fmt: skip
def test_a_band_of_the_ear_has_two_digits(hz, words):
    assert round_frequency(hz) == words


def test_causes_for_json_have_number_unit_and_words():
    found = {name: Cause(0.0) for name in CAUSES}
    found |= {"level": Cause(-3.0), "tail": Cause(None), "noise": Cause(math.inf)}
    found["tone"] = Cause(0.9, -2.0, 640.0)
    told = cause_facts(found)
    assert list(told) == list(CAUSES)
    assert told["level"] == {"difference": -3.0, "unit": "LU", "text": "3.0 LU quieter"}
    assert told["tone"] == {
        "difference": 0.9, "unit": "dB", "band_db": -2.0, "hz": 640.0,
        "text": "2.0 dB less around 640 Hz",
    }  # fmt: skip
    assert told["tail"]["difference"] is told["noise"]["difference"] is None
    assert told["noise"]["text"] == "hum and hiss were not rendered"
    assert cause_facts(None) is None


def test_causes_turned_round_say_the_opposite_and_twice_the_same():
    found = {name: Cause(4.0) for name in CAUSES}
    found |= {"tone": Cause(0.9, -2.0, 640.0), "tail": Cause(None)}
    told = cause_facts(found)
    back = turned_causes(told)
    assert back["dirt"] == {"difference": -4.0, "unit": "dB", "text": "4.0 dB cleaner"}
    assert back["touch"]["text"] == "4.0 LU more even"
    assert back["tone"]["difference"] == 0.9, "it has no direction"
    assert back["tone"]["text"] == "2.0 dB more around 640 Hz"
    assert back["tail"] == told["tail"]
    assert turned_causes(back) == told
    assert told == cause_facts(found), "what was given stays"
