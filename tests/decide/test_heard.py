"""Blind tests: chances against tables and a library, files read back, every bad file refused."""

import json
import re
from fractions import Fraction
from importlib import resources
from math import comb
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import stats

from simchain.board import Board, Order, load_board
from simchain.decide import heard
from simchain.decide.compare import compare
from simchain.decide.heard import (
    BlindTest,
    chance_of,
    needed,
    power,
    read_blind_test,
    read_blind_tests,
)
from simchain.errors import RequestError
from tests.conftest import TWO_ORDERS, board_beside_tone
from tests.heard_files import a_result, saved

# One-sided binomial chances at 1/2, computed apart from simchain by closed form, six decimals.
CHANCES = {
    (5, 5): 0.031250, (7, 8): 0.035156, (8, 10): 0.054688, (9, 10): 0.010742, (10, 12): 0.019287,
    (12, 16): 0.038406, (13, 16): 0.010635, (14, 16): 0.002090, (15, 20): 0.020695,
    (18, 25): 0.021643, (32, 50): 0.032454, (59, 100): 0.044313,
}  # fmt: skip
# Trials: the smallest count at 0.05 and at 0.01; same source.
LEAST = {
    8: (7, 8), 10: (9, 10), 12: (10, 11), 16: (12, 14), 20: (15, 16), 25: (18, 19), 32: (22, 24),
    50: (32, 34), 100: (59, 63),
}  # fmt: skip
# Trials and share of right answers: how often the count at 0.05 is reached; same source.
POWERS = {(16, 0.7): 0.4499, (25, 0.7): 0.5118, (50, 0.7): 0.8594, (100, 0.7): 0.9928,
          (16, 0.9): 0.9830}  # fmt: skip

COUNTS = st.integers(1, 100).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of)))
WORDS = st.text(max_size=20)


@pytest.mark.parametrize(("right", "of"), CHANCES)
def test_chances_are_those_of_the_table(right: int, of: int) -> None:
    assert f"{chance_of(right, of):.6f}" == f"{CHANCES[right, of]:.6f}"


def test_chances_are_those_of_whole_numbers_and_of_a_library() -> None:
    """Every count of 1 to 100 trials: by the closed form, and by scipy's exact binomial test."""
    worst = 0.0
    for of in range(1, 101):
        for right in range(of + 1):
            exact = Fraction(sum(comb(of, k) for k in range(right, of + 1)), 2**of)
            assert chance_of(right, of) == float(exact)
            worst = max(worst, abs(stats.binom.sf(right - 1, of, 0.5) / float(exact) - 1.0))
    print(f"scipy's binomial differs by {worst:.1e} at most")
    assert worst < 1e-12
    for right, of in CHANCES:
        library = stats.binomtest(right, of, alternative="greater").pvalue
        assert chance_of(right, of) == pytest.approx(library, rel=1e-12)


@pytest.mark.parametrize("of", LEAST)
def test_the_smallest_count_that_is_rare(of: int) -> None:
    assert (needed(of), needed(of, alpha=0.01)) == LEAST[of]


def test_too_few_trials_are_never_passed() -> None:
    """1/2^4 is more than 0.05, and 1/2^5 is less."""
    assert [needed(of) for of in (1, 4, 5)] == [None, None, 5]
    assert needed(4, alpha=1 / 16) == 4, "a chance of alpha itself is rare enough"
    assert [power(of) for of in (1, 4)] == [0.0, 0.0]
    assert power(5) == pytest.approx(0.7**5, rel=1e-14)


@pytest.mark.parametrize(("of", "share"), POWERS)
def test_how_often_a_good_listener_passes(of: int, share: float) -> None:
    assert power(of, share) == pytest.approx(POWERS[of, share], abs=5e-5)
    least = needed(of)
    assert least is not None
    assert power(of, share) == pytest.approx(stats.binom.sf(least - 1, of, share), rel=1e-12)


@given(st.integers(1, 100), st.sampled_from([0.001, 0.01, 0.05, 0.2]))
def test_one_right_less_would_not_be_rare(of: int, alpha: float) -> None:
    least = needed(of, alpha)
    if least is None:
        assert 0.5**of > alpha
    else:
        assert chance_of(least, of) <= alpha < chance_of(least - 1, of)


