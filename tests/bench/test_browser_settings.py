"""Settings on the page: rows are filled in, posted at once, refused in words, and taken back."""

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.axe import looks, violations
from tests.bench.conftest import RATE, BenchSheet

pytestmark = pytest.mark.browser


def choose(sheet: BenchSheet, table: str) -> None:
    sheet.until("document.querySelector('#set-of').options.length > 0")
    sheet.page.select_option("#set-of", table)


def row(sheet: BenchSheet, path: str) -> Any:
    return sheet.page.locator(f'.set-row[data-path="{path}"]')


def control(sheet: BenchSheet, table: str, name: str) -> Any:
    told = sheet.client.get("/settings").json()
    found = next(each for each in told["tables"] + told["passages"] if each["table"] == table)
    return next(each for each in found["controls"] if each["name"] == name)


def test_a_typed_value_is_posted_when_confirmed_and_when_left(opened: Any) -> None:
    sheet = opened()
    choose(sheet, "blocks.grit")
    field = row(sheet, "blocks.grit.gain_db").locator("input")
    assert field.input_value() == "20"
    assert "dB" in row(sheet, "blocks.grit.gain_db").inner_text()
    assert "allowed −60 to 80" in row(sheet, "blocks.grit.gain_db").inner_text()
    field.fill("31,5")
    field.press("Enter")
    sheet.until_revision(1)
    assert control(sheet, "blocks.grit", "gain_db")["value"] == 31.5
    tone = row(sheet, "blocks.grit.tone_hz").locator("input")
    tone.fill("1800")
    tone.press("Tab")
    sheet.until_revision(2)
    assert control(sheet, "blocks.grit", "tone_hz")["value"] == 1800
    assert sheet.page.inner_text("#undo") == "Undo: grit tone_hz 1800"
    sheet.page.click("#undo")
    sheet.until_revision(3)
    sheet.until(
        "document.querySelector('.set-row[data-path=\"blocks.grit.tone_hz\"] input').value"
        " !== '1800'"
    )
    assert not control(sheet, "blocks.grit", "tone_hz")["written"]


def test_a_refused_value_is_told_beside_its_field_and_changes_nothing(opened: Any) -> None:
    sheet = opened()
    choose(sheet, "blocks.grit")
    line = row(sheet, "blocks.grit.gain_db")
    for typed, words in (("900", "allowed is -60 to 80"), ("loud", "a number in dB is wanted")):
        line.locator("input").fill(typed)
        line.locator("input").press("Enter")
        line.locator(".told", has_text=words).wait_for()
        assert "refused" in (line.get_attribute("class") or "")
        assert line.locator("input").input_value() == typed
    assert sheet.state("revision") == 0
    line.locator("input").fill("24")
    line.locator("input").press("Enter")
    sheet.until_revision(1)
    sheet.until("!document.querySelector('.set-row.refused')")
    assert line.locator(".told").inner_text() == ""


def test_starting_points_and_the_way_back_to_the_default(opened: Any) -> None:
    sheet = opened()
    choose(sheet, "blocks.grit")
    line = row(sheet, "blocks.grit.gain_db")
    for at, name in enumerate(("low", "middle", "high"), start=1):
        starts = control(sheet, "blocks.grit", "gain_db")["starts"]
        line.get_by_text(name, exact=True).click()
        sheet.until_revision(at)
        assert control(sheet, "blocks.grit", "gain_db")["value"] == starts[name]
    line.locator(".set-default").click()
    sheet.until_revision(4)
    assert not control(sheet, "blocks.grit", "gain_db")["written"]
    sheet.until("document.querySelectorAll('.set-default:not([hidden])').length === 0")


def test_what_is_on_in_a_passage_is_ticked(opened: Any) -> None:
    sheet = opened()
    choose(sheet, "passages.verse")
    ticks = row(sheet, "passages.verse.on").locator("input")
    assert [tick.is_checked() for tick in ticks.all()] == [True, False, False, False]
    ticks.nth(2).check()
    sheet.until_revision(1)
    assert control(sheet, "passages.verse", "on")["value"] == ["press", "push"]
    ticks.nth(0).uncheck()
    sheet.until_revision(2)
    assert control(sheet, "passages.verse", "on")["value"] == ["push"]
    sheet.page.locator("input[name=passage]").nth(1).check()
    sheet.until("document.querySelectorAll('.word:not(.off)').length === 2")


