"""The pictures hold what they are given; their pixels are looked at by people."""

import re

import matplotlib as mpl
import pytest

from simchain.report.plots import level_diagram, level_rows, spectra


def words_of(svg: bytes) -> str:
    return " ".join(re.findall(r"<text[^>]*>([^<]*)</text>", svg.decode()))


def test_the_level_diagram_names_stops_passages_rails_and_what_clips(data):
    rows = level_rows(data, "split", "crunch")
    assert list(rows) == ["verse", "riff", "solo"]
    words = words_of(level_diagram(rows, title="Train board, split", form="svg"))
    for word in ("press", "repeat", "speaker", "verse", "riff", "solo", "in the loop", "clips"):
        assert word in words
    for word in ("level, dBu", "100 mV", "10 V", "dB over", "Train board, split"):
        assert word in words
    for word in ("noise floor", "preamp", "The preamp lifts", "An amplifier has no ceiling"):
        assert word in words
    assert "grit.in" not in words


def test_nothing_is_warned_of_where_there_is_room(data):
    rows = {"verse": level_rows(data, "split", "crunch")["verse"]}
    words = words_of(level_diagram(rows, title="t", form="svg"))
    assert "over" not in words.replace("Stroke above", "")
    assert "left" not in words


def test_the_level_diagram_stands_silence_and_paths_of_unequal_length(data):
    rows = level_rows(data, "split", "crunch")
    for point in rows["verse"]:
        point.update(rms_dbu=None, peak_dbu=None, headroom_db=None, floor_dbu=None)
    rows["riff"] = rows["riff"][:-3]
    assert level_diagram(rows, title="a $ b").startswith(b"\x89PNG")


def test_a_picture_without_floors_or_amplifier_says_nothing_of_them(data):
    rows = {"verse": [p for p in level_rows(data, "series", "crunch")["verse"]
                      if not p["name"].startswith(("amp", "speaker"))]}  # fmt: skip
    for point in rows["verse"]:
        point["floor_dbu"] = None
    words = words_of(level_diagram(rows, title="t", form="svg"))
    for word in ("preamp", "amplifier", "in the loop"):
        assert word not in words
    assert "noise floor" not in words.replace("Dotted: noise floor", "")


def test_spectra_carry_a_letter_each(data):
    curves = {
        sound["order"]: [None, *sound["bands_db"][1:]]
        for sound in data["sounds"]
        if sound["passage"] == "solo"
    }
    words = words_of(spectra(data["bands_hz"], curves, title="Solo", form="svg"))
    for word in ("A  series", "D  tail swap", "1 kHz", "16 kHz"):
        assert word in words
    assert spectra(data["bands_hz"], curves, title="Solo").startswith(b"\x89PNG")


def test_pictures_repeat_themselves_and_leave_no_setting_behind(data):
    before = dict(mpl.rcParams)
    rows = level_rows(data, "series", "crunch")
    first, second = (level_diagram(rows, title="t", form="svg") for _ in range(2))
    assert first == second
    assert dict(mpl.rcParams) == before


def test_other_forms_and_no_passage_are_refused(data):
    with pytest.raises(ValueError, match="png or svg, not gif"):
        level_diagram(level_rows(data, "split", "crunch"), title="t", form="gif")
    with pytest.raises(ValueError, match="needs a passage"):
        level_diagram({}, title="t")
