"""What blind tests found, beside what was predicted: facts for JSON and sentences for people.

A test tells of one listener, two sounds, one level and one day; nothing is said of anyone else.
"""

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from rich.text import Text

from simchain.decide.heard import GOOD_LISTENER, RARE, BlindTest, chance_of, needed, power
from simchain.decide.judge import HEARD_WORDS
from simchain.report.sentences import find_pair
from simchain.report.verdicts import EXPECTED
from simchain.report.wording import capital, spoken

HAVE_CHANGED = (
    "The sounds are no longer those of the test (the board, what is compared beside them or "
    "simchain has changed since), and the result belongs to those."
)
NOT_KNOWN = "Whether the sounds are still those of the test cannot be told."


def heard_facts(tests: Iterable[BlindTest], data: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return what `--json` tells of each test; `data` is what the page is built from.

    Each stands by itself: tests of one pair are not added up. `same_sounds` is null where the file
    has no fingerprints.
    """
    return [_facts(test, data) for test in tests]


def heard_lines(facts: Sequence[Mapping[str, Any]]) -> Iterator[Text]:
    """Return what is printed of `heard_facts`."""
    if facts:
        yield Text("\nBlind tests", style="bold")
    yield from (Text(f"   {one['text']}") for one in facts)
    pairs = Counter((*sorted((one["a"], one["b"])), one["passage"], one["amp"]) for one in facts)
    if any(count > 1 for count in pairs.values()):
        yield Text(
            "   Tests of the same pair are not added up: who takes many and shows the best "
            "of them shows little, as up to one in twenty is passed by guessing."
        )


def _facts(test: BlindTest, data: Mapping[str, Any]) -> dict[str, Any]:
    same_sounds = _same_sounds(test, data)
    return {
        "a": test.a,
        "b": test.b,
        "passage": test.passage,
        "amp": test.amp,
        "right": test.right,
        "of": test.of,
        "planned": test.planned,
        "probability": chance_of(test.right, test.of),
        "needed": needed(test.of),
        "power_at_70": power(test.of),
        "trim_by_ear_db": test.trim_by_ear_db,
        "date": test.date,
        "same_sounds": same_sounds,
        "text": heard_text(test, _prediction(test, data, same_sounds), same_sounds=same_sounds),
    }


def _same_sounds(test: BlindTest, data: Mapping[str, Any]) -> bool | None:
    """Tell whether both sounds of a test are, byte for byte, what is played now."""
    now = {
        sound["order"]: sound["fingerprint"]
        for sound in data["sounds"]
        if (sound["passage"], sound["amp"]) == (test.passage, test.amp)
    }
    then = {test.a: test.fingerprints.a, test.b: test.fingerprints.b}
    if None in then.values():
        return None
    return all(now.get(order) == digits for order, digits in then.items())


def _prediction(
    test: BlindTest, data: Mapping[str, Any], same_sounds: bool | None
) -> Mapping[str, Any] | None:
    """Return what is predicted of the sounds that were heard: now, or for others what it was."""
    if same_sounds is False:
        return test.predicted.model_dump() if test.predicted else None
    return find_pair(data, test.a, test.b, test.passage, test.amp)


def heard_text(
    test: BlindTest, prediction: Mapping[str, Any] | None, *, same_sounds: bool | None
) -> str:
    """Say in plain sentences how many were right, what that is worth, and what was predicted.

    `prediction` has `verdict` (None where it was not judged), `score` and perhaps `borderline`.
    """
    on = f" on {test.amp}" if test.amp else ""
    pair = f"{capital(spoken(test.a))} against {spoken(test.b)} in {spoken(test.passage)}{on}"
    day = datetime.fromisoformat(test.date).date().isoformat()
    parts = [
        f"{pair}, {day}: right in {test.right} of {test.of} trials.",
        f"Someone who only guesses is right as often, or more often, in "
        f"{_percent(chance_of(test.right, test.of))} of such tests: {_worth(test)}",
        _trim(test),
        {True: "", False: HAVE_CHANGED, None: NOT_KNOWN}[same_sounds],
        _beside(test, prediction, "Predicted then" if same_sounds is False else "Predicted"),
    ]
    return " ".join(filter(None, parts))


def _worth(test: BlindTest) -> str:
    """Say what a count shows, and of one that shows nothing, what it took."""
    least = needed(test.of)
    if _is_passed(test) and not test.is_whole:
        return (
            "a sign that you heard a difference, and no more than that, because the test was "
            f"{_stopped(test)}."
        )
    if _is_passed(test):
        return "very likely you heard a difference, between these sounds, at that level, that day."
    stopped = "" if test.is_whole else f" It was {_stopped(test)}."
    none = "no difference is shown, which is no proof that there is none: "
    if least is None:
        return f"{none}{test.of} trials are too few to show one, even all right.{stopped}"
    listener = f"a listener who is right in {round(100 * GOOD_LISTENER)} of 100 trials"
    return (
        f"{none}it takes {least} right, and {listener} has that in "
        f"{_percent(power(test.of), digits=0)} of tests of {test.of}.{stopped}"
    )


def _is_passed(test: BlindTest) -> bool:
    return chance_of(test.right, test.of) <= RARE


def _stopped(test: BlindTest) -> str:
    return (
        f"stopped early, after {test.of} of {test.planned} trials, and one that ends when its "
        "listener likes says less than its percentage"
    )


def _trim(test: BlindTest) -> str:
    """Say by how much one was played louder or softer than matched; '' where none was."""
    trim_db = test.trim_by_ear_db
    if trim_db == 0.0:
        return ""
    way = "louder" if trim_db > 0.0 else "softer"
    return f"{capital(spoken(test.b))} was played {abs(trim_db):.1f} dB {way}, trimmed by ear."


def _beside(test: BlindTest, prediction: Mapping[str, Any] | None, begins: str) -> str:
    """Say what was predicted, and how the test stands to it: '' where nothing was."""
    if not prediction or prediction.get("verdict") is None:
        return ""
    verdict, score = prediction["verdict"], prediction.get("score")
    notes = [
        *(["borderline"] if prediction.get("borderline") else []),
        *([f"score {score:.1f}"] if score is not None else []),
    ]
    said = f"{begins}: {EXPECTED[verdict]}"
    said += f" ({', '.join(notes)})" if notes else ""
    passed = _is_passed(test)
    if passed and not test.is_whole:
        return f"{said}."
    if verdict in HEARD_WORDS:
        return said + (
            "; both agree."
            if passed
            else "; this test does not bear it out, and your ears have the last word."
        )
    if passed:
        return f"{said}; your ears say otherwise, and your ears have the last word."
    return f"{said}; the test does not speak against it."


def _percent(share: float, digits: int = 1) -> str:
    """Write a share of 0 to 1 in percent; two figures where it is small."""
    hundredths = 100.0 * share
    if 100.0 > hundredths >= 100.0 - 0.5 * 10.0**-digits:
        return f"more than {100.0 - 10.0**-digits:.{digits}f} %"
    if 0.0 < hundredths < 0.1:
        digits = 1 - math.floor(math.log10(hundredths))
    return f"{hundredths:.{digits}f} %" if hundredths < 100.0 else "100 %"
