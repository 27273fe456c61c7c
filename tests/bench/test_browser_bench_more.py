"""The chain heard up to a stop, and what is said of free places as answers come and go."""

import base64
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from simchain import load_board, render
from simchain.chain.render import signal_at
from tests.bench.test_browser_bench import FADE, RECORD, quantum, residue_db
from tests.report.test_player import LEAD, OFFLINE, RATE, VOLUME

pytestmark = pytest.mark.browser

KNOWN = "window.simchainBench.free !== null"
LOOKING = "Looking for places"
SERIES = ("press", "grit", "push", "room")


# What takes all cores for seconds is answered by the test, when it wants to.
HELD = """
  const fetchReally = window.fetch;
  window.frees = [];
  window.fetch = (path, options) => {
    if (!path.startsWith('/free?')) return fetchReally(path, options);
    return new Promise((resolve, reject) => {
      const give = (body, status) => resolve(new Response(JSON.stringify(body), { status }));
      window.frees.push({ path, give });
      options.signal.addEventListener('abort', () => reject(new DOMException('', 'AbortError')));
    });
  };
"""


class Answers:
    """What /free is answered with in place of the bench."""

    def __init__(self, sheet: Any) -> None:
        self.sheet = sheet

    def until_asked(self, count: int) -> None:
        self.sheet.until(f"window.frees.length >= {count}")

    def asked(self) -> list[str]:
        return self.sheet.page.evaluate("window.frees.map(({ path }) => path)")

    def give(self, *moves: dict[str, Any], **told: Any) -> None:
        body = {"order": "series", "passage": "riff", "sentences": [], "bound": [], "moves": moves}
        self.answer(body | told, 200)

    def answer(self, body: dict[str, Any], status: int) -> None:
        """Answer what was asked last."""
        self.sheet.page.evaluate(
            "([body, status]) => window.frees.at(-1).give(body, status)", [body, status]
        )


def move_of(block: str, front: str, loop: str = "", louder_lu: float = 0.0) -> dict[str, Any]:
    return {
        "block": block,
        "front": front.split(),
        "loop": loop.split(),
        "louder_lu": louder_lu,
        "proved": False,
    }


@pytest.fixture
def answered(opened: Any) -> tuple[Any, Answers]:
    """The bench, once it has asked for the free places."""
    sheet = opened(HELD)
    answers = Answers(sheet)
    answers.until_asked(1)
    return sheet, answers


def said_under_the_line(sheet: Any) -> str:
    return sheet.page.inner_text(".line.heard .free-says")


def test_it_is_said_in_how_many_places_a_word_may_stand_unheard(
    answered: tuple[Any, Answers],
) -> None:
    sheet, answers = answered
    assert LOOKING in said_under_the_line(sheet)
    assert "unheard" not in sheet.word("series", "push").get_attribute("aria-label")
    sheet.word("series", "push").focus()
    answers.give(
        move_of("push", "push press grit room"),
        move_of("push", "press push grit room", louder_lu=-1.2),
        move_of("room", "press grit push", "room", louder_lu=0.7),
    )
    sheet.until(KNOWN)
    words = "may stand in 2 other places unheard, 1 of them (◇) but for the level, by up to 1.2 LU"
    assert said_under_the_line(sheet) == f"push {words}."
    assert sheet.word("series", "push").get_attribute("aria-label") == f"push, on, {words}"
    assert sheet.page.locator(".free-here").count() == 2, "marked though the answer came later"
    assert sheet.page.locator(".free-here.louder").count() == 1
    sheet.word("series", "room").hover()
    words = "may stand in 1 other place unheard but for the level, by up to 0.7 LU"
    assert said_under_the_line(sheet) == f"room {words}."
    sheet.word("series", "grit").hover()
    assert said_under_the_line(sheet) == "grit may stand nowhere else unheard."
    assert sheet.page.locator(".free-here").count() == 0
    sheet.page.hover("#told-board, h1")
    assert said_under_the_line(sheet).startswith("push may"), "back to the word with the focus"


