"""Words about level: each figure in them is that of the points, and nothing is said of nothing."""

import re

import pytest

from simchain.report.level_sentences import (
    ceiling_sentences,
    diagram_notes,
    floor_sentence,
    floors_sentence,
    loops_sentence,
    meeting_sentence,
    parallel_sentence,
    preamp_sentence,
)
from simchain.report.plots import level_rows


def a_point(name: str, rms_dbu: float | None, floor_dbu: float | None, **more: object) -> dict:
    plain = {"peak_dbu": 0.0, "rail_volts": None, "headroom_db": None}
    return {"name": name, "rms_dbu": rms_dbu, "floor_dbu": floor_dbu, **plain, **more}


PATH = [
    a_point("source", -22.0, -65.0),
    a_point("press.in", -22.0, -65.0),
    a_point("press.out", -20.0, -57.0),
    a_point("amp.in", -20.0, -57.0),
    a_point("amp.send", -6.0, -42.0),
    a_point("room.in", -6.0, -42.0),
    a_point("room.out", -6.0, -42.0),
    a_point("amp.return", -6.0, -42.0),
    a_point("speaker", 20.0, -14.0),
]


def test_the_floor_is_told_where_it_is_nearest_and_who_lifts_it():
    said = floor_sentence("verse", PATH)
    print(said)
    assert said == (
        "At speaker the noise floor is only 34 dB below the music in verse, at the guitar 43 dB; "
        "press lifts the noise most, 6 dB more than the music."
    )


def test_a_floor_40_db_down_is_not_spoken_of():
    quiet = [{**point, "floor_dbu": point["rms_dbu"] - 40.0} for point in PATH]
    assert floor_sentence("verse", quiet) == ""
    near = [{**point, "floor_dbu": point["rms_dbu"] - 39.0} for point in PATH]
    assert floor_sentence("verse", near) == (
        "At source the noise floor is only 39 dB below the music in verse."
    )
    unknown = [{**point, "floor_dbu": None} for point in PATH]
    silent = [{**point, "rms_dbu": None} for point in PATH]
    assert floor_sentence("verse", unknown) == floor_sentence("verse", silent) == ""


def test_a_floor_above_the_music_is_called_that():
    loud = [a_point("source", -70.0, -65.0)]
    assert floor_sentence("verse", loud) == (
        "At source the noise floor is 5 dB above the music in verse."
    )


def test_ceilings_worst_first_and_a_block_once():
    rows = {
        "big_solo": [
            a_point("room.in", 0.0, None, headroom_db=0.6),
            a_point("room.out", 0.0, None, headroom_db=-1.25),
            a_point("repeat.in", 0.0, None, headroom_db=-2.0),
            a_point("repeat.out", 0.0, None, headroom_db=4.0),
        ],
        "verse": [a_point("room.in", 0.0, None, headroom_db=2.9)],
    }
    assert list(ceiling_sentences(rows)) == [
        "repeat's input clips in big solo, 2.0 dB over.",
        "room clips in big solo, 1.2 dB over.",
        "room has 2.9 dB left in verse.",
    ]
    rows = {"verse": [a_point("room.in", 0.0, None, headroom_db=7.9)]}
    assert list(ceiling_sentences(rows)) == [
        "Nothing comes within 3 dB of clipping; the closest is room in verse, with 7.9 dB left. "
        "What diodes and tubes clip on purpose is not counted."
    ]
    assert list(ceiling_sentences({"verse": PATH})) == []


def test_what_the_preamp_adds_and_who_meets_it():
    louder = [{**p, "rms_dbu": p["rms_dbu"] + (p["name"] == "amp.send")} for p in PATH]
    assert preamp_sentence({"a": PATH}) == (
        "The preamp lifts the music by 14 dB between amp.in and amp.send: room in the loop meets "
        "it that much louder than in front."
    )
    assert "by 14 to 15 dB" in preamp_sentence({"a": PATH, "b": louder})
    series = [point for point in PATH if not point["name"].startswith("room")]
    assert preamp_sentence({"a": series}).endswith("and meets the guitar's level.")
    assert preamp_sentence({"a": PATH[:3]}) == ""
    assert diagram_notes({"a": PATH[:2]}) == []
    assert len(diagram_notes({"a": PATH})) == 3


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        (None, ""),
        ({"mix": 0.5, "level_db": 0.0, "dips": []}, ""),
        ({"mix": 0.4, "level_db": -9.5, "dips": []}, "turned over.*10 dB quieter than the louder"),
        (
            {"mix": 0.4, "level_db": -3.1, "dips": [{"hz": 333.25, "db": -12.0},
                                                    {"hz": 1000.1, "db": -11.9}]},
            "cancels in verse: -12 dB at 333 Hz and 1 kHz\\.$",
        ),
        (
            {"mix": 0.5, "level_db": -3.0, "dips": [{"hz": 100.0 * n, "db": -60.0}
                                                    for n in (1, 3, 5, 7)]},
            "cancels in verse: whole at 100 Hz, 300 Hz and 500 Hz, and on upwards\\.$",
        ),
    ],
)  # fmt: skip
def test_where_loop_and_direct_sound_cancel(facts, words):
    said = parallel_sentence(facts, "verse")
    print(said)
    assert re.search(words, said) if words else said == ""


def test_blocks_in_the_loop_meet_what_the_preamp_has_lifted(data):
    said = meeting_sentence(data, "solo", "crunch")
    print(said)
    rows = {name: {p["name"]: p["rms_dbu"] for p in level_rows(data, name, "crunch")["solo"]}
            for name in ("series", "split", "boost_first", "tail_swap")}  # fmt: skip
    inside = sum(rows[name]["room.in"] for name in list(rows)[1:]) / 3
    more_db = round(inside - rows["series"]["room.in"])
    assert "room and repeat meet" in said
    assert f"{more_db} dB" in said.split(" more in the loop (B, C and D)")[0]
    assert meeting_sentence(data, "solo", "no such amplifier") == ""


def test_a_block_that_meets_more_behind_a_boost_is_named(data):
    said = meeting_sentence(data, "solo", "crunch")
    assert "Elsewhere most differs at grit, which meets 6 dB more in C than in" in said


def test_floors_of_all_orders(data):
    assert floors_sentence(data, "verse", "crunch") == (
        "At speaker the noise floor is 44 dB below the music in each order."
    )
    for sound in data["sounds"]:
        for point in sound["points"]:
            point["floor_dbu"] = 22.0 - (31.0 if sound["order"] == "split" else 36.0)
    assert floors_sentence(data, "verse", "crunch") == (
        "At speaker the noise floor is only 36 dB in A, 31 dB in B, 36 dB in C and 36 dB in D "
        "below the music."
    )
    for sound in data["sounds"]:
        for point in sound["points"]:
            point["floor_dbu"] = 30.0 if sound["order"] == "split" else None
    assert floors_sentence(data, "verse", "crunch") == (
        "At speaker the noise floor is louder than the music in B."
    )


def test_parallel_loops_by_letter(data):
    assert loops_sentence(data, "verse", "crunch") == ""
    for sound in data["sounds"]:
        if sound["order"] == "split":
            facts = {"mix": 0.4, "level_db": 0.0, "dips": [{"hz": 333.0, "db": -14.0}]}
            sound["loops"] = {"verse": facts}
    assert loops_sentence(data, "verse", "crunch") == (
        "B: The loop beside the direct sound cancels in verse: -14 dB at 333 Hz."
    )
