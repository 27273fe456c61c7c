"""Search, levels and blind test from the page, in Chromium, against what the library finds."""

import json
from pathlib import Path
from typing import Any

import pytest

from simchain import load_board
from simchain.bench import job_kinds
from simchain.bench.jobs import Job
from simchain.decide.search import search
from simchain.decide.set_levels import set_levels
from simchain.patch.cables import Patching
from simchain.report.search_document import search_document
from simchain.report.search_words import best_of_groups, counts_sentence
from tests.axe import violations

pytestmark = pytest.mark.browser

# Six orders: the loop holds nothing or the reverb alone.
RULES = """
[rules]
first = ["press"]
last = ["room"]
[goals]
headroom = 1
"""
ENDED = (
    "document.querySelector('#job-going').hidden && document.querySelector('#job-says').textContent"
)
TRIES = """<!DOCTYPE html><title>trying</title><script>
  const tried = (deed) => deed.then(() => 'let in', (error) => error.name);
  const token = () => new Promise((done) => done(window.opener.document.title));
  const kept = () => new Promise((done) => done(localStorage.length));
  const change = { method: 'POST', headers: { 'Bench-Token': 'the-token-of-this-start',
    'Content-Type': 'application/json' }, body: '{"revision": 0}' };
  const all = [fetch('/board'), fetch('/undo', change), token(), kept()];
  Promise.all(all.map(tried)).then((each) => {
    document.title = [self.origin, ...each].join(' ');
  });
</script>"""


@pytest.fixture
def board(board: Path) -> Path:
    """The bench's board, with few orders and a target."""
    text = board.read_text().replace('on = ["press"]', 'on = ["press"]\ntarget_lufs = -20')
    board.write_text(text + RULES)
    return board


def do(sheet: Any, kind: str) -> None:
    sheet.page.click(f'[data-job="{kind}"]')


def until_ended(sheet: Any, says: str) -> None:
    sheet.until(ENDED)
    assert sheet.page.inner_text("#job-says") == says


def test_a_search_is_told_and_one_of_its_orders_laid_on_the_desk(opened: Any, board: Path) -> None:
    sheet = opened()
    page = sheet.page
    page.select_option("#job-how", "coarse")
    page.select_option("#job-in", "riff")
    do(sheet, "search")
    until_ended(sheet, "The search is done.")
    document = search_document(search(load_board(board), passages=["riff"], full=False))
    best = best_of_groups(document)
    assert len(best) > 2
    assert page.inner_text("#job-result .fact >> nth=0") == counts_sentence(document)
    shown = page.locator(".found").evaluate_all(
        "lines => lines.map((line) => [line.querySelector('.place-no').textContent, "
        "...[...line.querySelectorAll('.block')].map((word) => word.textContent)])"
    )
    wanted = [
        [str(each.place), *each.ranked["order"]["front"], *each.ranked["order"]["loop"]]
        for each in best
    ]
    assert shown == wanted
    sheet.until("!document.querySelector('.waiting')")
    assert violations(page) == []
    named = [(order["front"], order["loop"]) for order in sheet.state("orders")]
    new = next(
        each
        for each in best
        if (each.ranked["order"]["front"], each.ranked["order"]["loop"]) not in named
    )
    page.click(f'.found [data-place="{new.place}"]')
    sheet.until_revision(1)
    sheet.until("window.simchainBench.order === 'found'")
    assert sheet.order("found") == (new.ranked["order"]["front"], new.ranked["order"]["loop"])
    assert page.inner_text(f'.found [data-place="{new.place}"]') == "hear it: C"
    assert page.evaluate("document.activeElement.dataset.place") == str(new.place)
    page.click("#undo")
    sheet.until_revision(2)
    assert [order["name"] for order in sheet.state("orders")] == ["series", "split"]
    assert page.inner_text(f'.found [data-place="{new.place}"]') == "lay on the desk"
    with sheet.context.expect_page() as report:
        page.click(".job-page")
    assert report.value.inner_text("#counts") == counts_sentence(document)


