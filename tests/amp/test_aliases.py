"""How far aliases lie below the sound, over the preamp's gain range and in the power stage."""

import numpy as np
import pytest

from simchain import units
from simchain.amp import Amp, power, preamp, stages

# What is driven, by how much (volts peak, or dB over full power), and how clean it must be: 80 dB
# at 1249 Hz and 60 at 4999 as for the drive, 65 and 45 at the top of the gain range; most reach
# more.
ALIAS_CASES = (
    ("triode", 10.0, {997: -98, 1249: -93, 4999: -71}),
    ("preamp 16", 0.3, {997: -120, 1249: -120, 4999: -88}),
    ("preamp 28", 0.3, {997: -105, 1249: -97, 4999: -67}),
    ("preamp 36", 0.3, {997: -85, 1249: -80, 4999: -60}),
    ("preamp 40", 0.3, {997: -105, 1249: -100, 4999: -75}),
    ("preamp 50", 0.3, {997: -92, 1249: -88, 4999: -61}),
    ("preamp 60", 0.3, {997: -80, 1249: -75, 4999: -54}),
    ("power", 6.0, {997: -120, 1249: -120, 4999: -105}),
    ("power", 20.0, {997: -115, 1249: -110, 4999: -61}),
)


@pytest.mark.parametrize(("what", "drive", "limits_db"), ALIAS_CASES)
def test_aliases(what: str, drive: float, limits_db: dict[int, float]) -> None:
    rate = 48_000
    wire = np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]])
    reached = {}
    for hz in limits_db:
        wave = np.sin(2 * np.pi * hz * np.arange(round(2.1 * rate)) / rate)[np.newaxis]
        if what == "triode":
            out = stages._through_stages(drive * wave, (stages.FIRST,), (wire,), rate, 4)
        elif what == "power":
            out = power(Amp(), units.dbu_to_peak_volts(-2 + drive) * wave, rate)
        else:
            out = preamp(Amp(gain_db=float(what.split()[1])), drive * wave, rate)
        # The second second: the end of the tone rings, and is no alias.
        lines = np.abs(np.fft.rfft(out[0, rate : 2 * rate]))[:20_001] ** 2
        harmonic = np.arange(lines.size) % hz == 0
        # Sag and coupling capacitors settle over a second and more: below 20 Hz is no alias.
        other = ~harmonic & (np.arange(lines.size) > 20)
        reached[hz] = 10 * np.log10(lines[other].sum() / lines[harmonic].sum())
    print(f"{what}, {drive}: aliases", {hz: f"{v:.1f}" for hz, v in reached.items()}, "dB")
    assert all(reached[hz] < limits_db[hz] for hz in limits_db)
