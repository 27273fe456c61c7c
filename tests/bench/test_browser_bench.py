"""The bench in a browser: words are moved, heard, seen and saved, by pointer, touch and keys."""

import base64
import random
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from simchain import load_board, render
from tests.bench.conftest import BOARD, BenchSheet
from tests.report import test_browser
from tests.report.test_player import LEAD, OFFLINE, RATE, VOLUME

pytestmark = pytest.mark.browser

FADE = round(0.012 * RATE)
# A part begins a little ahead of the playhead, and the whole after the part has faded in.
SETTLED = round(0.08 * RATE) + 4 * FADE
LARGEST_PAGE = 150_000

# At each moment the tape stands still until what was done has come to its end.
RECORD = """
  async () => {
    const until = async (met) => {
      const end = performance.now() + 20000;
      while (!met()) {
        if (performance.now() > end) throw new Error('not met: ' + met);
        await new Promise((done) => setTimeout(done, 5));
      }
    };
    let fault = null;
    for (const [at, deed, met] of [%s]) {
      window.tape.standStill(at).then(async () => {
        try {
          deed();
          await until(met);
        } catch (error) {
          fault = error;
        } finally {
          window.tape.goOn();
        }
      });
    }
    const heard = await window.tape.context.startRendering();
    if (fault) throw fault;
    const bytes = new Uint8Array(heard.getChannelData(0).slice().buffer);
    let text = '';
    for (let at = 0; at < bytes.length; at += 8192) {
      text += String.fromCharCode(...bytes.subarray(at, at + 8192));
    }
    return btoa(text);
  }
"""

SMALL = """
  () => [...document.querySelectorAll('button, select, input, summary')]
    .filter((one) => one.offsetParent && !one.matches('input[type=checkbox], input[type=radio]'))
    .filter((one) => {
      const { width, height } = one.getBoundingClientRect();
      return width < 24 || height < 24;
    })
    .map((one) => one.outerHTML)
"""


def middle(box: dict[str, float]) -> tuple[float, float]:
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def test_orders_are_lines_of_words(opened):
    sheet = opened()
    assert sheet.page.inner_text("h1") == "Slipway"
    assert sheet.page.inner_text("#file") == "board.toml, saved, 48 kHz"
    assert sheet.order("series") == (["press", "grit", "push", "room"], [])
    assert sheet.order("split") == (["press", "grit", "push"], ["room"])
    assert sheet.page.locator(".line.heard").get_attribute("data-order") == "series"
    assert sheet.page.locator(".word.off").count() == 0
    sheet.page.locator("input[name=passage]").nth(1).check()
    assert sheet.page.locator(".word.off").count() == 6
    assert sheet.page.locator(".letter .mark").all_inner_texts() == ["A", "B"]


def test_a_word_is_dragged_into_the_loop_and_the_order_becomes_the_heard_one(opened):
    sheet = opened()
    mouse = sheet.page.mouse
    mouse.move(*middle(sheet.word("split", "push").bounding_box()))
    mouse.down()
    x, y = middle(sheet.word("split", "room").bounding_box())
    mouse.move(x - 20, y + 5, steps=5)
    assert sheet.page.locator(".place.here").get_attribute("aria-label") == (
        "first, before room, in the loop"
    )
    mouse.move(x + 60, y - 3, steps=5)
    mouse.up()
    sheet.until_revision(1)
    assert sheet.order("split") == (["press", "grit"], ["room", "push"])
    assert sheet.state("order") == "split"
    assert sheet.page.locator(".place, .ghost").count() == 0
    assert sheet.aloud() == "push is now after room, last, in the loop"


def test_a_word_that_is_let_go_elsewhere_stays(opened):
    sheet = opened()
    mouse = sheet.page.mouse
    for away in ("drop", "escape"):
        mouse.move(*middle(sheet.word("series", "press").bounding_box()))
        mouse.down()
        mouse.move(500, 300, steps=4)
        if away == "drop":
            mouse.move(500, 800, steps=4)
        else:
            sheet.page.keyboard.press("Escape")
        mouse.up()
        assert sheet.page.locator(".place, .ghost").count() == 0
    assert sheet.state("revision") == 0
    assert sheet.order("series") == (["press", "grit", "push", "room"], [])


