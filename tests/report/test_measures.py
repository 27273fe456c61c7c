"""Measures in JSON and in the page's tables: units in the heads, nothing where nothing is."""

import math
import re

import pytest

from simchain.decide.injected import Distortion, Injected
from simchain.decide.measured import Measured
from simchain.measure.noise import SignalToNoise
from simchain.report.measures import COLUMNS, measures_facts, measures_tables
from simchain.report.page import audition_page

NOISE = SignalToNoise(42.0, 51.0)
DISTORTION = Distortion(-12.5, (3000.0, 4000.0), 1.25, 2.5, 120.0, 5.0)
INJECTED = Injected(DISTORTION, 1.1, 1.2, math.nan)
SHORT = Measured(-9.5, math.nan, math.nan, NOISE, None)
ALL = Measured(-9.5, -11.25, 4.5, NOISE, INJECTED)
SHUT = Measured(-9.5, -11.25, 4.5, SignalToNoise(math.inf, math.inf), None)


@pytest.fixture
def measured(data):
    """The made-up comparison, everything measured in it."""
    for sound in data["sounds"]:
        sound["measures"] = measures_facts(ALL)
    return data


def test_json_has_null_for_what_was_not_asked_or_is_not_to_be_had():
    short, asked = measures_facts(SHORT), measures_facts(ALL)
    assert set(short) == set(asked) == {one.fact for one in COLUMNS} | {"difference_tone_hz"}
    known = {name: value for name, value in short.items() if value is not None}
    assert known == {
        "most_momentary_lufs": -9.5,
        "signal_to_noise_db": 42.0,
        "signal_to_noise_a_db": 51.0,
    }
    assert measures_facts(SHUT)["signal_to_noise_db"] is None
    assert (asked["tones_dbu"], asked["smpte_percent"]) == (-12.5, 120.0)
    assert asked["difference_tone_hz"] == [3000.0, 4000.0]
    assert (asked["edt_s"], asked["t20_s"], asked["t30_s"]) == (1.1, 1.2, None)


def test_columns_without_figures_are_left_out(data):
    for sound in data["sounds"]:
        sound["measures"] = measures_facts(SHORT)
    (table,) = measures_tables(data)
    facts = [column.fact for column in table["columns"]]
    assert facts == ["most_momentary_lufs", "signal_to_noise_db", "signal_to_noise_a_db"]
    data["sounds"][3]["measures"] = measures_facts(SHUT)
    (table,) = measures_tables(data)
    assert "range_lu" in [column.fact for column in table["columns"]]
    assert table["note"].endswith("simchain compare --measures adds distortion and decay.")


def test_the_page_has_tables_with_units_and_standards(measured):
    html = audition_page(measured)
    first, second = (
        re.search(f'aria-label="Table: {head}">(.*?)</table>', html, re.DOTALL).group(1)
        for head in ("Measures", "Distortion and decay")
    )
    assert first.count("<tr>") == second.count("<tr>") == 1 + len(measured["sounds"])
    heads = re.findall(r'<th scope="col" class="number">(.*?)</th>', second)
    assert [head.replace("\N{NO-BREAK SPACE}", " ") for head in heads] == [
        *("tones, dBu", "THD 220 Hz, %", "THD 1 kHz, %", "SMPTE, %", "difference tones, %"),
        *("EDT, s", "T20, s"),
    ]
    row = re.findall(r'<td class="number">(.*?)</td>', second)[:7]
    assert row == ["−12.5", "1.25", "2.50", "120.00", "5.00", "1.10", "1.20"]
    for source in ("EBU Tech 3341", "EBU Tech 3342", "IEC 60268-3", "SMPTE, 60 Hz", "ISO 3382-1"):
        assert source in html
    assert "difference tones of 3 and 4 kHz" in html
    assert "--measures" not in html


def test_a_page_without_measures_says_nothing_of_them(data):
    html = audition_page(data)
    assert "Table: " not in html
    assert "--measures" not in html


@pytest.mark.browser
@pytest.mark.parametrize("width", [380, 1280])
def test_wide_tables_scroll_in_their_own_box(opened, measured, width):
    sheet = opened(measured, viewport={"width": width, "height": 800})
    sheet.page.click(".engineers summary")
    box = "[aria-label='Table: Distortion and decay']"
    assert sheet.page.evaluate("document.documentElement.scrollWidth") == width
    inner, outer = sheet.page.evaluate(
        f'(() => {{ const box = document.querySelector("{box}");'
        " return [box.scrollWidth, box.clientWidth]; })()"
    )
    assert (inner > outer) == (width == 380)
    assert sheet.page.is_visible(box)