def test_a_passage_is_set_louder_than_another_and_otherwise(opened: Any) -> None:
    sheet = opened()
    choose(sheet, "passages.riff")
    row(sheet, "passages.riff.above.passage").locator("select").select_option("verse")
    sheet.until_revision(1)
    lu = row(sheet, "passages.riff.above.lu").locator("input")
    lu.fill("3")
    lu.press("Enter")
    sheet.until_revision(2)
    sheet.page.select_option("#set-other", label="grit: gain")
    sheet.page.click("#set-otherwise button")
    sheet.until_revision(3)
    field = row(sheet, "passages.riff.set.grit.gain_db").locator("input")
    assert field.input_value() == "20"
    field.fill("35")
    field.press("Enter")
    sheet.until_revision(4)
    told = sheet.client.get("/settings").json()["passages"][0]
    assert told["above"] == {"passage": "verse", "lu": 3.0}
    assert told["set"] == {"grit": {"gain_db": 35}}
    field.fill("")
    field.press("Enter")
    sheet.until_revision(5)
    assert sheet.client.get("/settings").json()["passages"][0]["set"] == {}


def test_a_block_is_added_renamed_and_removed(opened: Any) -> None:
    sheet = opened()
    sheet.until("document.querySelector('#set-new').options.length > 0")
    sheet.page.select_option("#set-new", "blocks equalizer")
    sheet.page.click("#set-add button")
    sheet.until_revision(1)
    assert sheet.order("series")[0] == ["press", "grit", "push", "room", "equalizer"]
    sheet.until("document.querySelector('#set-of').value === 'blocks.equalizer'")
    bands = row(sheet, "blocks.equalizer.bands")
    bands.get_by_text("add a line").click()
    sheet.until_revision(2)
    assert len(control(sheet, "blocks.equalizer", "bands")["value"]) == 1
    sheet.page.fill("#set-name", "shape")
    sheet.page.press("#set-name", "Enter")
    sheet.until_revision(3)
    assert sheet.order("split") == (["press", "grit", "push", "shape"], ["room"])
    sheet.until("document.querySelector('#set-of').value === 'blocks.shape'")
    sheet.page.click("#set-remove")
    sheet.until_revision(4)
    assert sheet.order("series")[0] == ["press", "grit", "push", "room"]
    sheet.until("!document.querySelector('#set-of option[value=\"blocks.shape\"]')")


def test_a_changed_setting_is_heard(opened: Any) -> None:
    sheet = opened()
    sheet.play()
    before = sheet.state("key")
    choose(sheet, "blocks.grit")
    row(sheet, "blocks.grit.gain_db").get_by_text("high", exact=True).click()
    sheet.until(f"window.simchainBench.key !== null && window.simchainBench.key !== '{before}'")


def wav_of(peak: float, seconds: float = 2.0) -> bytes:
    held = io.BytesIO()
    tone = peak * np.sin(2 * np.pi * 1000.0 * np.arange(round(seconds * RATE)) / RATE)
    soundfile.write(held, tone, RATE, format="WAV", subtype="PCM_24")
    return held.getvalue()


def chosen(name: str, content: bytes) -> Any:
    return {"name": name, "mimeType": "audio/wav", "buffer": content}


def test_a_file_is_brought_and_becomes_the_clip(opened: Any, board: Path) -> None:
    sheet = opened()
    choose(sheet, "passages.verse")
    content = wav_of(0.25, 3.0)
    sheet.page.set_input_files("#clip-file", chosen("take 2.wav", content))
    sheet.until_revision(1)
    assert (board.parent / "take 2.wav").read_bytes() == content
    assert control(sheet, "passages.verse", "clip")["value"] == "take 2.wav"
    sheet.until("document.querySelector('#passages').textContent.includes('3.2 s')")
    for name, bad, words in (
        ("notes.wav", b"no sound", "clip notes.wav"),
        ("clip.wav", content, "another file"),
        ("notes.txt", content, "a plain name is wanted"),
    ):
        sheet.page.set_input_files("#clip-file", chosen(name, bad))
        sheet.page.locator("#told-clip", has_text=words).wait_for()
    assert sheet.state("revision") == 1


def test_a_file_is_dropped(opened: Any, board: Path) -> None:
    sheet = opened()
    choose(sheet, "source")
    sheet.page.evaluate(
        """(bytes) => {
          const moved = new DataTransfer();
          moved.items.add(new File([new Uint8Array(bytes)], 'dropped.wav'));
          const drop = new DragEvent('drop', { dataTransfer: moved, bubbles: true });
          document.querySelector('#set-clip').dispatchEvent(drop);
        }""",
        list(wav_of(0.2, 0.5)),
    )
    sheet.until_revision(1)
    assert control(sheet, "source", "clip")["value"] == "dropped.wav"
    assert (board.parent / "dropped.wav").exists()


