"""Questions players argue about that noise answers: 7, and the rests of 2.

Common practice for the direction and most sizes, a calculation where it is written out. Floors are
what a test point reads while nobody plays: hum at the guitar, and the hiss of all that follows.
"""

from pathlib import Path

import numpy as np
import pytest

from simchain import units
from simchain.units import volts_to_dbu
from tests.references.order_bench import (
    GRIT,
    PRESS,
    RATE,
    REPEAT,
    ROUGHLY,
    Bench,
    Orders,
    level_dbu,
    out,
    repeats_db,
    says,
    single_note,
    tone,
)

QUIET, HUMMING = "hum_dbu = -200", "hum_dbu = -65"
NOTE_DBU = -17.0


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def note_and_rest(hz: float, sounds_s: float, seconds: float = 3.0) -> np.ndarray:
    """Return a steady note of -17 dBu that stops at once, and a rest."""
    volts = tone(hz, np.sqrt(2) * units.dbu_to_volts(NOTE_DBU), seconds)
    volts[round(sounds_s * RATE) :] = 0.0
    return volts


def floor_dbu(rendering: object, point: str = "out") -> float:
    return float(volts_to_dbu(rendering.points[point].floor_volts))


def test_2_a_compressor_last_brings_the_hiss_up_in_every_rest(bench: Bench) -> None:
    """Idle noise is the same sum in both orders; in a rest it comes up by the released reduction.

    6 to 10 dB are expected of the compressor behind the drive. What hisses and hums is told from
    the note by taking away the same passage rendered without noise. It is within a dB of what the
    compressor turned the note down by: when it is first measured, some of that is given back.

    It is not true that the other order spares the rests. Most of what a drive gets to hear comes
    before it (pickup, hum, the compressor's own 25 nV with its make-up gain), and comes up too.
    Only the drive's own hiss of 15 nV does not, which takes a dB or two off the rise.
    """
    blocks = {"grit": 'kind = "drive"', "press": PRESS}
    orders: Orders = {"cd": ["press", "grit"], "dc": ["grit", "press"]}
    volts = note_and_rest(220, 2.0)
    idle, comes_up, released = {}, {}, {}
    for hum in (QUIET, HUMMING):
        still = bench.render(volts, blocks, orders, source=hum, floors=True)
        noisy = bench.render(volts, blocks, orders, source=hum, noise=True)
        idle[hum] = {name: floor_dbu(one) for name, one in still.items()}
        for name, one in still.items():
            noise = out(noisy[name]) - out(one)
            levels = [level_dbu(noise, start, 0.02) for start in (2.004, 2.9)]
            comes_up[hum, name] = levels[1] - levels[0]
            at = [level_dbu(one.points[f"press.{end}"].volts[0], 1.0, 0.5) for end in ("in", "out")]
            released[name] = 6.0 - (at[1] - at[0])
        says(f"idle, {hum}: compressor first, last", tuple(idle[hum].values()), "the same, dBu")
    for hum in (QUIET, HUMMING):
        rise = comes_up[hum, "cd"], comes_up[hum, "dc"]
        says(f"rest, {hum}: comes up with compressor first, last", rise, "last: 6..10 dB")
    says("  released reduction, first and last", tuple(released.values()), "6..10 dB")
    assert idle[QUIET]["cd"] == pytest.approx(idle[QUIET]["dc"], abs=ROUGHLY)
    assert idle[HUMMING]["cd"] == pytest.approx(idle[HUMMING]["dc"], abs=0.1)
    assert 6 < released["dc"] < 10
    for hum in (QUIET, HUMMING):
        assert comes_up[hum, "dc"] == pytest.approx(released["dc"], abs=1.0)
        assert 3 < comes_up[hum, "cd"] < released["cd"] + 0.5


def drive(more: str) -> str:
    """Return a drive of 17 dB for small signals, in the middle of its band."""
    return f'kind = "drive", gain_db = 27, level_db = -10, {more}'


