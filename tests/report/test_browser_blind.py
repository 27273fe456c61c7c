"""The blind test in a browser: taken by players that know, by players that guess, and by hand."""

import itertools
import json
import re
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from importlib import resources

import numpy as np
import pytest
from scipy import stats

from simchain.report.page import audition_page
from simchain.report.page_data import fingerprint
from tests.report.blind_players import (
    EAR,
    GUESSES,
    KEEP_FILES,
    LISTENS,
    against_theory,
    chances_exactly,
    read_results,
)
from tests.report.conftest import judgement
from tests.report.test_browser import NAMELESS
from tests.report.test_player import (
    EXACT,
    FADE,
    OFFLINE,
    RATE,
    VOLUME,
    decoded,
    largest,
    quantum,
    record,
)

pytestmark = pytest.mark.browser

# Of fair draws, each check of chance fails once in so many: the four of one test together once in
# 25,000 tests.
FALSE_ALARM = 1e-5
HUSH = round(0.008 * RATE)

# X as a test wants it, in turn: "ab" is a, b, a, b ...
COINS = """
  let turn = 0;
  Crypto.prototype.getRandomValues = (array) => {
    array[0] = 'ab'.indexOf('%s'[turn %% %d]);
    turn += 1;
    return array;
  };
"""

# A draw that is even but not independent: three times in four as before.
STICKY = """
  let bit = 0;
  Crypto.prototype.getRandomValues = (array) => {
    if (Math.random() < 0.25) bit = 1 - bit;
    array[0] = bit;
    return array;
  };
"""

# All that a page can tell a curious listener.
SEEN = """
  () => JSON.stringify([
    document.documentElement.outerHTML,
    document.title,
    location.search + location.hash,
    history.length,
    Object.keys(window),
    Object.entries(Object.getOwnPropertyDescriptors(window.simchain)).map(([name]) =>
      [name, window.simchain[name]]),
    [...document.querySelectorAll('input, select')].map((one) => [one.value, one.checked]),
    document.activeElement.outerHTML,
  ])
"""


def coins(sides):
    return COINS % (sides, len(sides))


def start(sheet, trials=16):
    sheet.page.fill("#blind-trials", str(trials))
    sheet.page.click("#blind-setup [type=submit]")


def press(sheet, keys):
    """Press keys of the test one after another; what X needs to play is waited for."""
    for key in keys:
        sheet.page.keyboard.press(key)
        if key in "12x0":
            sheet.until("document.getElementById('now').textContent.startsWith('Playing')")


def only_two_orders(data):
    """Two orders, one passage: what a test that is taken many times needs."""
    names = [order["name"] for order in data["orders"][:2]]
    data["orders"] = data["orders"][:2]
    data["passages"] = data["passages"][:1]
    data["sounds"] = [s for s in data["sounds"] if s["order"] in names and s["passage"] == "verse"]
    data["pairs"] = [p for p in data["pairs"] if p["a"] in names and p["b"] in names]
    return data


@pytest.fixture(scope="module")
def chances(chromium):
    """Run the page's own arithmetic and sentences by themselves."""
    source = (resources.files("simchain.report") / "static" / "chance.js").read_text()
    page = chromium.new_page()
    yield lambda asked: page.evaluate(f"() => {{ {source}; return {asked}; }}")
    page.close()


def test_chances_are_exact_up_to_a_hundred_trials(chances):
    """Against whole numbers (closed form) and against scipy's binomial distribution."""
    asked = "[0.5, 0.7].map((p) => [...Array(100).keys()].map((n) => [...Array(n + 2).keys()]"
    computed = chances(f"{asked}.map((right) => atLeast(right, n + 1, p))))")
    worst = 0.0
    for p, tables in zip((Fraction(1, 2), Fraction(7, 10)), computed, strict=True):
        for of, table in enumerate(tables, start=1):
            exact = np.array([float(chance) for chance in chances_exactly(of, p)])
            worst = max(worst, largest(np.array(table) / exact - 1.0))
            library = stats.binom.sf(np.arange(of + 1) - 1, of, float(p))
            assert largest(np.array(table) / library - 1.0) < 1e-12
    print(f"largest relative error {worst:.1e}")
    assert worst < 1e-12


