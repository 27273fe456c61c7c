"""Test points become the stops a player sees."""

import pytest

from simchain.report.stops import loop_blocks, merged_names, stop_name, stops


def a_point(name: str, **changes: object) -> dict:
    point = {
        "name": name,
        "rms_dbu": -20.0,
        "peak_dbu": -8.0,
        "peak_volts": 0.436,
        "rail_volts": None,
        "headroom_db": None,
        "floor_dbu": -60.0,
    }
    return {**point, **changes}


def test_a_block_is_one_stop_and_the_amplifier_keeps_its_points():
    names = ["source", "grit.in", "grit.out", "amp.in", "amp.send", "amp.return", "speaker", "out"]
    found = [stop.name for stop in stops(map(a_point, names))]
    assert found == ["source", "grit", "amp.in", "amp.send", "amp.return", "speaker", "out"]
    assert stop_name("amp2.in") == "amp2.in"


def test_levels_are_those_of_the_output():
    [stop] = stops([a_point("grit.in"), a_point("grit.out", rms_dbu=-9.0, peak_dbu=-1.0)])
    assert (stop.rms_dbu, stop.peak_dbu, stop.headroom_db, stop.warning) == (-9.0, -1.0, None, "")


@pytest.mark.parametrize(
    ("at_in", "at_out", "warning"),
    [
        (None, 9.0, ""),
        (None, 3.0, ""),
        (None, 2.9, "2.9 dB left"),
        (None, 0.0, "0.0 dB left"),
        (None, -1.2, "clips, 1.2 dB over"),
        (-2.0, 5.0, "input clips, 2.0 dB over"),
        (1.0, 5.0, "1.0 dB left at its input"),
        (2.46, 2.49, "2.5 dB left"),
    ],
)
def test_the_tighter_of_both_sides_warns(at_in, at_out, warning):
    [stop] = stops([a_point("room.in", headroom_db=at_in), a_point("room.out", headroom_db=at_out)])
    assert stop.warning == warning


def test_a_rail_stands_at_the_sine_that_touches_it():
    """design.md section 4: 3.5 V rails read +10.1 dBu."""
    [stop] = stops([a_point("grit.out", rail_volts=3.5)])
    assert stop.rail_dbu == pytest.approx(10.09, abs=0.01)


def test_names_of_several_paths_are_merged_in_path_order():
    lists = [["source", "grit", "out"], ["source", "press", "grit", "room", "out"]]
    assert merged_names(lists) == ["source", "press", "grit", "room", "out"]


def test_how_far_music_stands_above_the_floor():
    [stop] = stops([a_point("grit.out")])
    assert stop.above_floor_db == 40.0
    for missing in ("rms_dbu", "floor_dbu"):
        assert stops([a_point("grit.out", **{missing: None})])[0].above_floor_db is None


def test_what_stands_between_send_and_return_is_in_the_loop():
    front = ["source", "grit.in", "grit.out", "amp.in"]
    end = ["amp.return", "speaker", "out"]
    assert loop_blocks([*front, "amp.send", "room.in", "room.out", *end]) == ["room"]
    both = ["amp.send", "amp2.send", "room.in", "room.out", "echo.in", "echo.out"]
    assert loop_blocks([*front, *both, *end]) == ["room", "echo"]
    assert loop_blocks([*front, "amp.send", *end]) == []
    assert loop_blocks(["source", "grit.in", "grit.out", "out"]) == []