def test_rings_lie_in_the_gaps_where_the_word_would_go(answered: tuple[Any, Answers]) -> None:
    sheet, answers = answered
    answers.give(
        move_of("room", "press room grit push"), move_of("room", "press grit push", "room")
    )
    sheet.until(KNOWN)
    sheet.word("series", "room").focus()
    boxes = [ring.bounding_box() for ring in sheet.page.locator(".free-here").all()]
    middles = sorted(box["x"] + box["width"] / 2 for box in boxes)
    press, grit, push = (sheet.word("series", name).bounding_box() for name in SERIES[:3])
    assert press["x"] + press["width"] < middles[0] < grit["x"]
    assert middles[1] > push["x"] + push["width"]
    sheet.page.keyboard.press("Enter")
    sheet.page.keyboard.press("ArrowLeft")
    assert said_under_the_line(sheet).endswith("may be heard there.")
    sheet.page.keyboard.press("ArrowLeft")
    assert said_under_the_line(sheet).startswith("room: after press, before grit")
    assert said_under_the_line(sheet).endswith("no difference expected.")
    assert sheet.aloud().endswith("no difference expected")
    sheet.page.keyboard.press("Escape")


def test_of_blocks_that_only_move_together_nothing_is_said(answered: tuple[Any, Answers]) -> None:
    """Blocks of one box stand under the name of the first; the page moves single words."""
    sheet, answers = answered
    answers.give(move_of("press", "push room press grit"))
    sheet.until(KNOWN)
    for block, words in zip(SERIES, ["", "", "nowhere else", "nowhere else"], strict=True):
        label = sheet.word("series", block).get_attribute("aria-label")
        assert ("unheard" in label) is bool(words), label
        assert words in label


def test_an_answer_to_what_is_no_longer_asked_is_dropped(answered: tuple[Any, Answers]) -> None:
    sheet, answers = answered
    sheet.word("series", "push").focus()
    sheet.page.keyboard.press("Alt+ArrowLeft")
    sheet.until_revision(1)
    answers.until_asked(2)
    answers.give(move_of("room", "room press push grit"))
    sheet.until(KNOWN)
    assert [each["front"][0] for each in sheet.state("free")] == ["room"]
    sheet.page.click("#undo")
    sheet.until_revision(2)
    assert sheet.state("free") is None
    assert LOOKING in said_under_the_line(sheet)
    sheet.page.click("#redo")
    sheet.until(KNOWN)
    sheet.until("window.simchainBench.waiting === 0")
    assert sheet.state("free")[0]["block"] == "room"
    sheet.page.wait_for_timeout(600)
    assert len(answers.asked()) == 2, "what was answered once is kept"


def test_what_is_said_goes_with_the_passage_and_the_order(answered: tuple[Any, Answers]) -> None:
    sheet, answers = answered
    answers.give(bound=["press"], sentences=["room may also stand in the loop"])
    sheet.until(KNOWN)
    assert "in the loop" in said_under_the_line(sheet)
    for choose in (
        "document.querySelectorAll('input[name=passage]')[1].click()",
        "document.querySelectorAll('#lines .letter')[1].click()",
    ):
        shown = sheet.page.evaluate(
            f"() => {{ {choose}; return document.getElementById('lines').textContent; }}"
        )
        assert LOOKING in shown
        assert "may also stand" not in shown


def test_it_is_asked_again_where_another_order_changed_meanwhile(
    answered: tuple[Any, Answers],
) -> None:
    sheet, answers = answered
    change = {"revision": 0, "do": "rename", "order": "split", "name": "parted"}
    sheet.page.evaluate("asked => ask('/orders', asked, 'board')", change)
    sheet.until_revision(1)
    answers.until_asked(2)
    assert "revision=1" in answers.asked()[-1]


def test_a_refusal_leaves_nobody_waiting(answered: tuple[Any, Answers]) -> None:
    sheet, answers = answered
    answers.answer({"problems": [{"text": "no such clip"}]}, 422)
    sheet.until("document.getElementById('told-order-series').textContent === 'no such clip'")
    assert LOOKING not in sheet.page.inner_text("#lines")


def stop(sheet: Any, name: str) -> Any:
    return sheet.page.locator(f'.stop[data-stop="{name}"]')


