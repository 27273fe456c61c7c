"""What is said of a blind test: figures, what they show and do not, and the prediction beside."""

import json

import pytest

from simchain.decide.heard import BlindTest, needed
from simchain.report.heard import HAVE_CHANGED, NOT_KNOWN, heard_facts, heard_lines
from tests.heard_files import a_result
from tests.report.blind_players import GUESSES, KEEP_FILES

# Words that would say more than one test of one listener can.
TOO_MUCH = ("cannot hear", "can't hear", "inaudible", "nobody", "everyone", "proves", "proved")


def a_test(right: int = 12, of: int = 16, /, **changes: object) -> BlindTest:
    """Return a result of sounds that no comparison here has."""
    return BlindTest.model_validate_json(json.dumps(a_result(right, of, **changes)))


def fitting(data: dict, right: int = 12, of: int = 16, /, **changes: object) -> BlindTest:
    """Return a result whose fingerprints are those that `data` has."""
    now = {s["order"]: s["fingerprint"] for s in data["sounds"] if s["passage"] == "solo"}
    result = a_result(right, of, **changes)
    result["fingerprints"] = {side: now[result[side]] for side in "ab"}
    return BlindTest.model_validate_json(json.dumps(result))


def predict(data: dict, **what: object) -> dict:
    """Give the pair of the test a prediction."""
    for pair in data["pairs"]:
        if (pair["a"], pair["b"], pair["passage"]) == ("series", "split", "solo"):
            pair |= {"borderline": False, **what}
    return data


def said(data: dict, test: BlindTest) -> str:
    (facts,) = heard_facts([test], data)
    return facts["text"]


def test_a_test_that_is_passed_beside_its_prediction(data: dict) -> None:
    predict(data, verdict="subtle", score=1.9)
    assert said(data, fitting(data)) == (
        "Series against split in solo on crunch, 2026-11-02: right in 12 of 16 trials. Someone who "
        "only guesses is right as often, or more often, in 3.8 % of such tests: very likely you "
        "heard a difference, between these sounds, at that level, that day. Predicted: a subtle "
        "difference (score 1.9); both agree."
    )


def test_a_test_that_is_not_passed_is_no_proof(data: dict) -> None:
    """45 %: a listener who is right with 0.7 reaches 12 of 16 with chance 0.4499."""
    predict(data, verdict="subtle", score=1.1, borderline=True)
    assert said(data, fitting(data, 11)) == (
        "Series against split in solo on crunch, 2026-11-02: right in 11 of 16 trials. Someone who "
        "only guesses is right as often, or more often, in 10.5 % of such tests: no difference is "
        "shown, which is no proof that there is none: it takes 12 right, and a listener who is "
        "right in 70 of 100 trials has that in 45 % of tests of 16. Predicted: a subtle difference "
        "(borderline, score 1.1); this test does not bear it out, and your ears have the last word."
    )


@pytest.mark.parametrize(
    ("verdict", "right", "ends"),
    [
        ("same", 12, "Predicted: no difference (score 0.5); your ears say otherwise, and your "),
        ("free", 12, "Predicted: no difference (score 0.5); your ears say otherwise, and your "),
        ("subtle", 12, "Predicted: a subtle difference (score 0.5); both agree."),
        ("clear", 12, "Predicted: a clear difference (score 0.5); both agree."),
        ("same", 11, "Predicted: no difference (score 0.5); the test does not speak against it."),
        ("free", 11, "Predicted: no difference (score 0.5); the test does not speak against it."),
        ("subtle", 11, "; this test does not bear it out, and your ears have the last word."),
        ("clear", 11, "; this test does not bear it out, and your ears have the last word."),
    ],
)
def test_ears_and_prediction(data: dict, verdict: str, right: int, ends: str) -> None:
    text = said(predict(data, verdict=verdict, score=0.5), fitting(data, right))
    assert ends in text
    parted = (verdict in ("subtle", "clear")) != (right >= 12)
    assert ("your ears have the last word" in text) is parted
    assert not [word for word in TOO_MUCH if word in text]