def test_chances_and_powers_of_usual_tests(chances):
    """One-sided binomial chances and powers at the 5 % level, rounded as tables print them."""
    scores = {(12, 16): 0.038406, (13, 16): 0.010635, (14, 16): 0.002090, (9, 10): 0.010742,
              (15, 20): 0.020695, (59, 100): 0.044313}  # fmt: skip
    for (right, of), chance in scores.items():
        assert chances(f"atLeast({right}, {of})") == pytest.approx(chance, abs=5e-7)
    for of, (mark, power) in {16: (12, 0.4499), 25: (18, 0.5118), 50: (32, 0.8594),
                              100: (59, 0.9928)}.items():  # fmt: skip
        assert chances(f"passMark({of})") == mark
        assert chances(f"power({of})") == pytest.approx(power, abs=5e-5)
    assert chances("passMark(4)") is None
    assert chances("passMark(5)") == 5


def test_results_in_plain_words(chances):
    assert chances("chanceWords(12, 16)") == (
        "Someone who only guesses gets as many or more in 3.8 % of such tests."
    )
    assert chances("[1 / 65536, 0.5 ** 100, 65535 / 65536, 1].map(percent)") == [
        "0.0015 %", "less than 0.0001 %", "more than 99.9 %", "100 %",
    ]  # fmt: skip
    assert chances("meaningWords(12, 16)").startswith("You very likely heard a difference")
    missed = chances("meaningWords(11, 16)")
    assert "no proof that there is none" in missed
    assert "12 right" in missed
    assert "right in 70 of 100 trials gets there in only 45 % of tests" in missed
    assert "gets there in 99 % of tests" in chances("meaningWords(50, 100)")
    assert "so few trials show nothing" in chances("meaningWords(3, 3)")
    stopped = chances("meaningWords(6, 6, 16)")
    assert stopped == "That is a sign of a difference, and no more than that."
    assert "after 6 of 16 trials" in chances("stoppedWords(6, 16)")
    pair = "{ verdict: '%s', score: 1.94, borderline: true }"
    for verdict, passed, words in (
        ("subtle", "true", "The prediction was a subtle difference, score 1.9, borderline. Your"),
        ("clear", "false", "does not bear it out. Ears have the last word"),
        ("free", "true", "disagree with it, and ears have the last word"),
        ("same", "false", "Your ears agree with it"),
    ):
        assert words in chances(f"predictionWords({pair % verdict}, {passed})")
    assert chances("predictionWords({}, true) + predictionWords(undefined, true)") == ""
    for passed in ("true", "false"):
        said = chances(f"predictionWords({pair % 'clear'}, {passed}, false)")
        assert said.startswith("The prediction was a clear difference")
        assert "ears" not in said.lower()


def listen(sheet, runs):
    for _ in range(runs):
        heard = sheet.page.evaluate(LISTENS)
        [result] = read_results([heard["file"]])
        assert heard["a"] == pytest.approx(220.0, abs=12.0)
        assert heard["b"] == pytest.approx(440.0, abs=12.0)
        assert (result["right"], result["of"]) == (16, 16)
        assert result["probability"] == 1.0 / 65536.0


def test_a_player_that_listens_gets_all_right(opened, data):
    """By what goes to the loudspeaker, and nothing else: 16 of 16, one chance in 65,536."""
    listen(opened(only_two_orders(data), EAR + KEEP_FILES), runs=1)


@pytest.mark.soak
def test_players_that_listen_get_all_right_again_and_again(opened, data):
    listen(opened(only_two_orders(data), EAR + KEEP_FILES), runs=20)


def guess(sheet, runs, number):
    return against_theory(read_results(sheet.page.evaluate(GUESSES, [runs, number])))


@pytest.mark.soak
def test_players_that_guess_are_right_as_theory_says(opened, data):
    chances = guess(opened(only_two_orders(data), KEEP_FILES), 50, 2026)
    print(chances)
    assert min(chances.values()) > FALSE_ALARM


@pytest.mark.soak
def test_players_that_guess_are_right_as_theory_says_for_long(opened, data):
    chances = guess(opened(only_two_orders(data), KEEP_FILES), 3000, 11)
    print(chances)
    assert min(chances.values()) > FALSE_ALARM


@pytest.mark.soak
def test_a_draw_that_repeats_itself_would_be_found(opened, data):
    """The check above on an X that stays what it was three times in four."""
    assert guess(opened(only_two_orders(data), STICKY + KEEP_FILES), 25, 5)["repeats"] < FALSE_ALARM


