"""The question of where the looper stands: before what changes the sound, or after it.

The third harmonic is asked for by issue 5: "of a looped clean phrase when the drive comes on (mixer
output, take recorded clean, nobody playing): over -26 dB with the loop before the drive, under
-60 dB after it". The rest is common practice, no source.
"""

from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from tests.references.order_bench import GRIT, RATE, Bench, level_db, out, says, tone

LOOPS = {
    "looper": 'kind = "looper"',
    "delay": 'kind = "delay", mix = 0.25',
    "delay, spread": 'kind = "delay", mix = 0.25, outputs = 2, spread = 1',
}
DRIVES = ['kind = "drive"', 'kind = "drive", gain_db = 20', 'kind = "drive", clip = "shunt"']


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def done(*events: tuple[float, str, str]) -> str:
    return ", ".join(f'{{ at = {at}, block = "{name}", do = "{do}" }}' for at, name, do in events)


def third_db(volts: np.ndarray, start_s: float, hz: int = 220) -> float:
    """Return the third harmonic against the first, of half a second."""
    part = volts[round(start_s * RATE) :][: RATE // 2]
    second = np.abs(np.fft.rfft(part * np.blackman(part.size)))
    return float(20 * np.log10(second[3 * hz // 2] / second[hz // 2]))


@pytest.mark.parametrize("drive", DRIVES)
@pytest.mark.parametrize("loop", LOOPS)
def test_9_the_drive_comes_on_under_a_loop(bench: Bench, loop: str, drive: str) -> None:
    """A second of 220 Hz, 0.3 V peak, is recorded with the drive off; then nobody plays.

    Into a mixer's input (10 kohm). A delay's own loop holds its repeats too.
    """
    volts = tone(220, 0.3, 4.0)
    volts[RATE:] = 0.0
    events = done((0.0, "loop", "record"), (1.0, "loop", "play"), (2.0, "grit", "on"))
    blocks = {"loop": LOOPS[loop], "grit": drive}
    made = bench.render(
        *(volts, blocks, {"first": ["loop", "grit"], "last": ["grit", "loop"]}),
        off=("grit",),
        events=events,
    )
    found = {name: (third_db(out(one), 1.4), third_db(out(one), 2.4)) for name, one in made.items()}
    says(f"{loop} before {drive}: third harmonic", found["first"], "-60 and less, over -26 dB")
    says(f"{loop} after {drive}: third harmonic", found["last"], "-60 and less, under -60 dB")
    assert found["first"][0] < -60
    assert found["first"][1] > -26
    assert max(found["last"]) < -60


def test_9_a_loop_and_a_lead_through_one_drive(bench: Bench) -> None:
    """Looper first: intermodulation of 10 to 20 %, and the lead pumps the loop; last: neither.

    Loop and lead are tones of 220 and 370 Hz, the lead 6 dB louder: what is no harmonic of either,
    against both. The lead comes in at 1.6 s. With 24 dB of gain it is a little over the 20 %; what
    the trial played is not known.
    """
    volts = tone(220, 0.1, 3.0)
    volts[RATE:] = 0.0
    lead = tone(370, 0.2, 3.0)
    lead[: 8 * RATE // 5] = 0.0
    made = bench.render(
        volts + lead,
        {"loop": LOOPS["looper"], "grit": GRIT},
        {"first": ["loop", "grit"], "last": ["grit", "loop"]},
        events=done((0.25, "loop", "record"), (0.75, "loop", "play")),
    )
    mixed, pumped = {}, {}
    for name, one in made.items():
        alone, both = (
            np.abs(np.fft.rfft(out(one)[round(at * RATE) :][: RATE // 2])) for at in (1.05, 2.2)
        )
        bins = np.arange(both.size)
        tones = (bins == 110) | (bins == 185)
        own = (bins % 110 == 0) | (bins % 185 == 0)
        mixed[name] = 100 * np.linalg.norm(both[~own]) / np.linalg.norm(both[tones])
        pumped[name] = 20 * np.log10(both[110] / alone[110])
    says("intermodulation, looper first and last", tuple(mixed.values()), "10..20 %, none")
    says("the loop's tone when the lead comes", tuple(pumped.values()), "down, unchanged")
    assert 10 < mixed["first"] < 30
    assert mixed["last"] < 0.1
    assert pumped["first"] < -3
    assert abs(pumped["last"]) < 0.1


def test_9_a_reverb_before_the_looper_adds_a_tail_with_every_layer(bench: Bench) -> None:
    """Two or three layers raise the floor that has died away by 3 to 5 dB: powers add.

    A layer is a quarter of a second of noise about 700 Hz, each its own; heard is the last quarter
    of a round of 1.5 s, when nothing more is played. By powers 3.0 and 4.8 dB.
    """
    beat, length = round(1.5 * RATE), RATE // 4
    octaves = butter(2, (400, 1200), "bandpass", fs=RATE, output="sos")
    bursts = np.zeros((3, beat))
    bursts[:, :length] = np.random.default_rng(9).normal(0, 0.1, (3, length))
    bursts = sosfilt(octaves, bursts)
    blocks = {"room": 'kind = "reverb", mix = 0.3, decay_s = 2', "loop": LOOPS["looper"]}
    floors = {}
    for layers in (1, 2, 3):
        volts = np.concatenate((*bursts[:layers], np.zeros((5 - layers) * beat)))
        events = done(
            (0.0, "loop", "record"), (1.5, "loop", "overdub"), (1.5 * layers, "loop", "play")
        )
        made = bench.render(volts, blocks, {"o": ["room", "loop"]}, events=events)
        floors[layers] = level_db(out(made["o"]), 6.0 + 1.1, 0.35)
    raised = floors[2] - floors[1], floors[3] - floors[1]
    says("floor raised by two and by three layers", raised, "3..5 dB")
    assert raised == pytest.approx((3.0, 4.8), abs=1.0)