def test_a_pair_that_is_listed_the_other_way_round(data: dict) -> None:
    predict(data, verdict="clear", score=7.0)
    text = said(data, fitting(data, a="split", b="series"))
    assert text.startswith("Split against series in solo")
    assert text.endswith("Predicted: a clear difference (score 7.0); both agree.")


def test_no_prediction_and_no_score(data: dict) -> None:
    assert said(data, fitting(data)).endswith("that day.")
    predict(data, verdict="clear", score=None)
    assert said(data, fitting(data)).endswith("Predicted: a clear difference; both agree.")


def test_a_test_that_was_stopped_says_less(data: dict) -> None:
    predict(data, verdict="free", score=0.4)
    text = said(data, fitting(data, 7, 8))
    assert "right in 7 of 8 trials" in text
    assert "in 3.5 % of such tests: a sign that you heard a difference, and no more" in text
    assert "stopped early, after 8 of 16 trials" in text
    assert text.endswith("Predicted: no difference (score 0.4).")
    (facts,) = heard_facts([fitting(data, 6, 8)], data)
    assert (facts["of"], facts["planned"], facts["needed"]) == (8, 16, 7)
    text = facts["text"]
    assert "it takes 7 right" in text
    assert "It was stopped early, after 8 of 16 trials" in text


def test_too_few_trials_to_show_anything(data: dict) -> None:
    text = said(data, fitting(data, 4, 4))
    assert "in 6.2 % of such tests" in text
    assert "4 trials are too few to show one, even all right. It was stopped early" in text


def test_a_trim_is_told(data: dict) -> None:
    assert "Split was played 0.3 dB louder, trimmed by ear." in said(
        data, fitting(data, trim_by_ear_db=0.3)
    )
    assert "Split was played 1.2 dB softer, trimmed by ear." in said(
        data, fitting(data, trim_by_ear_db=-1.2)
    )
    assert "trimmed" not in said(data, fitting(data))


def test_sounds_that_have_changed_keep_their_own_prediction(data: dict) -> None:
    predict(data, verdict="clear", score=9.0)
    text = said(data, a_test(predicted={"verdict": "free", "score": 0.6}))
    assert HAVE_CHANGED in text
    assert text.endswith(
        "Predicted then: no difference (score 0.6); your ears say otherwise, and your ears have "
        "the last word."
    )
    assert said(data, a_test(predicted=None)).endswith(HAVE_CHANGED)


def test_one_changed_sound_is_enough(data: dict) -> None:
    test = fitting(data)
    assert heard_facts([test], data)[0]["same_sounds"] is True
    (split,) = (s for s in data["sounds"] if (s["order"], s["passage"]) == ("split", "solo"))
    split["fingerprint"] = "0" * 16
    assert heard_facts([test], data)[0]["same_sounds"] is False


def test_fingerprints_of_another_passage_or_amplifier_do_not_count(two_amps: dict) -> None:
    """The two amplifiers' sounds are alike here but for one digit."""
    for sound in two_amps["sounds"]:
        if sound["amp"] == "hot":
            sound["fingerprint"] = "f" + sound["fingerprint"][1:]
    on_crunch = {
        s["order"]: s["fingerprint"]
        for s in two_amps["sounds"]
        if (s["passage"], s["amp"]) == ("solo", "crunch")
    }
    prints = {"a": on_crunch["series"], "b": on_crunch["split"]}
    tests = [a_test(amp=amp, fingerprints=prints) for amp in ("crunch", "hot")]
    assert [one["same_sounds"] for one in heard_facts(tests, two_amps)] == [True, False]
    verse = a_test(passage="verse", fingerprints=prints)
    assert heard_facts([verse], two_amps)[0]["same_sounds"] is False


def test_without_fingerprints_nothing_is_known(data: dict) -> None:
    predict(data, verdict="clear", score=9.0)
    test = a_test(fingerprints={"a": None, "b": None})
    (facts,) = heard_facts([test], data)
    assert facts["same_sounds"] is None
    assert NOT_KNOWN in facts["text"]
    assert facts["text"].endswith("Predicted: a clear difference (score 9.0); both agree.")