def test_a_word_is_moved_by_a_finger(opened):
    sheet = opened(viewport={"width": 380, "height": 800}, has_touch=True)
    touch = sheet.context.new_cdp_session(sheet.page)

    def send(kind: str, *points: tuple[float, float]) -> None:
        places = [{"x": x, "y": y} for x, y in points]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": places})

    x, y = middle(sheet.word("series", "grit").bounding_box())
    left = sheet.word("series", "press").bounding_box()["x"]
    send("touchStart", (x, y))
    for part in range(1, 6):
        send("touchMove", (x + (left - 5 - x) * part / 5, y + part))
    send("touchEnd")
    sheet.until_revision(1)
    assert sheet.order("series") == (["grit", "press", "push", "room"], [])


def test_a_word_is_pressed_and_then_its_place(opened):
    sheet = opened()
    sheet.word("series", "room").click()
    assert sheet.page.locator(".place").count() == 5
    sheet.page.locator('.place[data-to="loop"]').click()
    sheet.until_revision(1)
    assert sheet.order("series") == (["press", "grit", "push"], ["room"])
    sheet.word("series", "grit").click()
    sheet.word("series", "grit").click()
    assert sheet.page.locator(".place").count() == 0
    assert sheet.state("revision") == 1


def test_alt_and_arrows_carry_a_word_along_the_line_and_back(opened):
    sheet = opened()
    sheet.word("split", "push").focus()
    wanted = [(["press", "grit"], ["push", "room"]), (["press", "grit"], ["room", "push"])]
    for revision, order in enumerate(wanted, start=1):
        sheet.page.keyboard.press("Alt+ArrowRight")
        sheet.until_revision(revision)
        assert sheet.order("split") == order
        assert sheet.page.evaluate("document.activeElement.dataset.block") == "push"
    sheet.page.keyboard.press("Alt+ArrowRight")
    assert sheet.aloud() == "push is after room, last, in the loop; it goes no further"
    for revision in (3, 4, 5):
        sheet.page.keyboard.press("Alt+ArrowLeft")
        sheet.until_revision(revision)
    assert sheet.order("split") == (["press", "push", "grit"], ["room"])
    assert sheet.aloud() == "push is now after press, before grit, in front of the amplifier"


def test_keys_pick_up_carry_put_back_and_lay_down(opened):
    sheet = opened()
    keys = sheet.page.keyboard
    sheet.word("series", "press").focus()
    keys.press("ArrowRight")
    assert sheet.page.evaluate("document.activeElement.dataset.block") == "grit"
    for key in ("Enter", "End"):
        keys.press(key)
    assert sheet.aloud().startswith("alone, in the loop")
    keys.press("Escape")
    assert sheet.aloud() == "grit stays where it was"
    assert sheet.state("revision") == 0
    for key in ("Space", "ArrowLeft", "Enter"):
        keys.press(key)
    sheet.until_revision(1)
    assert sheet.order("series") == (["grit", "press", "push", "room"], [])
    assert not sheet.state("playing")
    assert sheet.page.evaluate("document.activeElement.dataset.block") == "grit"


def test_orders_are_copied_renamed_removed_and_brought_back(opened):
    sheet = opened()
    page = sheet.page
    names = lambda: [order["name"] for order in sheet.state("orders")]  # noqa: E731
    page.click(".line.heard [data-act=copy]")
    page.keyboard.type("again")
    page.keyboard.press("Enter")
    sheet.until_revision(1)
    assert set(names()) == {"series", "split", "again"}
    assert sheet.state("order") == "again"
    page.click(".line.heard [data-act=rename]")
    page.keyboard.type("split")
    page.keyboard.press("Enter")
    sheet.until("document.querySelector('.line.heard .told').textContent !== ''")
    assert "split" in page.inner_text(".line.heard .told")
    page.fill(".naming input", "third")
    page.keyboard.press("Enter")
    sheet.until_revision(2)
    assert sheet.state("order") == "third"
    page.click(".line.heard [data-act=remove]")
    sheet.until_revision(3)
    assert set(names()) == {"series", "split"}
    page.keyboard.press("Control+z")
    sheet.until_revision(4)
    assert "third" in names()
    page.keyboard.press("Control+Shift+Z")
    sheet.until_revision(5)
    assert "third" not in names()


