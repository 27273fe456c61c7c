"""The page of a search in a browser: the filter, the player, themes, narrow screens, keys."""

from pathlib import Path

import pytest

from simchain.board import Order
from simchain.report.search_document import search_document
from simchain.report.search_page import audition_orders, search_page
from simchain.report.wording import letter
from tests.axe import violations
from tests.report.conftest import Opened
from tests.report.search_found import found, two_orders
from tests.report.test_browser import NAMELESS
from tests.report.test_search_page import data_of

pytestmark = pytest.mark.browser

# Every piece of text that is seen, with the contrast of its colour to what lies behind it.
CONTRAST = """
() => {
  const context = document.createElement('canvas').getContext('2d', { willReadFrequently: true });
  const light = (colour) => {
    context.fillStyle = colour;
    context.fillRect(0, 0, 1, 1);
    const [r, g, b] = [...context.getImageData(0, 0, 1, 1).data].map((part) => {
      const c = part / 255;
      return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
    });
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const behind = (element) => {
    for (let at = element; at; at = at.parentElement) {
      if (at.matches('.shares g')) return getComputedStyle(at.querySelector('rect')).fill;
      const { backgroundColor } = getComputedStyle(at);
      if (backgroundColor !== 'rgba(0, 0, 0, 0)') return backgroundColor;
    }
    return 'white';
  };
  return [...document.querySelectorAll('main *, header *')]
    .filter((one) => [...one.childNodes].some((node) => node.nodeType === 3 && node.data.trim()))
    .filter((one) => one.checkVisibility() && !one.matches(':disabled, script, title, option'))
    .map((one) => {
      const { color, fill } = getComputedStyle(one);
      const [low, high] = [light(one.matches('svg *') ? fill : color), light(behind(one))]
        .sort((a, b) => a - b);
      return [one.textContent.trim().slice(0, 30), (high + 0.05) / (low + 0.05)];
    });
}
"""


@pytest.fixture
def searched(chromium, tmp_path, monkeypatch):
    """Open the page of a search; at the end, nothing must have been said or fetched."""
    pages: list[Opened] = []

    def open_page(result=None, heard: int = 0, **context):
        result = result or found()
        data = data_of(monkeypatch, audition_orders(result, heard)) if heard else None
        file = Path(tmp_path) / f"search-{len(pages)}.html"
        document = search_document(result, members=True)
        file.write_text(search_page(document, data), encoding="utf-8")
        pages.append(Opened(chromium, file, **context))
        return pages[-1]

    yield open_page
    for page in pages:
        page.context.close()
        assert page.said == []
        assert [address.rsplit("/", 1)[0] for address in page.asked] == [tmp_path.as_uri()]


def wish(sheet: Opened, row: int, block: str, at: str) -> None:
    line = sheet.page.locator(".wish").nth(row)
    line.locator("[data-part=block]").select_option(label=block)
    line.locator("[data-part=at]").select_option(label=at)


def groups_where(suits) -> list[tuple[int, int]]:
    """Return the group's number and how many orders of it suit, those ranked best first."""
    places = {ranked.order: place for place, ranked in enumerate(found().ranking)}
    hits = []
    for number, group in enumerate(found().groups):
        suiting = [order for order in group.members if suits(order)]
        if suiting:
            best = min(places.get(order, 10**9) for order in suiting)
            hits.append((best, number, len(suiting)))
    return [(number, count) for _, number, count in sorted(hits)]


@pytest.mark.parametrize(
    ("block", "at", "suits"),
    [
        ("repeat", "last", lambda order: order.blocks[-1] == "repeat"),
        ("room", "in the loop", lambda order: "room" in order.loop),
        ("room", "in front of the amplifier", lambda order: "room" in order.front),
        ("press", "2nd", lambda order: order.blocks[1] == "press"),
        ("tuner", "first", lambda order: order.blocks[0] == "tuner"),
        ("sweep", "before wobble", lambda o: o.blocks.index("sweep") < o.blocks.index("wobble")),
        ("sweep", "after room", lambda o: o.blocks.index("sweep") > o.blocks.index("room")),
    ],
)
def test_the_orders_that_have_a_block_there(searched, block, at, suits):
    sheet = searched()
    assert sheet.page.locator("#hits li").count() == 0
    wish(sheet, 0, block, at)
    hits = groups_where(suits)
    total = sum(count for _, count in hits)
    expected = f"{total:,} of 10,080 orders, in {len(hits)} groups:"
    assert sheet.page.inner_text("#wish-says") == expected
    assert sheet.page.locator("#hits li").count() == min(10, len(hits))
    letters = sheet.page.locator("#hits .mark").all_inner_texts()
    assert letters == [letter(number) for number, _ in hits[:10]]
    told = sheet.page.locator("#hits .note").first.inner_text()
    assert told.endswith(f"best of {hits[0][1]:,} in its group")
    if len(hits) > 10:
        sheet.page.click("#hits-more")
        assert sheet.page.locator("#hits li").count() == min(30, len(hits))


