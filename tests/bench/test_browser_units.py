"""A unit's settings found from the page: recordings brought, settings taken and taken back."""

from pathlib import Path
from typing import Any

import pytest
import soundfile

from simchain import load_board
from simchain.fit.received import given_volts
from simchain.fit.sent import sent
from tests.axe import violations
from tests.bench.test_browser_jobs import do, until_ended
from tests.fit.hidden import boost
from tests.fit.recorder import Interface

pytestmark = pytest.mark.browser

HIDDEN = {"gain_db": 9.0, "low_cut_hz": 90.0, "high_cut_hz": 6000.0, "level_db": 0.0}
UNIT = '\n[blocks.lifter]\nkind = "boost"      # the old one\n'


@pytest.fixture
def board(board: Path) -> Path:
    """The bench's board with a boost on it, and recordings elsewhere."""
    board.write_text(board.read_text() + UNIT)
    (board.parent / "takes").mkdir()
    interface = Interface(full_scale_volts=7.0)
    for name, volts in (("loop", given_volts()), ("unit", boost.play(given_volts(), HIDDEN))):
        file = board.parent / "takes" / f"{name}.wav"
        interface.record(file, volts, begins_s=0.4, seed=len(name))
    return board


def test_settings_of_a_unit_are_found_and_taken(opened: Any, board: Path) -> None:
    sheet = opened()
    page = sheet.page
    page.select_option("#unit-block", "lifter")
    do(sheet, "fit")
    sheet.until("document.querySelector('#told-job').textContent.includes('choose the recording')")
    page.set_input_files("#unit-loopback", board.parent / "takes" / "loop.wav")
    page.set_input_files("#unit-recording", board.parent / "takes" / "unit.wav")
    do(sheet, "fit")
    until_ended(sheet, "The search for settings is done.")
    assert "no difference expected" in page.inner_text("#job-result .fact >> nth=0")
    rows = page.locator("#job-result tbody tr").evaluate_all(
        "rows => rows.map((row) => [...row.children].map((cell) => cell.textContent))"
    )
    found = {row[0]: float(row[2].split()[0]) for row in rows}
    print(found)
    assert found["gain db"] == pytest.approx(HIDDEN["gain_db"], abs=0.3)
    assert found["high cut hz"] == pytest.approx(HIDDEN["high_cut_hz"], rel=0.05)
    assert violations(page) == []
    page.click("text=take these settings")
    sheet.until_revision(1)
    page.click("#save")
    sheet.until("document.querySelector('#save').ariaDisabled === 'true'")
    written = board.read_text()
    assert "# the old one" in written
    assert load_board(board).blocks["lifter"].gain_db == pytest.approx(found["gain db"])
    page.click("#undo")
    sheet.until_revision(2)
    assert (board.parent / "unit.wav").is_file()


def test_the_tones_are_there_to_be_kept(opened: Any, tmp_path: Path) -> None:
    sheet = opened()
    with sheet.page.expect_download() as download:
        sheet.page.click('a[href="/tones.wav"]')
    download.value.save_as(tmp_path / "tones.wav")
    samples, _ = soundfile.read(tmp_path / "tones.wav")
    assert abs(samples - sent().line).max() < 2.0**-22