def test_undo_says_what_it_takes_back_and_saving_keeps_comments(opened, board):
    sheet = opened()
    page = sheet.page
    assert page.get_attribute("#undo", "aria-disabled") == "true"
    sheet.word("series", "room").focus()
    page.keyboard.press("Alt+ArrowRight")
    sheet.until_revision(1)
    assert page.inner_text("#undo").startswith("Undo: room")
    assert "not saved" in page.inner_text("#file")
    page.click("#save")
    sheet.until("document.getElementById('file').textContent.includes(', saved')")
    assert "# kept" in board.read_text()
    saved = load_board(board).orders["series"]
    assert sheet.order("series") == (list(saved.front), list(saved.loop))
    page.click("#undo")
    sheet.until_revision(2)
    assert sheet.order("series") == (["press", "grit", "push", "room"], [])


@pytest.mark.parametrize("choice", ["over", "reload"])
def test_a_file_that_changed_on_disk_is_not_written_over_unasked(opened, board, choice):
    sheet = opened()
    sheet.word("series", "grit").focus()
    sheet.page.keyboard.press("Alt+ArrowLeft")
    sheet.until_revision(1)
    other = BOARD.replace("Slipway", "Other hands")
    board.write_text(other)
    sheet.page.keyboard.press("Control+s")
    sheet.until("document.querySelectorAll('#told-board button').length === 2")
    assert board.read_text() == other
    sheet.page.locator("#told-board button").nth(0 if choice == "over" else 1).click()
    if choice == "over":
        sheet.until("document.getElementById('file').textContent.includes(', saved')")
        assert load_board(board).orders["series"].front[0] == "grit"
    else:
        sheet.until("document.getElementById('title').textContent === 'Other hands'")
        assert sheet.order("series") == (["press", "grit", "push", "room"], [])


def test_a_page_that_is_behind_takes_the_board_as_it_stands(opened):
    sheet = opened()
    ahead = {"revision": 0, "order": "split", "block": "room", "to": "front", "at": 0}
    assert sheet.client.post("/move", **ahead).status == 200
    sheet.word("series", "grit").focus()
    sheet.page.keyboard.press("Alt+ArrowLeft")
    sheet.until("document.getElementById('told-order-series').textContent !== ''")
    assert "as it stands now" in sheet.page.inner_text("#told-order-series")
    assert sheet.order("split") == (["room", "press", "grit", "push"], [])
    assert sheet.order("series") == (["press", "grit", "push", "room"], [])


def record(sheet: BenchSheet, at: float, deed: str, met: str) -> np.ndarray:
    """Do something while it plays, and return what the left loudspeaker had (see OFFLINE)."""
    text = sheet.page.evaluate(RECORD % f"[{at}, () => {{ {deed} }}, () => {met}]")
    return np.frombuffer(base64.b64decode(text), dtype=np.float32).astype(np.float64)


def as_played(sheet: BenchSheet, board: Path, order: str, mode: str = "passage") -> np.ndarray:
    """Render with the library, at the gain the server tells and the page's volume."""
    facts = sheet.client.get(f"/heard?order={order}&passage=riff&amp=clean").json()
    samples = render(load_board(board), order=order, passage="riff").output.samples[0]
    return VOLUME * 10.0 ** (facts["gain_db"][mode] / 20.0) * samples


def residue_db(heard: np.ndarray, wanted: np.ndarray) -> float:
    power = np.mean((heard - wanted) ** 2) / np.mean(wanted**2)
    return float(10.0 * np.log10(max(power, 1e-30)))


def alt(key: str, order: str, block: str) -> str:
    return (
        f"document.querySelector('.line[data-order={order}] .word[data-block={block}]')"
        ".dispatchEvent(new KeyboardEvent('keydown',"
        f" {{key: '{key}', altKey: true, bubbles: true}}))"
    )


def quantum(at: float) -> int:
    """The frame at which an offline context stands still for `at`: a multiple of 128."""
    return int(np.ceil(at * RATE / 128)) * 128