def test_nothing_tells_which_order_x_is(opened, data):
    """The same acts with X = A and X = B: page, script and picture are alike to the last bit."""
    acts = ["1", "x", "2", "x", "x", " ", " ", "Home", "ArrowRight", "f", "x", "f", "x", "1", "f"]
    data = only_two_orders(data)
    sheets = [opened(data, OFFLINE + coins(side)) for side in "ab"]
    for sheet in sheets:
        start(sheet, 5)
        sheet.page.evaluate("document.activeElement.blur()")
    for act in ["", *acts]:
        for sheet in sheets:
            if act == " ":
                sheet.page.keyboard.press(act)
            elif act:
                press(sheet, [act])
        seen, other = (sheet.page.evaluate(SEEN) for sheet in sheets)
        assert seen == other, act
        shown, other = (sheet.page.screenshot(full_page=True) for sheet in sheets)
        assert shown == other, act
    for sheet in sheets:
        assert "Trial 4 of 5" in sheet.page.inner_text("#blind")
        assert sheet.state("order") is None
        assert sheet.page.locator(".heard, [aria-pressed=true]:not([data-hear])").count() == 0
        press(sheet, "xfxf")
    record = [sheet.page.inner_text("#blind-record") for sheet in sheets]
    assert ["✓" in text for text in record] == [True, False]


@pytest.mark.parametrize("side", ["a", "b"])
def test_a_switch_to_x_is_the_same_dip_whatever_x_is(opened, data, side):
    """From A to X to X to B to X, sample by sample: dip, silence, dip, and the same playhead."""
    sheet = opened(data, OFFLINE + coins(side))
    start(sheet)
    moments = [0.6, 1.2, 1.8, 2.4]
    keys = zip(moments, ("x", "0", "2", "X"), strict=True)
    heard = record(sheet, [(at, "key", key) for at, key in keys])[round(0.015 * RATE) :]
    a, b = (VOLUME * decoded(data, order, "verse")[: heard.size] for order in (0, 1))
    x = a if side == "a" else b
    wanted, gain = a.copy(), np.ones(heard.size)
    ramp = np.arange(FADE) / FADE
    for at, sound in zip(moments, (x, x, b, x), strict=True):
        begin = quantum(at)
        bottom, up = begin + FADE, begin + FADE + HUSH
        assert largest(heard[bottom + 1 : up - 1]) == 0.0
        wanted[bottom:] = sound[bottom:]
        gain[begin:bottom], gain[bottom:up], gain[up : up + FADE] = 1.0 - ramp, 0.0, ramp
    steady = (gain == 1.0) & (np.arange(heard.size) > FADE)
    for at in moments:
        steady[quantum(at) + 2 * FADE + HUSH] = False
    assert largest((heard - wanted)[steady]) < EXACT
    one_frame = 1.1 * largest(wanted) / FADE
    assert largest((heard - gain * wanted)[FADE:]) < one_frame


def level_db(heard, sound, begin, end):
    span = slice(quantum(begin) + 2 * FADE + HUSH + 2, quantum(end) - 2)
    return 10.0 * np.log10(np.mean(heard[span] ** 2) / np.mean((VOLUME * sound[span]) ** 2))


@pytest.mark.parametrize(
    ("trim_db", "a_db", "b_db"),
    [(2.0, -2.0, 0.0), pytest.param(-1.3, 0.0, -1.3, marks=pytest.mark.soak)],
)
def test_the_trim_is_heard_openly_and_of_x(opened, data, trim_db, a_db, b_db):
    """RMS within 0.01 dB; the louder one is lowered, so that nothing can pass full scale."""
    sounds = [decoded(data, order, "verse") for order in range(2)]
    set_trim = ("set", "#blind-trim", str(trim_db), "input")
    openly = opened(data, OFFLINE)
    acts = [(0.1, *set_trim), (0.5, "click", "#blind-try-b"), (1.0, "click", "#blind-try-a"),
            (1.5, "key", "2"), (2.0, "key", "1")]  # fmt: skip
    heard = record(openly, acts)[round(0.015 * RATE) :]
    assert level_db(heard, sounds[1], 0.5, 1.0) == pytest.approx(b_db, abs=0.01)
    assert level_db(heard, sounds[0], 1.0, 1.5) == pytest.approx(a_db, abs=0.01)
    assert level_db(heard, sounds[1], 1.5, 2.0) == pytest.approx(0.0, abs=0.01)
    assert level_db(heard, sounds[0], 2.0, 3.0) == pytest.approx(0.0, abs=0.01)
    for side, x, x_db in (("a", sounds[0], a_db), ("b", sounds[1], b_db)):
        sheet = opened(data, OFFLINE + coins(side))
        sheet.page.fill("#blind-trim", str(trim_db))
        start(sheet)
        heard = record(sheet, [(0.5, "key", "2"), (1.0, "key", "x")])[round(0.015 * RATE) :]
        assert level_db(heard, sounds[0], 0.1, 0.5) == pytest.approx(a_db, abs=0.01)
        assert level_db(heard, sounds[1], 0.5, 1.0) == pytest.approx(b_db, abs=0.01)
        assert level_db(heard, x, 1.0, 2.0) == pytest.approx(x_db, abs=0.01)


