"""Levels through the amplifier against practice §1's table of expected levels.

The table is a trial (no outside source): RMS within 3 dB. Its peaks, 20 log10(peak / 0.7746 V), are
printed beside ours. What stands ahead of the amplifier in the table is replaced by the clip at the
table's level at amp.in, its peaks rounded off where a compressor or a drive would have done so.
"""

import numpy as np
import pytest

from simchain import clips
from simchain.amp import Amp, power, preamp

DBU_VOLTS = 0.7746

# clip, gain_db, amp.in RMS and peak, amp.send RMS and peak, speaker RMS and peak.
ROWS = (
    ("arpeggio", 12, (-24, -10), (-14, 1), (12, 26)),
    ("funk", 12, (-22, -7), (-12, 3), (15, 27)),
    ("riff", 12, (-17, -8), (-7, 4), (19, 27)),
    ("riff", 12, (-14, -3), (-4, 7), (21, 27)),
    ("lead", 12, (-10, 1), (0, 12), (24, 27)),
    ("riff", 16, (-13, 2), (2, 9), (24, 27)),
    ("lead", 22, (-5, 10), (6, 10), (26, 28)),
)


def levels(volts: np.ndarray) -> tuple[float, float]:
    """RMS and peak as the table counts them."""
    rms, peak = np.sqrt(np.mean(volts**2)), np.abs(volts).max()
    return 20 * np.log10(rms / DBU_VOLTS), 20 * np.log10(peak / DBU_VOLTS)


def at_level(volts: np.ndarray, rms_db: float, peak_db: float) -> np.ndarray:
    """`volts` at an RMS level, its peaks rounded off towards a peak level."""
    ceiling = DBU_VOLTS * 10 ** (peak_db / 20)
    for _ in range(5):
        volts = volts * 10 ** ((rms_db - levels(volts)[0]) / 20)
        if np.abs(volts).max() > 1.05 * ceiling:
            volts = volts / (1 + np.abs(volts / ceiling) ** 4) ** 0.25
    return volts * 10 ** ((rms_db - levels(volts)[0]) / 20)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row[0]}-{row[1]}-{row[2][0]}")
def test_levels_of_the_table(row: tuple) -> None:
    clip, gain_db, wanted_in, wanted_send, wanted_speaker = row
    signal = clips.make(clip)
    amp = Amp(gain_db=gain_db)
    volts = at_level(signal.volts[:1], *wanted_in)
    sent = preamp(amp, volts, signal.rate)
    spoken = power(amp, sent * amp.return_ohm / (amp.return_ohm + amp.send_ohm), signal.rate)
    given, send, speaker = levels(volts), levels(sent), levels(spoken)
    print(
        f"{clip}, gain {gain_db}: amp.in {given[0]:.1f}/{given[1]:.1f} {wanted_in}, "
        f"send {send[0]:.1f}/{send[1]:.1f} {wanted_send}, "
        f"speaker {speaker[0]:.1f}/{speaker[1]:.1f} {wanted_speaker}"
    )
    assert send[0] == pytest.approx(wanted_send[0], abs=3)
    assert speaker[0] == pytest.approx(wanted_speaker[0], abs=3)