def test_a_file_is_read_as_it_was_saved(tmp_path: Path) -> None:
    test = read_blind_test(saved(tmp_path, a_result(trim_by_ear_db=0.3)))
    assert (test.a, test.b, test.passage, test.amp) == ("series", "split", "solo", "crunch")
    assert (test.right, test.of, test.planned, test.is_whole) == (12, 16, 16, True)
    assert test.trim_by_ear_db == 0.3
    assert sum(trial.x == trial.answer for trial in test.trials) == 12
    assert test.trials[2].plays.x == 3
    assert test.fingerprints.b == "fedcba9876543210"
    assert test.predicted is not None
    assert (test.predicted.verdict, test.predicted.score) == ("subtle", 1.9)


@given(
    COUNTS.filter(lambda counts: counts[1] >= heard.LEAST_TRIALS),
    st.tuples(WORDS, WORDS).filter(lambda names: names[0] != names[1]),
    st.one_of(st.none(), WORDS),
    st.floats(-3, 3),
    st.one_of(
        st.none(),
        st.fixed_dictionaries(
            {
                "verdict": st.sampled_from(["same", "free", "subtle", "clear"]),
                "score": st.one_of(st.none(), st.floats(0, 1e6)),
            }
        ),
    ),
)
def test_files_keep_everything(
    counts: tuple[int, int],
    names: tuple[str, str],
    amp: str | None,
    trim_db: float,
    predicted: dict | None,
) -> None:
    result = a_result(
        *counts,
        planned=counts[1],
        a=names[0],
        b=names[1],
        amp=amp,
        trim_by_ear_db=trim_db,
        predicted=predicted,
    )
    test = BlindTest.model_validate_json(json.dumps(result))
    assert test.model_dump(mode="json") == result
    assert BlindTest.model_validate_json(test.model_dump_json()) == test


def test_a_chance_of_four_decimals_agrees(tmp_path: Path) -> None:
    assert read_blind_test(saved(tmp_path, a_result(probability=0.0384))).right == 12


def test_no_amplifier_no_fingerprints_no_prediction(tmp_path: Path) -> None:
    result = a_result(amp=None, fingerprints={"a": None, "b": None}, predicted=None)
    test = read_blind_test(saved(tmp_path, result))
    assert (test.amp, test.fingerprints.a, test.predicted) == (None, None, None)


def test_a_test_that_was_stopped_is_not_whole(tmp_path: Path) -> None:
    test = read_blind_test(saved(tmp_path, a_result(2, 3)))
    assert (test.right, test.of, test.planned, test.is_whole) == (2, 3, 16, False)


def test_limits_are_those_of_the_page() -> None:
    """What the page's form and script allow is what is read."""
    page = resources.files("simchain.report")
    form = (page / "templates" / "blind.html.j2").read_text()
    (slider,) = re.findall(r'<input type="range" id="blind-trim"[^>]*>', form)
    assert f'min="-{heard.MOST_TRIM_DB:g}" max="{heard.MOST_TRIM_DB:g}"' in slider
    script = (page / "static" / "blind.js").read_text()
    assert f"const LEAST_TRIALS = {heard.LEAST_TRIALS};" in script
    assert f"const MOST_TRIALS = {heard.MOST_TRIALS};" in script


def _first_trial(**changes: object) -> dict:
    result = a_result()
    result["trials"][0] |= changes
    return result


def _without(key: str) -> dict:
    return {name: value for name, value in a_result().items() if name != key}