@pytest.mark.parametrize(("more", "expected"), [("low_cut_hz = 0", 34.0), ("low_cut_hz = 150", 41)])
def test_7_a_drive_brings_the_hum_closer(bench: Bench, more: str, expected: float) -> None:
    """Hum 48 dB under the note at the guitar, 34 dB behind a drive: 17 dB for hum, 3 for the note.

    That figure is for a drive without its low cut. The usual one at 150 Hz keeps 7 dB of the hum
    away, most of which is at 50 Hz: 10 log10(1 + (150/50)^2) = 10 dB there, less at its harmonics.
    """
    made = bench.render(
        note_and_rest(330, 1.0), {"grit": drive(more)}, {"o": ["grit"]}, source=HUMMING, floors=True
    )["o"]
    gaps = [
        level_dbu(made.points[point].volts[0], 0.3, 0.5) - floor_dbu(made, point)
        for point in ("source", "grit.out")
    ]
    says(f"{more}: note over hum, at the guitar and behind", gaps, f"48, {expected} dB")
    assert gaps == pytest.approx((48, expected), abs=ROUGHLY)


def test_7_a_gate_first_leaves_the_drive_s_hiss_and_one_last_takes_all_by_its_range(
    bench: Bench,
) -> None:
    """First: hum down by the range of 60 dB, the drive's own hiss (-95 dBu) remains. Last: silence.

    15 nV over 20 kHz, 17 dB up, are -94.3 dBu. Of that the drive's band (first-order high cuts at
    6 and 5 kHz; noise passes pi/2 ab/(a + b) = 4.3 kHz of it) leaves -101.0; the trial's -95 is the
    full band. Rests in the sound are as quiet as the floors say.
    """
    blocks = {
        "grit": drive("low_cut_hz = 150"),
        "still": 'kind = "gate"',
        "late": 'kind = "gate", threshold_dbu = -40',
    }
    orders: Orders = {"none": ["grit"], "first": ["still", "grit"], "last": ["grit", "late"]}
    made = bench.render(
        note_and_rest(330, 1.0), blocks, orders, source=HUMMING, floors=True, noise=True
    )
    floors = {name: floor_dbu(one) for name, one in made.items()}
    rests = {name: level_dbu(out(one), 2.2, 0.6) for name, one in made.items()}
    notes = {name: level_dbu(out(one), 0.3, 0.5) for name, one in made.items()}
    hum_down = floor_dbu(made["first"], "still.out") - floor_dbu(made["first"], "still.in")
    down = floor_dbu(made["last"], "late.out") - floor_dbu(made["last"], "late.in")
    band = np.pi / 2 * 6000 * 5000 / 11_000
    hiss = 20 * np.log10(15e-9 * np.sqrt(band) / units.dbu_to_volts(0.0)) + 17
    says("gate first: hum at its output", hum_down, "-60 dB")
    says("  floor behind the drive", floors["first"], f"-95 dBu; {hiss:.1f} in the drive's band")
    says("gate last: floor at its output", down, "-60 dB")
    says("no gate, first, last: floors", tuple(floors.values()), "last quietest, dBu")
    says("  and rests in the sound", tuple(rests.values()), "the same")
    assert hum_down == pytest.approx(-60, abs=0.2)
    assert floors["first"] == pytest.approx(hiss, abs=1.0)
    assert down == pytest.approx(-60, abs=0.2)
    assert floors["none"] - 40 > floors["first"] > floors["last"] + 10
    for name in orders:
        assert rests[name] == pytest.approx(floors[name], abs=0.5)
        assert notes[name] == pytest.approx(notes["none"], abs=0.2)


def test_7_a_gate_behind_a_delay_kills_the_repeats(bench: Bench) -> None:
    blocks = {"grit": GRIT, "echo": REPEAT, "gate": 'kind = "gate", threshold_dbu = -40'}
    orders = {"first": ["grit", "gate", "echo"], "last": ["grit", "echo", "gate"]}
    made = bench.render(single_note(), blocks, orders)
    kept, cut = (repeats_db(one, 5) for one in made.values())
    says("repeats with the gate before the delay", kept, "-6, -14, -22, -30 dB ...")
    says("and behind it", cut, "lost below the threshold")
    assert kept == pytest.approx(-6 - 8 * np.arange(5), abs=ROUGHLY)
    assert cut[:2] == pytest.approx(kept[:2], abs=0.5)
    assert (cut[3:] < kept[3:] - 20).all()