def test_what_is_heard_is_the_librarys_render_before_and_after_a_move(opened, board):
    """The page's loudspeaker against the library, from one frame: the rest is float32."""
    sheet = opened(OFFLINE)
    key = sheet.state("seen")
    before = as_played(sheet, board, "series")
    moved = f"window.simchainBench.key !== null && window.simchainBench.key !== '{key}'"
    sheet.play()
    heard = record(sheet, 1.0, alt("ArrowLeft", "series", "push"), moved)
    sheet.page.click("#save")
    sheet.until("document.getElementById('file').textContent.includes(', saved')")
    after = as_played(sheet, board, "series")
    turn = quantum(1.0)
    steady = slice(FADE, turn - LEAD)
    first = residue_db(heard[LEAD:][steady], before[steady])
    later = slice(turn + SETTLED, before.size - 2 * FADE)
    second = residue_db(heard[LEAD:][later], after[later])
    apart = residue_db(before[later], after[later])
    print(f"before the move {first:.0f} dB, after it {second:.0f} dB, apart {apart:.0f} dB")
    assert first < -120.0
    assert second < -120.0
    assert apart > -40.0
    steps = np.abs(np.diff(heard[LEAD + FADE : LEAD + turn + 2 * SETTLED]))
    roughest = max(np.abs(np.diff(before)).max(), np.abs(np.diff(after)).max())
    assert steps.max() < 1.2 * roughest + np.abs(before - after).max() / FADE


def test_the_part_that_comes_first_is_the_new_sound(opened, board):
    """Nothing but the part is let through: two seconds of it, with a run-in of a second."""
    sheet = opened(OFFLINE)
    sheet.play()
    sheet.page.route("**/heard?*", lambda _: None)
    move = alt("ArrowLeft", "series", "push")
    heard = record(sheet, 0.5, move, "window.simchainBench.part")[LEAD:]
    sheet.page.unroute("**/heard?*")
    assert sheet.client.post("/save", revision=1).status == 200
    wanted = as_played(sheet, board, "series")
    begin = quantum(0.5) + SETTLED
    span = slice(begin, begin + RATE)
    gain = np.dot(heard[span], wanted[span]) / np.dot(wanted[span], wanted[span])
    rest = residue_db(heard[span] / gain, wanted[span])
    print(f"part against the whole: {rest:.0f} dB, {20 * np.log10(gain):+.2f} dB")
    assert rest < -30.0


def test_both_ways_to_listen_are_gains(opened, board):
    sheet = opened(OFFLINE)
    matched, as_is = (as_played(sheet, board, "series", mode) for mode in ("passage", "as_is"))
    choose = "document.querySelector('input[value=as_is]').click()"
    sheet.play()
    heard = record(sheet, 1.0, choose, "window.simchainBench.mode === 'as_is'")[LEAD:]
    turn = quantum(1.0)
    assert residue_db(heard[FADE : turn - LEAD], matched[FADE : turn - LEAD]) < -120.0
    later = slice(turn + 2 * FADE, 2 * RATE)
    assert residue_db(heard[later], as_is[later]) < -120.0


def test_the_other_order_goes_on_at_the_same_playhead(opened):
    sheet = opened()
    sheet.play()
    sheet.until("window.simchainBench.playhead > 0.3")
    first = sheet.state("key")
    before = sheet.state("playhead")
    sheet.page.keyboard.press("2")
    assert sheet.state("order") == "split"
    assert sheet.page.inner_text("#now") == "Playing B split, riff"
    sheet.until(f"![null, '{first}'].includes(window.simchainBench.key)")
    assert sheet.state("playing")
    assert sheet.state("playhead") != before
    assert sheet.state("decoded") == 2
    sheet.page.keyboard.press("1")
    sheet.until(f"window.simchainBench.key === '{first}'")
    assert sheet.state("decoded") == 2


def test_a_loop_is_set_by_dragging_and_by_numbers(opened):
    sheet = opened()
    sheet.page.fill("#loop-from", "0.5")
    sheet.page.fill("#loop-to", "1.0")
    sheet.page.keyboard.press("Tab")
    assert sheet.state("loop") == {"from": 0.5, "to": 1.0}
    sheet.play()
    for _ in range(20):
        sheet.page.wait_for_timeout(50)
        assert 0.5 <= sheet.state("playhead") <= 1.0
    sheet.page.click("#loop-all")
    assert sheet.state("loop") is None


