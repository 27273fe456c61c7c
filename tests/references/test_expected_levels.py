"""Levels through the whole chain against a trial table of expected levels.

The table (common practice and a throw-away simulation, no outside source) gives RMS in dBu at each
point for a loop at -8 dBu nominal and a 20 W amplifier; 3 dB is asked for. The clip's level at the
source is set to the table's; humbucking pickups are stood for by the same clips at their level.
"""

from pathlib import Path

import pytest

import simchain
from simchain.board import load_board
from simchain.units import volts_to_dbu

BOARD = """
source = {{ kind = "guitar", clip = "{clip}", full_scale_dbu = {full_scale_dbu} }}
[blocks.press]
kind = "compressor"
[blocks.grit]
kind = "drive"
{drive}
[blocks.push]
kind = "boost"
{boost}
[amps.a]
gain_db = {gain_db}
[orders.o]
front = ["press", "grit", "push"]
[passages.p]
on = {on}
"""

# name: clip, amplifier's gain, drive, boost, what is on, and RMS dBu at
# source, press.out, grit.out, amp.in, amp.send, speaker
ROWS = {
    "clean, soft arpeggio": (
        ("arpeggio", 12, "", "", ["press"]),
        (-25, -24, None, -24, -14, 12),
    ),
    "clean, hard strum": (("funk", 12, "", "", ["press"]), (-17, -22, None, -22, -12, 15)),
    "crunch, single riff": (
        ("riff", 12, "gain_db = 24\nlevel_db = -10", "", ["grit"]),
        (-20, None, -17, -17, -7, 19),
    ),
    "crunch, humbucking riff": (
        ("riff", 12, "gain_db = 18\nlevel_db = -9", "", ["grit"]),
        (-13, None, -14, -14, -4, 21),
    ),
    "lead, humbucking": (
        ("lead", 12, "gain_db = 26", "gain_db = 6", ["press", "grit", "push"]),
        (-17, -21, -16, -10, 0, 24),
    ),
    "amplifier does the crunch": (("riff", 16, "", "", []), (-13, None, None, -13, 2, 24)),
    "amplifier lead and boost": (
        ("lead", 22, "", "gain_db = 12", ["push"]),
        (-17, None, None, -5, 6, 26),
    ),
}
POINTS = ("source", "press.out", "grit.out", "amp.in", "amp.send", "speaker")


def levels(folder: Path, full_scale_dbu: float, row: tuple) -> dict[str, float]:
    """RMS in dBu over the clip, its tail left out, as a meter reads while it is played."""
    clip, gain_db, drive, boost, on = row
    text = BOARD.format(
        clip=clip,
        gain_db=gain_db,
        drive=drive,
        boost=boost,
        on=str(on).replace("'", '"'),
        full_scale_dbu=full_scale_dbu,
    )
    path = folder / "board.toml"
    path.write_text("tail_s = 0.0\n" + text)
    points = simchain.render(load_board(path), order="o", passage="p", points=False).points
    return {name: volts_to_dbu(points[name].level.rms_volts) for name in POINTS}


@pytest.mark.parametrize("name", ROWS)
def test_levels_along_the_chain(tmp_path: Path, name: str) -> None:
    row, wanted = ROWS[name]
    as_recorded = levels(tmp_path, 12.0, row)["source"]
    found = levels(tmp_path, 12.0 + wanted[0] - as_recorded, row)
    for point, level in zip(POINTS, wanted, strict=True):
        if level is not None:
            print(f"{name}: {point} {found[point]:+.1f} dBu, table {level:+d}")
    for point, level in zip(POINTS, wanted, strict=True):
        if level is not None:
            assert found[point] == pytest.approx(level, abs=3.0), point