def test_facts_are_counted_again(data: dict) -> None:
    """Chance 2517/65536 and power 0.4499 of 12 in 16: by hand, and from tables."""
    (facts,) = heard_facts([fitting(data, trim_by_ear_db=0.3, probability=0.0384)], data)
    text = facts.pop("text")
    assert text
    assert facts.pop("probability") == 2517 / 65536
    assert facts.pop("power_at_70") == pytest.approx(0.4499, abs=5e-5)
    assert facts == {
        "a": "series",
        "b": "split",
        "passage": "solo",
        "amp": "crunch",
        "right": 12,
        "of": 16,
        "planned": 16,
        "needed": 12,
        "trim_by_ear_db": 0.3,
        "date": "2026-11-02T19:30:00.000Z",
        "same_sounds": True,
    }


@pytest.mark.parametrize("of", range(5, 101))
def test_what_is_said_turns_where_it_is_needed(data: dict, of: int) -> None:
    """At the count that is needed a difference is very likely heard; one less shows none."""
    least = needed(of)
    assert least is not None
    assert "very likely you heard" in said(data, fitting(data, least, of, planned=of))
    below = said(data, fitting(data, least - 1, of, planned=of))
    assert "no difference is shown, which is no proof that there is none" in below


@pytest.mark.parametrize(
    ("right", "of", "percent"),
    [
        (0, 16, "100 %"),
        (1, 16, "more than 99.9 %"),
        (16, 16, "0.0015 %"),
        (14, 16, "0.2 %"),
        (15, 16, "0.026 %"),
        (8, 16, "59.8 %"),
    ],
)
def test_chances_in_percent(data: dict, right: int, of: int, percent: str) -> None:
    """1/65536 is 0.0015 %, 17/65536 is 0.026 %, 137/65536 is 0.2 %, 39203/65536 is 59.8 %."""
    assert f"in {percent} of such tests" in said(data, fitting(data, right, of))


def test_a_listener_who_would_nearly_always_pass(data: dict) -> None:
    """Of 100 trials 0.7 passes with 0.9928: two figures are enough."""
    assert "has that in 99 % of tests of 100" in said(data, fitting(data, 50, 100, planned=100))


def test_songs_and_boards_without_an_amplifier(data: dict) -> None:
    text = said(data, a_test(passage="evening_set (song)", amp=None, a="boost_first"))
    assert text.startswith("Boost first against split in evening set (song), 2026-11-02: ")


def test_lines_list_each_test_by_itself(data: dict) -> None:
    assert list(heard_lines([])) == []
    one = heard_facts([fitting(data)], data)
    assert [line.plain for line in heard_lines(one)] == [
        "\nBlind tests",
        f"   {one[0]['text']}",
    ]
    other_pair = fitting(data, a="boost_first")
    assert len(list(heard_lines(heard_facts([fitting(data), other_pair], data)))) == 3
    turned = fitting(data, a="split", b="series")
    lines = list(heard_lines(heard_facts([fitting(data), turned], data)))
    assert lines[-1].plain.startswith("   Tests of the same pair are not added up: ")


@pytest.mark.browser
def test_what_the_page_saves_is_what_is_read(opened, data: dict) -> None:
    """Tests taken in the browser by guessing: their files fit, and their sounds are the same."""
    sheet = opened(predict(data, verdict="clear", score=6.5), KEEP_FILES)
    files = sheet.page.evaluate(GUESSES, [3, 11])
    tests = [BlindTest.model_validate_json(file) for file in files]
    assert [(test.of, test.planned) for test in tests] == [(16, 16)] * 3
    for test, facts in zip(tests, heard_facts(tests, data), strict=True):
        assert facts["right"] == test.right
        assert facts["probability"] == pytest.approx(test.probability, rel=1e-12)
        assert facts["same_sounds"] is True