def test_what_a_move_does_is_said_and_drawn(opened):
    """What meters tell comes at once, what ears are expected to a moment later."""
    sheet = opened(judged=True)
    sheet.until("document.getElementById('does-more').textContent.startsWith('verdict')")
    assert sheet.page.locator("#ribbon .stop-name").count() == 10
    sheet.page.evaluate(
        """() => {
          window.told = [];
          new MutationObserver(() => window.told.push(document.getElementById('does').textContent))
            .observe(document.getElementById('does'), { childList: true });
        }"""
    )
    sheet.word("series", "push").focus()
    sheet.page.keyboard.press("Alt+ArrowLeft")
    sheet.until("window.told.some((words) => words.includes('than before'))")
    sheet.until("document.getElementById('does-more').textContent.startsWith('verdict')")
    assert sheet.page.input_value("#against") == "*before"
    assert sheet.page.locator("#ribbon .peak-before").count() == 1
    assert sheet.page.locator(".lane").count() == 2
    assert sheet.page.locator("#tone svg").count() == 1
    sheet.page.click("#undo")
    sheet.until("window.told.filter((words) => words.includes('than before')).length > 1")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [380, 800, 1280])
def test_it_fits_reads_and_can_be_pressed(opened, scheme, width):
    sheet = opened(viewport={"width": width, "height": 900}, color_scheme=scheme)
    sheet.word("split", "grit").click()
    assert sheet.page.evaluate("document.documentElement.scrollWidth") == width
    assert sheet.page.evaluate(test_browser.NAMELESS) == []
    assert sheet.page.evaluate(SMALL) == []
    ratios = sheet.page.evaluate(test_browser.CONTRAST)
    assert min(ratios.values()) >= 4.5, ratios


def test_script_and_style_are_small(opened):
    sheet = opened()
    names = [address.rpartition("/")[2] for address in sheet.asked if "/static/" in address]
    assert len(names) == len(set(names)) > 10
    size = sum(len(sheet.client.get(f"/static/{name}").body) for name in names)
    print(f"{size} bytes")
    assert size < LARGEST_PAGE


def edits(sheet: BenchSheet, count: int, seed: int) -> None:
    """Moves, undos and redos by chance; page, server and sound stay in agreement."""
    chance = random.Random(seed)
    for _ in range(count):
        act = chance.choice(["move", "move", "move", "undo", "redo", "hear"])
        order = chance.choice(["series", "split"])
        before = sheet.state("revision")
        if act == "move":
            block = chance.choice(["press", "grit", "push", "room"])
            sheet.word(order, block).focus()
            sheet.page.keyboard.press(chance.choice(["Alt+ArrowLeft", "Alt+ArrowRight"]))
        elif act == "hear":
            sheet.page.keyboard.press("1" if order == "series" else "2")
        else:
            sheet.page.keyboard.press("Control+z" if act == "undo" else "Control+y")
        if chance.random() < 0.5:
            sheet.page.wait_for_timeout(chance.choice([0, 20, 150]))
        assert sheet.state("revision") >= before
    agree(sheet)


def agree(sheet: BenchSheet) -> None:
    sheet.until("window.simchainBench.waiting === 0")
    assert sheet.state("revision") == sheet.client.get("/board").json()["revision"]
    for order in ("series", "split"):
        sheet.order(order)
    heard = sheet.state("order")
    facts = sheet.client.get(f"/heard?order={heard}&passage=riff&amp=clean").json()
    sheet.until(f"window.simchainBench.key === '{facts['key']}'")
    sheet.until(f"window.simchainBench.seen === '{facts['key']}'")
    assert sheet.page.locator(".told:not(:empty)").count() == 0


def test_random_edits_leave_all_in_agreement(opened):
    sheet = opened(judged=True)
    sheet.play()
    edits(sheet, 40, seed=8)
    assert sheet.said == []


@pytest.mark.soak
def test_two_hundred_random_edits_leave_all_in_agreement(opened):
    sheet = opened(judged=True)
    sheet.play()
    for seed in range(10):
        edits(sheet, 20, seed)
    assert sheet.said == []


def test_the_command_serves_the_page(chromium, board):
    command = [sys.executable, "-c", "from simchain.cli import main; main()"]
    running = subprocess.Popen(
        [*command, "bench", str(board), "--no-open"], stdout=subprocess.PIPE, text=True
    )
    try:
        address = running.stdout.readline().strip()
        context = chromium.new_context()
        page = context.new_page()
        page.goto(address)
        page.locator(".word").first.wait_for()
        assert page.inner_text("h1") == "Slipway"
        context.close()
    finally:
        running.terminate()
        running.wait(20)
        running.stdout.close()