@pytest.mark.parametrize(
    ("result", "said"),
    [
        (a_result(heard=2), "heard = 2: this simchain reads format 1 alone"),
        (a_result(heard=True), "heard = true: this simchain reads format 1 alone"),
        (a_result(heard="1"), 'heard = "1": this simchain reads format 1 alone'),
        (_without("heard"), 'is not a result of a blind test: it has no "heard" with the number '),
        ([a_result()], "a result of a blind test is a JSON object"),
        (7, "holds 7; a result of a blind test is a JSON object"),
        (_without("trials"), "trials is missing; a list of entries is wanted"),
        (_without("amp"), "amp is missing; text in quotes is wanted"),
        (
            a_result(pasage="?"),
            "pasage: no such key for a result of a blind test; did you mean 'pa",
        ),
        (a_result(right=13), "right = 13, but 12 of the 16 trials are right"),
        (a_result(of=15), "of = 15, but there are 16 trials"),
        (a_result(planned=12), "planned = 12, but there are 16 trials"),
        (a_result(probability=0.0106), "probability = 0.0106, but 12 of 16 has 0.03841"),
        (a_result(probability=0.0385), "probability = 0.0385, but 12 of 16 has 0.03841"),
        (a_result(0, 0), "trials is empty; one answer at least is wanted"),
        (a_result(planned=4), "planned = 4: allowed is 5 to 100"),
        (a_result(planned=101), "planned = 101: allowed is 5 to 100"),
        (a_result(planned=16.5), "planned = 16.5: a whole number is wanted, 5 to 100"),
        (a_result(right=True), "right = true: a whole number is wanted"),
        (a_result(a="split"), 'a and b are both "split"; two different orders are compared'),
        (a_result(b=3), "b = 3: text in quotes is wanted"),
        (a_result(trim_by_ear_db=3.1), "trim_by_ear_db = 3.1: allowed is -3 to 3"),
        (a_result(trim_by_ear_db=float("nan")), "trim_by_ear_db = nan: a finite number is wanted"),
        (a_result(date="yesterday"), 'date: a date in UTC like "2026-11-02T19:30:00Z" is wanted, '),
        (a_result(date="2026-11-02T19:30:00"), 'not "2026-11-02T19:30:00"'),
        (a_result(date="2026-11-02T19:30:00+01:00"), "date: a date in UTC"),
        (a_result(fingerprints={"a": "1" * 15, "b": None}), "fingerprints, a: 16 hexadecimal dig"),
        (a_result(fingerprints={"a": None, "b": "G" * 16}), "fingerprints, b: 16 hexadecimal dig"),
        (a_result(fingerprints={"a": None}), "fingerprints, b is missing"),
        (a_result(predicted={"verdict": "sublte", "score": 1}), "did you mean 'subtle'?"),
        (a_result(predicted={"verdict": "free", "score": -1.0}), "score = -1: allowed is at least"),
        (
            a_result(predicted={"verdict": "free", "score": None, "why": 1}),
            "predicted, why: no suc",
        ),
        (_first_trial(x="c"), 'trials, entry 1, x = "c": allowed is "a" or "b"'),
        (_first_trial(answer=None), "trials, entry 1, answer = None: allowed is"),
        (_first_trial(seconds=-1), "trials, entry 1, seconds = -1: allowed is at least 0"),
        (_first_trial(seconds=float("inf")), "trials, entry 1, seconds = inf: a finite number"),
        (_first_trial(plays={"a": 1, "b": 1}), "trials, entry 1, plays, x is missing"),
        (_first_trial(plays={"a": 1, "b": 1, "x": -1}), "plays, x = -1: allowed is at least 0"),
        (a_result(trials=[1]), "trials, entry 1 = 1: a table is wanted"),
    ],
)
def test_files_that_are_wrong_say_where(tmp_path: Path, result: object, said: str) -> None:
    path = saved(tmp_path, result)
    with pytest.raises(RequestError, match=re.escape(said)) as told:
        read_blind_test(path)
    assert str(told.value).startswith(f"{path}: ")
    assert str(told.value).isprintable()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is not JSON: "),
        (b"solo = 12", "is not JSON: "),
        (b"\xff\xfe{", "is not JSON: "),
        (b"[" * 5000, "is not JSON: "),
        (b'{"heard": ' + b"1" * 9000 + b"}", "is not JSON: "),
        (b" " * 1_000_001, "is larger than 1 MB: not a result of a blind test"),
    ],
)
def test_files_that_are_no_results(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "heard.json"
    path.write_bytes(content)
    with pytest.raises(RequestError, match=re.escape(f"{path}: {said}")) as told:
        read_blind_test(path)
    assert str(told.value).isprintable()


def test_no_file_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="there is no such file; the page's blind test saves"):
        read_blind_test(tmp_path / "none.json")
    with pytest.raises(RequestError, match="is a folder; a result of a blind test is a JSON file"):
        read_blind_test(tmp_path)
    with pytest.raises(RequestError, match="cannot be read: file name too long"):
        read_blind_test(tmp_path / ("a" * 300))


ANYTHING = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text()),
    lambda inner: st.one_of(st.lists(inner), st.dictionaries(st.text(), inner)),
    max_leaves=8,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.sampled_from([*a_result(), "else"]), ANYTHING)
def test_no_value_of_any_key_escapes(tmp_path: Path, key: str, value: object) -> None:
    """A file with anything at all in one of its keys is read, or refused in one line."""
    path = saved(tmp_path, a_result(**{key: value}))
    kept, refused = {}, ""
    try:
        kept = read_blind_test(path).model_dump()
    except RequestError as error:
        refused = str(error)
    assert refused.isprintable()
    assert refused or kept[key] == value