def test_other_sounds_begin_without_a_trim(opened, data):
    sheet = opened(data)
    for change in (
        lambda: sheet.page.locator("input[name=passage]").nth(1).check(),
        lambda: sheet.page.select_option("#blind-b", "2"),
        lambda: sheet.page.select_option("#blind-a", "3"),
    ):
        sheet.page.fill("#blind-trim", "1.5")
        assert sheet.page.inner_text("#blind-trim-says") == "+1.5 dB"
        change()
        assert sheet.page.inner_text("#blind-trim-says") == "0.0 dB"
    assert sheet.page.inner_text("#blind-try-a") == "Hear D"


def test_hearing_both_openly_matches_them_per_passage(opened, data):
    sheet = opened(data)
    sheet.page.locator("input[name=mode]").nth(2).check()
    sheet.page.fill("#blind-trim", "-0.4")
    sheet.page.click("#blind-try-b")
    sheet.until("window.simchain.playing")
    assert (sheet.state("order"), sheet.state("mode")) == ("split", "passage")
    assert sheet.page.inner_text("#now") == "Playing B split, verse, trimmed by ear"
    sheet.page.locator("input[name=mode]").nth(1).check()
    sheet.page.keyboard.press("2")
    assert sheet.page.inner_text("#now") == "Playing B split, verse"


def test_an_answer_is_taken_only_once_x_was_heard(opened, data):
    sheet = opened(data)
    start(sheet)
    answer = sheet.page.locator("[data-answer=a]")
    for act in (
        lambda: answer.click(force=True),
        lambda: press(sheet, "1"),
        lambda: press(sheet, "f"),
    ):
        act()
        assert sheet.page.inner_text("#blind-count") == "Trial 1 of 16"
        assert answer.get_attribute("aria-disabled") == "true"
    assert sheet.page.inner_text("#blind-says") == "Play X first, then answer."
    press(sheet, "x")
    assert answer.get_attribute("aria-disabled") == "false"
    answer.click()
    assert sheet.page.inner_text("#blind-count") == "Trial 2 of 16"
    assert sheet.page.inner_text("#blind-says") == ""
    assert answer.get_attribute("aria-disabled") == "true"
    assert not sheet.state("playing")
    press(sheet, "2s")
    assert sheet.page.inner_text("#blind-count") == "Trial 2 of 16"


def test_everything_that_changes_the_sounds_is_locked(opened, two_amps):
    sheet = opened(two_amps)
    sheet.page.locator("input[name=mode]").nth(2).check()
    sheet.page.keyboard.press("3")
    start(sheet)
    press(sheet, "1")
    sheet.page.evaluate(
        "() => document.querySelectorAll('input[type=radio], button[data-order], #lines .line')"
        ".forEach((one) => one.click())"
    )
    press(sheet, "349")
    assert [sheet.state(name) for name in ("passage", "amp", "mode", "order")] == [
        "verse", "crunch", "passage", None,
    ]  # fmt: skip
    assert sheet.page.inner_text("#now") == "Playing A series"
    for hidden in ("#lines", "#letters", "#tone", "#strips", "input[name=passage]", "#blind-a"):
        assert not sheet.page.locator(hidden).first.is_visible()
    sheet.page.click("#blind-stop")
    assert sheet.page.is_visible("#blind-setup")
    assert not sheet.page.is_visible("#blind-result")
    assert sheet.state("order") == "boost_first"
    assert sheet.page.locator("input:disabled, .line button:disabled").count() == 0
    sheet.page.locator("input[name=amp]").nth(1).check()
    assert sheet.state("amp") == "hot"