def test_what_is_heard_up_to_a_stop_is_the_librarys_signal_there(opened: Any, board: Path) -> None:
    sheet = opened(OFFLINE + HELD)
    facts = sheet.client.get("/point?order=series&passage=riff&amp=clean&point=grit.out").json()
    volts = signal_at(render(load_board(board), order="series", passage="riff"), "grit.out").volts
    line = np.atleast_2d(volts)[0]
    wanted = VOLUME * 10.0 ** (facts["gain_db"]["passage"] / 20.0) * line / np.abs(line).max()
    sheet.play()
    press = "document.querySelector('.stop[data-stop=\"grit.out\"]').click()"
    met = f"window.simchainBench.key === '{facts['key']}'"
    text = sheet.page.evaluate(RECORD % f"[1.0, () => {{ {press} }}, () => {met}]")
    heard = np.frombuffer(base64.b64decode(text), dtype=np.float32).astype(np.float64)[LEAD:]
    later = slice(quantum(1.0) + 4 * FADE, 2 * RATE - 2 * FADE)
    residue = residue_db(heard[later], wanted[later])
    print(f"up to grit.out: {residue:.0f} dB against the library")
    assert residue < -120.0


def test_a_stop_is_pressed_by_keys_and_pressed_again_for_all_of_it(opened: Any) -> None:
    sheet = opened(HELD)
    whole = sheet.state("seen")
    assert sheet.page.locator('.stop[aria-pressed="true"]').get_attribute("data-stop") == "out"
    assert sheet.page.locator('.stop[tabindex="0"]').count() == 1
    stop(sheet, "out").focus()
    for key in ("Home", "ArrowRight", "ArrowRight"):
        sheet.page.keyboard.press(key)
    sheet.play()
    stop(sheet, "grit.out").focus()
    sheet.page.keyboard.press("Enter")
    assert sheet.state("point") == "grit.out"
    assert sheet.page.inner_text("#now") == "Playing A series, riff, up to grit.out"
    assert sheet.page.inner_text("#point-says").startswith("Hearing the chain up to grit.out")
    assert sheet.page.locator("#ribbon .unheard").count() == 1
    assert sheet.page.evaluate("document.activeElement.dataset.stop") == "grit.out"
    sheet.until(f"![null, '{whole}'].includes(window.simchainBench.key)")
    sheet.page.keyboard.press("Enter")
    assert sheet.state("point") is None
    sheet.until(f"window.simchainBench.key === '{whole}'")
    assert sheet.page.inner_text("#point-says") == ""
    assert sheet.page.locator("#ribbon .unheard").count() == 0


def test_another_order_is_heard_up_to_the_same_stop(opened: Any) -> None:
    sheet = opened(HELD)
    sheet.play()
    stop(sheet, "push.out").click()
    facts = [
        sheet.client.get(f"/point?order={order}&passage=riff&amp=clean&point=push.out").json()
        for order in ("series", "split")
    ]
    sheet.until(f"window.simchainBench.key === '{facts[0]['key']}'")
    sheet.page.keyboard.press("2")
    sheet.until(f"window.simchainBench.key === '{facts[1]['key']}'")
    assert sheet.state("point") == "push.out"


def test_a_stop_that_is_gone_gives_way_to_all_of_it(opened: Any) -> None:
    sheet = opened(HELD)
    stop(sheet, "push.out").click()
    left_out = {"path": ["orders", "series", "front"], "value": ["press", "grit", "room"]}
    change = {"changes": [left_out], "say": "push left out"}
    sheet.page.evaluate("asked => ask('/change', asked, 'board')", change)
    sheet.until("window.simchainBench.point === null")
    assert sheet.page.inner_text("#point-says") == (
        "Not on this path: push.out. Hearing all of it."
    )


def test_the_way_to_most_difference_leaves_a_loop_that_is_elsewhere(opened: Any) -> None:
    sheet = opened(HELD)
    sheet.until("document.getElementById('does-more').textContent.startsWith('verdict')")
    sheet.page.route("**/where?*", lambda route: route.fulfill(json={"at_s": 1.5}))
    for name, at in (("loop-from", "0.2"), ("loop-to", "0.6")):
        sheet.page.fill(f"#{name}", at)
    sheet.page.click("#most")
    sheet.until("document.getElementById('most-says').textContent !== ''")
    assert sheet.page.inner_text("#most-says") == "Most difference at 1.5 seconds"
    assert sheet.state("loop") is None
    assert sheet.state("playhead") == pytest.approx(0.7, abs=0.06)