def test_wishes_add_up_and_start_again(searched):
    sheet = searched()
    wish(sheet, 0, "repeat", "last")
    sheet.page.click("#wish-more")
    wish(sheet, 1, "room", "in the loop")

    def suits(order: Order) -> bool:
        return order.blocks[-1] == "repeat" and "room" in order.loop

    hits = groups_where(suits)
    total = sum(count for _, count in hits)
    assert sheet.page.inner_text("#wish-says").startswith(f"{total:,} of 10,080 orders")
    chosen = sheet.page.locator("#hits li").first.locator(".chosen").all_inner_texts()
    assert chosen == ["room", "repeat"]
    wish(sheet, 1, "room", "first")
    assert sheet.page.inner_text("#wish-says") == "None of the orders stands so."
    sheet.page.click("button[type=reset]")
    sheet.until("document.getElementById('wish-says').textContent.startsWith('Choose')")
    assert sheet.page.locator("#hits li").count() == 0
    assert sheet.page.locator(".wish:visible").count() == 1


def test_the_wishes_by_keyboard_alone(searched):
    sheet = searched()
    sheet.page.locator(".wish select").first.focus()
    sheet.page.keyboard.type("room")
    sheet.page.keyboard.press("Tab")
    sheet.page.keyboard.type("last")
    assert " orders, in " in sheet.page.inner_text("#wish-says")
    sheet.page.keyboard.press("Tab")
    sheet.page.keyboard.press("Enter")
    assert sheet.page.locator(".wish:visible").count() == 2
    assert sheet.page.evaluate("document.activeElement.dataset.part") == "block"


def test_the_representatives_play_and_switch(searched):
    sheet = searched(heard=3)
    sheet.play()
    assert sheet.page.inner_text("#now") == "Playing A place 1, verse"
    sheet.page.click("#lines button.letter[data-order='2']")
    assert sheet.page.inner_text("#now").startswith("Playing C place ")
    assert sheet.page.get_attribute("#lines li[data-order='2']", "class").endswith("heard")
    sheet.page.keyboard.press("2")
    assert sheet.page.inner_text("#now").startswith("Playing B place ")
    assert sheet.state("decoded") == 3
    assert sheet.page.locator("#letters button:visible").count() == 3
    before = sheet.state("playhead")
    sheet.until(f"window.simchain.playhead > {before} + 0.1")
    assert sheet.page.locator("#lines li").count() == 10
    assert sheet.page.locator("#lines button").count() == 3


def test_a_group_that_was_looked_for_is_heard_by_its_letter(searched):
    sheet = searched(heard=3)
    wish(sheet, 0, "tuner", "first")
    buttons = sheet.page.locator("#hits button.short")
    assert buttons.all_inner_texts() == ["A", "B", "C"]
    buttons.nth(1).click()
    assert sheet.page.inner_text("#now").startswith("Chosen: B place ")
    assert buttons.nth(1).get_attribute("aria-pressed") == "true"
    assert buttons.nth(0).get_attribute("aria-pressed") == "false"
    wish(sheet, 0, "tuner", "before room")
    assert buttons.nth(1).get_attribute("aria-pressed") == "true"


def test_keys_of_the_player_leave_the_wishes_alone(searched):
    sheet = searched(heard=2)
    sheet.page.locator(".wish select").first.focus()
    sheet.page.keyboard.press("2")
    assert sheet.page.inner_text("#now") == "Chosen: A place 1, verse"


@pytest.mark.parametrize("width", [380, 768, 1440])
@pytest.mark.parametrize("heard", [0, 2])
def test_nothing_sticks_out_sideways(searched, width, heard):
    sheet = searched(heard=heard, viewport={"width": width, "height": 800})
    wish(sheet, 0, "repeat", "last")
    for summary in sheet.page.locator("summary").all():
        summary.click()
    assert sheet.page.evaluate("document.documentElement.scrollWidth") == width


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_all_text_has_a_contrast_of_4_5_to_1(searched, scheme):
    """WCAG 2.1, criterion 1.4.3, relative luminance as defined there."""
    sheet = searched(heard=2, color_scheme=scheme)
    wish(sheet, 0, "repeat", "last")
    for summary in sheet.page.locator("summary").all():
        summary.click()
    ratios = sheet.page.evaluate(CONTRAST)
    text, least = min(ratios, key=lambda one: one[1])
    print(f"{scheme}: least contrast {least:.2f} ({text}), of {len(ratios)}")
    assert len(ratios) > 300
    assert least >= 4.5


def test_every_control_has_a_name(searched):
    sheet = searched(heard=2)
    wish(sheet, 0, "repeat", "last")
    sheet.page.click("#wish-more")
    assert sheet.page.evaluate(NAMELESS) == []
    assert sheet.page.get_by_role("img").first.get_attribute("aria-labelledby") == "shares-says"


def test_a_small_search_without_loop_or_sounds(searched):
    sheet = searched(two_orders())
    places = sheet.page.locator(".wish [data-part=at]").first.locator("option").all_inner_texts()
    assert "in the loop" not in places
    wish(sheet, 0, "push", "first")
    assert sheet.page.inner_text("#wish-says") == "1 of 2 orders, in 1 group:"
    assert "place 2" in sheet.page.locator("#hits .note").inner_text()


def test_it_prints_without_a_bar_that_sticks(searched):
    sheet = searched(heard=2)
    sheet.page.emulate_media(media="print")
    position = "getComputedStyle(document.querySelector('.playing')).position"
    assert sheet.page.evaluate(position) == "static"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_rule_of_axe_is_broken(searched, scheme: str) -> None:
    sheet = searched(heard=2, color_scheme=scheme)
    assert violations(sheet.page) == []