def test_a_loop_holds_through_the_test(opened, data):
    sheet = opened(data)
    sheet.page.fill("#loop-from", "1.0")
    sheet.page.fill("#loop-to", "1.3")
    sheet.page.press("#loop-to", "Enter")
    start(sheet)
    for key in "12xfx2":
        press(sheet, key)
        sheet.page.wait_for_timeout(130)
        assert 0.99 <= sheet.state("playhead") <= 1.31
    assert sheet.state("loop") == {"from": 1.0, "to": 1.3}


def saved(sheet):
    with sheet.page.expect_download() as download:
        sheet.page.click("#blind-save")
    path = download.value.path()
    return download.value.suggested_filename, json.loads(path.read_text(encoding="utf-8"))


def test_the_saved_file_holds_what_happened(opened, data):
    for sound in data["sounds"]:
        sound["fingerprint"] = fingerprint(sound["flac_base64"])
    for pair in data["pairs"]:
        pair.update(judgement("subtle", 1.9))
    sheet = opened(data, coins("abbab"))
    sheet.page.locator("input[name=passage]").nth(2).check()
    sheet.page.select_option("#blind-a", "2")
    sheet.page.fill("#blind-trim", "0.3")
    start(sheet, 5)
    press(sheet, "12xx")
    sheet.page.wait_for_timeout(600)
    press(sheet, "fxs1xs20xfxs")
    assert sheet.page.inner_text("#blind-right") == "5 of 5 right"
    said = sheet.page.inner_text("#blind-means")
    assert "in 3.1 % of such tests" in said
    assert "a subtle difference, score 1.9. Your ears agree with it." in said
    name, file = saved(sheet)
    assert name == "heard.boost_first.split.solo.json"
    trials = file.pop("trials")
    date = datetime.fromisoformat(file.pop("date"))
    assert timedelta(0) <= datetime.now(UTC) - date < timedelta(minutes=5)
    prints = {s["order"]: s["fingerprint"] for s in data["sounds"] if s["passage"] == "solo"}
    assert re.fullmatch("[0-9a-f]{16}", prints["split"])
    assert file == {
        "simchain": "0.1.0",
        "heard": 1,
        "board": "Train board",
        "a": "boost_first",
        "b": "split",
        "passage": "solo",
        "amp": "crunch",
        "trim_by_ear_db": 0.3,
        "planned": 5,
        "right": 5,
        "of": 5,
        "probability": 0.03125,
        "fingerprints": {"a": prints["boost_first"], "b": prints["split"]},
        "predicted": {"verdict": "subtle", "score": 1.9},
    }
    assert [(trial["x"], trial["answer"]) for trial in trials] == [(c, c) for c in "abbab"]
    assert [trial["plays"] for trial in trials] == [
        {"a": 1, "b": 1, "x": 2}, {"a": 0, "b": 0, "x": 1}, {"a": 1, "b": 0, "x": 1},
        {"a": 0, "b": 1, "x": 2}, {"a": 0, "b": 0, "x": 1},
    ]  # fmt: skip
    assert 0.6 <= trials[0]["seconds"] < 60.0
    assert all(0.0 <= trial["seconds"] < 60.0 for trial in trials)
    assert [address for address in sheet.asked if address.startswith("blob:")] == sheet.asked[1:]
    del sheet.asked[1:]


def test_stopping_early_is_said_and_kept(opened, data):
    data["amps"] = []
    for part in (*data["sounds"], *data["pairs"]):
        part["amp"] = None
    sheet = opened(data, coins("a"))
    start(sheet)
    press(sheet, "xfxfxsx")
    sheet.page.click("#blind-stop")
    assert sheet.page.inner_text("#blind-right") == "2 of 3 right"
    said = sheet.page.inner_text("#blind-means")
    assert "Stopped early, after 3 of 16 trials" in said
    assert "says less than its percentage" in said
    assert "so few trials show nothing" in said
    assert sheet.page.locator("#blind-record .out-of-sight").all_inner_texts() == [
        "X was A, you said A: right", "X was A, you said A: right", "X was A, you said B: wrong",
    ]  # fmt: skip
    _, file = saved(sheet)
    assert (file["planned"], file["of"], file["right"]) == (16, 3, 2)
    assert (file["amp"], file["predicted"]) == (None, None)
    assert file["probability"] == 0.5
    del sheet.asked[1:]


