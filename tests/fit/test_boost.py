"""A boost's settings from a recording of one that shares no code with simchain's."""

from pathlib import Path

import pytest

from simchain.blocks.boost import Boost
from simchain.fit.fitting import fitted
from simchain.fit.looked_for import fit_of
from simchain.fit.received import given_volts, read_loopback, read_received
from tests.fit.hidden import boost
from tests.fit.recorder import Interface
from tests.fit.trials import tried


@pytest.mark.soak
def test_a_hidden_boost_is_found() -> None:
    trial = tried("boost", 0)
    print(f"off by {trial.off} of the bounds, residual {trial.residual_db:.1f} dB")
    assert trial.holds
    assert trial.residual_db < -45.0


@pytest.mark.soak
def test_a_unit_that_turns_the_sound_over(tmp_path: Path) -> None:
    """It is found with a loop-back; without one the polarity may be the interface's."""
    given = {"gain_db": 9.0, "low_cut_hz": 90.0, "high_cut_hz": 6000.0, "level_db": 0.0}
    interface = Interface(full_scale_volts=8.0)
    heard = -boost.play(given_volts(), given)
    for name, volts in (("loop", given_volts()), ("unit", heard)):
        interface.record(tmp_path / f"{name}.wav", volts, begins_s=0.4, seed=len(name))
    for loopback in (read_loopback(tmp_path / "loop.wav"), None):
        received = read_received(tmp_path / "unit.wav", loopback=loopback)
        end = fitted("unit", Boost(), fit_of("boost"), received)
        print(f"calibrated {received.calibrated}: {end.settings}, {end.residual_db:.1f} dB")
        assert end.fits
        assert end.settings.get("invert", False) is received.calibrated
        assert end.settings["high_cut_hz"] == pytest.approx(given["high_cut_hz"], rel=0.05)