def test_three_ways_to_the_clip_s_volts_each_in_place_of_the_other(opened: Any) -> None:
    sheet = opened()
    choose(sheet, "source")
    sheet.page.click("#clip-volts summary")
    full, peak, tone = sheet.page.locator("#clip-volts form").all()
    full.locator("input").fill("14.5")
    full.locator("button").click()
    sheet.until_revision(1)
    peak.locator("input").fill("0.8")
    peak.locator("button").click()
    sheet.until_revision(2)
    assert control(sheet, "source", "loudest_peak_volts")["value"] == 0.8
    assert not control(sheet, "source", "full_scale_dbu")["written"]
    tone.locator("input").nth(0).fill("0,7746")  # 0 dBu, in a sine 20 dB below full scale
    tone.locator("button").click()
    sheet.page.locator("#told-clip", has_text="choose the file").wait_for()
    tone.locator("input").nth(1).set_input_files(chosen("tone.wav", wav_of(0.1)))
    tone.locator("button").click()
    sheet.until_revision(3)
    assert abs(control(sheet, "source", "full_scale_dbu")["value"] - 20.0) <= 0.01
    assert not control(sheet, "source", "loudest_peak_volts")["written"]
    sheet.until("document.querySelector('#volts-says').textContent.includes('20.0 dBu')")


def test_what_is_being_typed_outlives_another_change(opened: Any) -> None:
    sheet = opened()
    choose(sheet, "blocks.grit")
    field = row(sheet, "blocks.grit.tone_hz").locator("input")
    field.fill("12")
    sheet.client.post("/move", revision=0, order="series", block="push", to="front", at=0)
    sheet.page.evaluate("readBoard()")
    sheet.until_revision(1)
    sheet.until("settings.told.revision === 1")
    assert field.input_value() == "12"
    assert field.evaluate("field => field === document.activeElement")
    field.press("Escape")
    assert field.input_value() == "5000"


@looks
def test_settings_break_no_rule_of_axe_and_fit(opened: Any, scheme: str, width: int) -> None:
    sheet = opened(color_scheme=scheme, viewport={"width": width, "height": 900})
    for table in ("blocks.grit", "passages.riff", "output", "source"):
        choose(sheet, table)
        assert violations(sheet.page) == []
        assert sheet.page.evaluate("document.documentElement.scrollWidth") == width
    choose(sheet, "blocks.grit")
    sheet.page.click("#set-common summary")
    assert violations(sheet.page) == []
    choose(sheet, "source")
    sheet.page.click("#clip-volts summary")
    assert violations(sheet.page) == []


def events_of(sheet: BenchSheet) -> Any:
    return control(sheet, "passages.verse", "events")["value"]


def test_a_block_is_switched_and_a_control_moved_within_a_passage(opened: Any) -> None:
    sheet = opened()
    choose(sheet, "passages.verse")
    line = row(sheet, "passages.verse.events")
    line.get_by_text("switch a block where").click()
    sheet.until_revision(1)
    assert events_of(sheet) == [{"at": 1.1, "block": "grit", "do": "on"}]  # half-way
    sheet.until("window.simchainBench.orders && document.querySelector('.set-entry')")
    sheet.page.fill("#set-tempo", "150")
    time_s = line.locator("input")
    time_s.fill("bar 2.2")  # four beats of 0.4 s, and one more
    time_s.press("Tab")
    sheet.until_revision(2)
    assert events_of(sheet) == [{"at": 2.0, "block": "grit", "do": "on"}]
    # The field that followed has the focus, though its line was drawn anew.
    sheet.until("document.activeElement.title === 'the block it happens to'")
    line.locator("select").nth(0).select_option("room")
    sheet.until_revision(3)
    line.locator("select").nth(1).select_option("moves mix to")
    sheet.until_revision(4)
    line.locator(".set-entry input").nth(1).fill("0,5")
    line.locator(".set-entry input").nth(1).press("Enter")
    sheet.until_revision(5)
    assert events_of(sheet) == [{"at": 2, "block": "room", "set": {"mix": 0.5}}]
    line.locator(".set-entry input").nth(1).fill("7")
    line.locator(".set-entry input").nth(1).press("Enter")
    line.locator(".told", has_text="allowed is 0 to 1").wait_for()
    assert violations(sheet.page) == []
    line.get_by_text("remove").click()
    sheet.until_revision(6)
    assert events_of(sheet) == []