@pytest.fixture
def board(tmp_path: Path) -> Board:
    text = TWO_ORDERS + '[songs.riff]\npassages = ["off", "riff"]\n'
    return load_board(board_beside_tone(tmp_path, text))


def _of_board(**changes: object) -> dict:
    return a_result(**{"a": "b", "b": "a", "passage": "riff", "amp": None, **changes})


def test_results_that_fit_are_read_in_their_order(tmp_path: Path, board: Board) -> None:
    files = [
        saved(tmp_path, _of_board(), "1.json"),
        saved(tmp_path, _of_board(date="2026-11-03T19:30:00Z"), "2.json"),
        saved(tmp_path, _of_board(passage="riff (song)"), "3.json"),
    ]
    tests = read_blind_tests(files, board, ["a", "b"], passages=["riff"], songs=["riff"])
    assert [(test.date[8:10], test.passage) for test in tests] == [
        ("02", "riff"),
        ("03", "riff"),
        ("02", "riff (song)"),
    ]
    assert read_blind_tests([], board, ["a", "b"]) == ()


@pytest.mark.parametrize(
    ("changes", "asked", "said"),
    [
        ({"a": "c"}, {}, 'is a test of "c" and "a" in "riff", without an amplifier; this comp'),
        ({"b": "c"}, {}, "this comparison has the orders a and b"),
        ({"passage": "solo"}, {}, "this comparison has the passages riff and off"),
        ({}, {"passages": ["off"]}, "this comparison has the passage off"),
        ({}, {"songs": ["riff"]}, "this comparison has the passage riff (song)"),
        ({"passage": "riff (song)"}, {}, "this comparison has the passages riff and off"),
        ({"amp": "hot"}, {}, 'in "riff", on "hot"; this comparison has no amplifier'),
    ],
)
def test_results_of_something_else_are_refused(
    tmp_path: Path, board: Board, changes: dict, asked: dict, said: str
) -> None:
    path = saved(tmp_path, _of_board(**changes))
    with pytest.raises(RequestError, match=re.escape(said)) as told:
        read_blind_tests([path], board, ["a", "b"], **asked)
    assert str(told.value).startswith(f"{path} is a test of ")


def test_an_amplifier_that_is_not_compared_is_refused(tmp_path: Path) -> None:
    text = TWO_ORDERS + '[amps.clean]\n[amps.hot]\n[output]\namps = ["hot"]\n'
    board = load_board(board_beside_tone(tmp_path, text))
    files = {amp: [saved(tmp_path, _of_board(amp=amp), f"{amp}.json")] for amp in (None, "hot")}
    orders = ["a", "b"]
    assert read_blind_tests(files["hot"], board, orders)[0].amp == "hot"
    assert read_blind_tests(files["hot"], board, orders, amps=["clean", "hot"])[0].amp == "hot"
    with pytest.raises(RequestError, match=r'on "hot"; this comparison has the amplifier clean$'):
        read_blind_tests(files["hot"], board, orders, amps=["clean"])
    with pytest.raises(
        RequestError, match=r"without an amplifier; .* the amplifiers clean and hot"
    ):
        read_blind_tests(files[None], board, orders, amps=["clean", "hot"])


def test_the_same_test_twice_is_refused(tmp_path: Path, board: Board) -> None:
    files = [saved(tmp_path, _of_board(), name) for name in ("one.json", "copy.json")]
    with pytest.raises(RequestError, match=r"one\.json and .*copy\.json hold the same test"):
        read_blind_tests(files, board, ["a", "b"])


@pytest.mark.parametrize(
    "asked",
    [{}, {"passages": ["off"]}, {"songs": ["riff"]}, {"passages": ["off"], "songs": ["riff"]}],
)
def test_what_fits_is_what_a_comparison_holds(tmp_path: Path, board: Board, asked: dict) -> None:
    """What is refused before anything is rendered is what `compare` would not have."""
    orders = ["b", Order(("grit", "push"))]
    held = compare(board, orders, judged=False, **asked)
    assert held.orders == ("b", "a")
    for label in ("riff", "off", "riff (song)"):
        path = saved(tmp_path, _of_board(passage=label))
        if label in held.passages:
            assert read_blind_tests([path], board, orders, **asked)
        else:
            with pytest.raises(RequestError, match="this comparison has the passage"):
                read_blind_tests([path], board, orders, **asked)