def test_a_search_is_stopped_and_the_board_is_as_it_was(
    opened: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    tells = Job.progress

    def tells_and_waits(job: Job, done: int, total: int, what: str) -> None:
        tells(job, done, total, what)
        assert done >= total or job.stop.wait(30)  # the page asks less often than a search tells

    monkeypatch.setattr(Job, "progress", tells_and_waits)
    sheet = opened()
    do(sheet, "search")
    sheet.until("Number(document.querySelector('#job-progress').value) > 0")
    assert sheet.page.get_attribute('[data-job="levels"]', "aria-disabled") == "true"
    assert "The search: " in sheet.page.inner_text("#job-says")
    sheet.page.focus("#job-stop")
    sheet.page.keyboard.press("Enter")
    until_ended(sheet, "The search was stopped.")
    assert sheet.page.inner_text("#job-result") == ""
    assert sheet.page.evaluate("document.activeElement.id") == "job-result"
    assert sheet.state("revision") == 0
    assert sheet.page.get_attribute('[data-job="levels"]', "aria-disabled") == "false"


def test_a_page_that_goes_stops_its_work(opened: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    jobs: list[Job] = []

    def waits(job: Job) -> dict[str, Any]:
        jobs.append(job)
        assert job.stop.wait(20)
        return {"facts": [], "notes": []}

    monkeypatch.setitem(job_kinds.KINDS, "search", lambda *_: ("The search", waits))
    sheet = opened()
    do(sheet, "search")
    sheet.until("!document.querySelector('#job-going').hidden")
    sheet.page.goto("about:blank")
    assert jobs[0].stop.wait(5)


def test_levels_are_taken_and_taken_back(opened: Any, board: Path) -> None:
    sheet = opened()
    page = sheet.page
    before = load_board(board)
    do(sheet, "levels")
    until_ended(sheet, "The setting of levels is done.")
    found = set_levels(before, "series")
    assert found.changes
    rows = page.locator("#job-result tbody tr").evaluate_all(
        "rows => rows.map((row) => [...row.cells].map((cell) => cell.textContent))"
    )
    turned = [
        [
            f"{block}, {name.removesuffix('_db')}",
            *(f"{each:g} dB".replace("-", "−") for each in (found.before[block][name], value)),
        ]
        for block, controls in found.settings.items()
        for name, value in controls.items()
    ]
    assert rows[: len(turned)] == turned
    reached = {name: f"{level.reached_lufs:.1f}" for name, level in found.passages.items()}
    assert {row[0]: row[-1] for row in rows[len(turned) :]} == reached
    assert next(row for row in rows if row[0] == "verse")[:2] == ["verse", "-20.0 LUFS"]
    page.click("#job-result button")
    sheet.until_revision(1)
    sheet.until("document.querySelector('#against').value === '*before'")
    sheet.until("document.querySelector('#does').textContent.includes('than before')")
    page.wait_for_timeout(500)
    # One order with other settings is not two orders: nothing is asked, and nothing refused.
    assert [address for address in sheet.asked if "a_front" in address] == []
    assert page.inner_text("#told-seeing") == ""
    page.click("#save")
    sheet.until("document.querySelector('#file').textContent.includes(', saved')")
    assert load_board(board).model_dump(exclude={"folder"}) == found.board.model_dump(
        exclude={"folder"}
    )
    page.click("#undo")
    sheet.until_revision(2)
    page.click("#save")
    sheet.until("document.querySelector('#file').textContent.includes(', saved')")
    assert load_board(board) == before
    page.click("#job-result button")
    assert "changed since" in page.inner_text("#told-job")
    assert sheet.state("revision") == 2


def test_a_patch_plan_is_made_and_can_be_printed(opened: Any, board: Path) -> None:
    sheet = opened()
    do(sheet, "plan")
    until_ended(sheet, "The patch plan is done.")
    with sheet.context.expect_page() as report:
        sheet.page.click(".job-page")
    plan = report.value
    rows = plan.locator("table >> nth=0").inner_text()
    for cable in Patching(load_board(board)).cables(load_board(board).order("series")):
        assert cable.leaves.jack.partition(".")[0] in rows
    assert plan.pdf().startswith(b"%PDF")


def test_a_blind_test_is_made_and_works(opened: Any) -> None:
    sheet = opened()
    page = sheet.page
    page.uncheck('#job-orders [value="split"]')
    do(sheet, "blind")
    sheet.until("document.querySelector('#told-job').textContent")
    assert "two orders or more" in page.inner_text("#told-job")
    page.check('#job-orders [value="split"]')
    page.select_option("#job-in", "riff")
    do(sheet, "blind")
    until_ended(sheet, "The blind test is done.")
    assert page.inner_text("#told-job") == ""
    said: list[str] = []
    sheet.context.on("console", lambda message: said.append(message.text))
    sheet.context.on("weberror", lambda error: said.append(str(error.error)))
    with sheet.context.expect_page() as report:
        page.click(".job-page")
    test = report.value
    assert test.url.endswith("#blind-head")
    test.click("#blind-setup [type=submit]")
    test.wait_for_selector("#blind-trial:not([hidden])")
    assert test.inner_text("#blind-count").startswith("Trial 1 of 16")
    test.click("[data-hear=x]")
    test.wait_for_selector("#now:text('Playing')")
    test.click("[data-answer=a]")
    test.click("#blind-stop")
    with test.expect_download() as download:
        test.click("#blind-save")
    saved = json.loads(download.value.path().read_text(encoding="utf-8"))
    assert (saved["a"], saved["b"]) == ("series", "split")
    test.reload()
    assert test.is_visible("#blind-setup")
    assert said == []


def test_the_script_of_a_report_page_reaches_nothing_of_the_bench(
    opened: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Were a page made of a stranger's board to hold a script of theirs, it would be shut in."""

    def writes(job: Job) -> dict[str, Any]:
        job.page = job.folder / "page.html"
        job.page.write_text(TRIES)
        return {"facts": [], "notes": [], "page": {"at": f"/job/{job.key}/page", "words": "open"}}

    monkeypatch.setitem(job_kinds.KINDS, "compare", lambda *_: ("The comparison", writes))
    sheet = opened()
    do(sheet, "compare")
    until_ended(sheet, "The comparison is done.")
    with sheet.context.expect_page() as report:
        sheet.page.click(".job-page")
    report.value.wait_for_load_state()
    for _ in range(100):
        if report.value.title() != "trying":
            break
        report.value.wait_for_timeout(20)
    assert report.value.title() == "null TypeError TypeError TypeError SecurityError"
    assert sheet.client.get("/board").json()["revision"] == 0


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_rule_of_axe_is_broken_under_way_and_at_the_end(
    opened: Any, scheme: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def waits(job: Job) -> dict[str, Any]:
        job.progress(3, 12, "in the middle")
        job.stop.wait(20)
        return {
            "facts": ["It is so."],
            "notes": ["There is more to say."],
            "page": {"at": "/", "words": "open the page"},
            "orders": [{"place": 4, "front": ["push"], "loop": ["room"], "says": "alone"}],
            "tables": [{"caption": "Both", "heads": ["name", "is"], "rows": [["riff", "loud"]]}],
            "changes": [{"path": ["blocks", "grit", "gain_db"], "value": 3}],
            "order": "series",
        }

    monkeypatch.setitem(job_kinds.KINDS, "search", lambda *_: ("The search", waits))
    sheet = opened(color_scheme=scheme, viewport={"width": 380, "height": 900})
    do(sheet, "search")
    sheet.until("document.querySelector('#job-left').textContent === '3 of 12'")
    sheet.until("!document.querySelector('.waiting')")
    assert violations(sheet.page) == []
    sheet.page.click("#job-stop")
    until_ended(sheet, "The search is done.")
    assert violations(sheet.page) == []
    assert sheet.page.evaluate("document.documentElement.scrollWidth") <= 380