def test_what_is_typed_outlives_settings_that_come_late(opened: Any) -> None:
    sheet = opened()
    choose(sheet, "passages.riff")
    held: list[Any] = []
    sheet.page.route("**/settings", lambda route: route.continue_() if held else held.append(route))
    row(sheet, "passages.riff.above.passage").locator("select").select_option("verse")
    sheet.until_revision(1)
    lu = row(sheet, "passages.riff.above.lu").locator("input")
    lu.fill("3")
    lu.evaluate("field => { window.typedIn = field; }")
    while not held:
        sheet.page.wait_for_timeout(20)
    # With a passage to be above, no loudness is offered to start from: rows are drawn anew.
    held[0].continue_()
    sheet.until("settings.told.revision === 1")
    sheet.until("document.querySelectorAll('.set-row.written').length === 3")
    assert lu.evaluate("field => field === window.typedIn && field === document.activeElement")
    lu.press("Enter")
    sheet.until_revision(2)
    told = sheet.client.get("/settings").json()["passages"][0]
    assert told["above"] == {"passage": "verse", "lu": 3}


def test_two_ticks_at_once_are_both_taken(opened: Any) -> None:
    sheet = opened()
    choose(sheet, "passages.verse")
    row(sheet, "passages.verse.on").evaluate(
        "row => row.querySelectorAll('input:not(:checked)').forEach((box) => box.click())"
    )
    sheet.until_revision(3)
    assert control(sheet, "passages.verse", "on")["value"] == ["press", "grit", "push", "room"]


def test_rules_goals_and_supply_are_filled_in(opened: Any) -> None:
    sheet = opened()
    choose(sheet, "rules")
    first = row(sheet, "rules.first")
    for at, block in enumerate(("push", "press")):
        first.locator("select").nth(at).select_option(block)
        sheet.until_revision(at + 1)
        sheet.until(
            f"document.querySelectorAll('[data-path=\"rules.first\"] select').length > {at + 1}"
        )
    before = row(sheet, "rules.before").locator(".set-entry").last
    before.locator("select").nth(0).select_option("press")
    before.locator("select").nth(1).select_option("room")
    sheet.until_revision(3)
    row(sheet, "rules.fixed").get_by_text("add a line").click()
    sheet.until_revision(4)
    place = row(sheet, "rules.fixed").locator("input")
    place.fill("2")
    place.press("Enter")
    sheet.until_revision(5)
    first.locator("select").nth(0).select_option("take out")
    sheet.until_revision(6)
    rules = {name: control(sheet, "rules", name)["value"] for name in ("first", "before", "fixed")}
    assert rules == {"first": ["press"], "before": [["press", "room"]], "fixed": {"press": 2}}
    choose(sheet, "goals")
    row(sheet, "goals.clarity").get_by_text("middle", exact=True).click()
    sheet.until_revision(7)
    assert control(sheet, "goals", "clarity")["value"] == 5
    choose(sheet, "supply")
    for at, name in enumerate("AB"):
        row(sheet, "supply.outlets").get_by_text("add a line").click()
        sheet.until_revision(8 + at)
        assert control(sheet, "supply", "outlets")["value"][-1] == {"name": name}
    assert violations(sheet.page) == []
    assert sheet.page.evaluate("document.documentElement.scrollWidth") == 1280


def test_passages_and_songs_are_added_renamed_and_removed(opened: Any) -> None:
    sheet = opened()
    sheet.page.locator("input[name=passage]").nth(1).check()
    sheet.page.click("#edit-passage")
    sheet.until("document.querySelector('#set-of').value === 'passages.verse'")
    sheet.page.fill("#set-name", "quiet")
    sheet.page.press("#set-name", "Enter")
    sheet.until_revision(1)
    assert sheet.state("passage") == "quiet"
    sheet.until("document.querySelector('#set-of').value === 'passages.quiet'")
    sheet.page.click("#set-copy")
    sheet.until_revision(2)
    sheet.until("document.querySelector('#set-of').value === 'passages.quiet_2'")
    sheet.until("document.activeElement.id === 'set-name'")
    sheet.page.select_option("#set-new", "songs")
    sheet.page.click("#set-add button")
    sheet.until_revision(3)
    sheet.until("document.querySelector('#set-of').value === 'songs.song'")
    passages = row(sheet, "songs.song.passages").locator("select")
    assert passages.count() == 4
    passages.nth(3).select_option("riff")
    sheet.until_revision(4)
    wanted = ["riff", "quiet", "quiet_2", "riff"]
    assert control(sheet, "songs.song", "passages")["value"] == wanted
    choose(sheet, "passages.quiet_2")
    sheet.page.click("#set-remove")
    sheet.until_revision(5)
    assert control(sheet, "songs.song", "passages")["value"] == ["riff", "quiet", "riff"]
    assert sheet.page.inner_text("#undo") == "Undo: quiet_2 removed"
