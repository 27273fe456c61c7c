"""What the page says of a change, and where it marks that a block may stand unheard."""

import re
from typing import Any

import pytest

pytestmark = pytest.mark.browser

KNOWN = "window.simchainBench.free !== null"


def choose_verse(sheet: Any) -> None:
    """Only the compressor is on there: it may stand anywhere, but for what the guitar meets."""
    sheet.page.locator("input[name=passage]").nth(1).check()
    sheet.until(KNOWN)


def test_free_places_are_told_in_words_and_marked_in_the_line(opened: Any) -> None:
    sheet = opened(judged=True)
    choose_verse(sheet)
    moves = [each for each in sheet.state("free") if each["block"] == "press"]
    assert moves
    line = sheet.page.locator('.line[data-order="series"]')
    assert line.locator(".free-sentence").all_inner_texts()[0].startswith("press may also stand ")
    assert "No difference expected" in line.locator(".free-means").inner_text()
    assert sheet.page.locator(".free-says").count() == 1, "of the order that is heard"
    assert sheet.page.locator(".free-here").count() == 0
    sheet.word("series", "press").focus()
    assert sheet.page.locator(".free-here").count() == len(moves)
    sheet.page.keyboard.press("Enter")
    assert sheet.page.locator(".place.free").count() == len(moves)
    labels = sheet.page.locator(".place.free").evaluate_all(
        "places => places.map((place) => place.getAttribute('aria-label'))"
    )
    assert all(", no difference expected" in label for label in labels)
    sheet.page.keyboard.press("Escape")
    assert sheet.page.locator(".place").count() == 0


def test_what_is_marked_is_what_the_ear_says(opened: Any) -> None:
    """A move to a marked place is held against what was, and no difference is expected of it."""
    sheet = opened(judged=True)
    choose_verse(sheet)
    move = next(each for each in sheet.state("free") if each["block"] == "press")
    to = "front" if "press" in move["front"] else "loop"
    at = move[to].index("press")
    sheet.word("series", "press").focus()
    sheet.page.keyboard.press("Enter")
    sheet.page.locator(f'.place[data-to="{to}"][data-at="{at}"]').click()
    sheet.until_revision(1)
    assert sheet.order("series") == (move["front"], move["loop"])
    sheet.until(KNOWN)
    said = sheet.page.inner_text("#does")
    assert said.startswith(("No difference expected", "No change at all")), said


def test_the_sentence_calls_orders_by_their_letters(opened: Any) -> None:
    """B is held against A, and A against B: what is said of one is said of it both times."""
    sheet = opened()
    with sheet.page.expect_request(re.compile(r"/against\?.*b=split")) as asked:
        sheet.page.locator('.line[data-order="split"] .letter').click()
    url = asked.value.url.replace("&passage=riff&amp=clean", "")
    assert "a=series&b=split&first=A&second=B" in url


def test_a_key_leads_to_where_they_differ_most(opened: Any) -> None:
    sheet = opened(judged=True)
    sheet.until(KNOWN)
    sheet.page.locator("#lanes").focus()
    sheet.page.keyboard.press("d")
    sheet.until("document.getElementById('aloud').textContent.startsWith('Most difference at')")
    at = float(sheet.aloud().split()[-2])
    assert sheet.state("playhead") == pytest.approx(max(0.0, at - 0.8), abs=0.06)


def test_one_gain_for_an_order(opened: Any) -> None:
    """It is asked for when it is chosen, and not before: all passages are rendered for it."""
    sheet = opened()
    sheet.play()
    sheet.page.wait_for_timeout(500)
    assert not [url for url in sheet.asked if "ways=order" in url]
    sheet.page.locator("input[name=mode][value=order]").check()
    sheet.until("window.simchainBench.mode === 'order'")
    sheet.page.wait_for_timeout(500)
    assert [url for url in sheet.asked if "/heard?" in url and "ways=order" in url]
    assert sheet.state("playing")
    assert sheet.state("key") is not None