def test_by_keyboard_alone(opened, data):
    sheet = opened(data, coins("a"))

    def tab_to(selector):
        for _ in range(80):
            sheet.page.keyboard.press("Tab")
            if sheet.page.evaluate(f"document.activeElement.matches('{selector}')"):
                return
        raise AssertionError(f"{selector} is not reached by keyboard")

    tab_to("#blind-b")
    sheet.page.keyboard.press("ArrowDown")
    tab_to("#blind-trials")
    sheet.page.keyboard.press("Control+a")
    sheet.page.keyboard.type("5")
    tab_to("#blind-trim")
    sheet.page.keyboard.press("ArrowRight")
    tab_to("#blind-setup [type=submit]")
    sheet.page.keyboard.press("Enter")
    assert sheet.page.evaluate("document.activeElement.dataset.hear") == "a"
    for n in range(5):
        assert sheet.page.inner_text("#blind-count") == f"Trial {n + 1} of 5"
        if n:
            press(sheet, "12xf")
            continue
        sheet.page.keyboard.press("Enter")  # by the buttons themselves, the first time
        tab_to("[data-hear=x]")
        press(sheet, "0")
        tab_to("[data-answer=a]")
        sheet.page.keyboard.press("Enter")
    assert sheet.page.evaluate("document.activeElement.id") == "blind-right"
    assert sheet.page.inner_text("#blind-right") == "5 of 5 right"
    tab_to("#blind-save")
    with sheet.page.expect_download() as download:
        sheet.page.keyboard.press("Enter")
    file = json.loads(download.value.path().read_text(encoding="utf-8"))
    assert (file["b"], file["trim_by_ear_db"]) == ("boost_first", 0.1)
    tab_to("#blind-again")
    sheet.page.keyboard.press("Enter")
    assert sheet.page.evaluate("document.activeElement.id") == "blind-a"
    del sheet.asked[1:]


def test_keys_act_within_the_test_when_they_are_off_elsewhere(opened, data):
    sheet = opened(data)
    sheet.page.uncheck("#keys")
    start(sheet)
    press(sheet, "x")
    sheet.page.locator("#volume").focus()
    sheet.page.keyboard.press("f")
    assert sheet.page.inner_text("#blind-count") == "Trial 1 of 16"
    sheet.page.locator("[data-hear=x]").focus()
    sheet.page.keyboard.press("f")
    assert sheet.page.inner_text("#blind-count") == "Trial 2 of 16"


@pytest.mark.parametrize(
    ("selector", "value", "words"),
    [
        ("#blind-b", "0", "Choose two different orders."),
        ("#blind-trials", "4", "Choose 5 to 100 trials."),
        ("#blind-trials", "101", "Choose 5 to 100 trials."),
        ("#blind-trials", "7.5", "Choose 5 to 100 trials."),
        ("#blind-trials", "", "Choose 5 to 100 trials."),
    ],
)
def test_a_test_that_makes_no_sense_does_not_begin(opened, data, selector, value, words):
    sheet = opened(data)
    if selector == "#blind-b":
        sheet.page.select_option(selector, value)
    else:
        sheet.page.fill(selector, value)
    sheet.page.click("#blind-setup [type=submit]")
    assert sheet.page.inner_text("#blind-says") == words
    assert sheet.page.is_visible("#blind-setup")
    assert sheet.state("order") == "series"


def test_one_order_cannot_be_tested(opened, data):
    data["orders"] = data["orders"][:1]
    data["sounds"] = [s for s in data["sounds"] if s["order"] == "series"]
    data["pairs"] = []
    assert 'id="blind"' not in audition_page(data)
    sheet = opened(data)
    sheet.play()
    sheet.page.locator("input[name=passage]").nth(1).check()
    assert sheet.page.inner_text("#now") == "Playing A series, riff"


@pytest.mark.parametrize("width", [380, 1280])
def test_it_fits_and_has_names_in_every_part(opened, data, width):
    sheet = opened(data, coins("ab"), viewport={"width": width, "height": 900})
    for act in (lambda: None, lambda: start(sheet, 100), lambda: press(sheet, "xfxf")):
        act()
        assert sheet.page.evaluate("document.documentElement.scrollWidth") == width
        assert sheet.page.evaluate(NAMELESS) == []
    sheet.page.click("#blind-stop")
    assert sheet.page.evaluate("document.documentElement.scrollWidth") == width
    boxes = sheet.page.evaluate(
        "() => [...document.querySelectorAll('#blind > div > *')].map((one) =>"
        " one.getBoundingClientRect()).filter((box) => box.height > 1)"
        ".map((box) => [box.top, box.bottom])"
    )
    for (_, bottom), (top, _) in itertools.pairwise(boxes):
        assert bottom <= top + 1
