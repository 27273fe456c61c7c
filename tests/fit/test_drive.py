"""A drive's settings from recordings of ones that share no code with simchain's."""

import json
from pathlib import Path

import numpy as np
import pytest

from tests.fit.hidden import drive
from tests.fit.trials import tried

# Peak volts of harmonics by ngspice; run_ngspice.py beside it made them.
NGSPICE = Path(__file__).parents[1] / "references" / "drive" / "harmonics.json"
SECONDS, HIGHEST_HZ, SEEN_DB = 0.2, 10e3, -60.0


@pytest.mark.parametrize("clip", ["feedback", "shunt"])
def test_the_hidden_drive_is_the_circuit_that_ngspice_solves(clip: str) -> None:
    for case in json.loads(NGSPICE.read_text()):
        if case["clip"] != clip or case["hz"] != 220.0:
            continue
        times = np.arange(round(SECONDS * drive.FAST)) / drive.FAST
        given = {
            "clip": clip,
            "gain_db": case["gain_db"],
            "low_cut_hz": 150.0,
            "high_cut_hz": 6000.0,
            "saturation_a": 2.5e-9,
            "ideality": 1.75,
            "diodes_up": case["up"],
            "diodes_down": case["down"],
        }
        made = drive.clipped(case["peak"] * np.sin(2.0 * np.pi * case["hz"] * times), given)
        late = made[-round(0.1 * drive.FAST) :]
        found = np.abs(np.fft.rfft(late))[22 : 22 * 46 : 22] / (late.size / 2)
        theirs = np.array(case["volts"])
        seen = theirs > 10.0 ** (SEEN_DB / 20.0) * theirs[0]
        seen &= case["hz"] * np.arange(1, 46) < HIGHEST_HZ
        off_db = float(np.abs(20.0 * np.log10(found[seen] / theirs[seen])).max())
        print(f"{clip}, {case['gain_db']} dB, {case['peak']} V: {off_db:.4f} dB off ngspice")
        assert off_db < 0.05


@pytest.mark.soak
def test_a_hidden_drive_is_found() -> None:
    trial = tried("drive", 1)
    print(f"off by {trial.off} of the bounds, residual {trial.residual_db:.1f} dB")
    assert trial.holds
    assert trial.residual_db < -40.0


@pytest.mark.soak
def test_nineteen_hidden_drives_of_twenty_are_found() -> None:
    trials = [tried("drive", seed) for seed in range(20)]
    for trial in trials:
        print(f"{trial.seed}: off by {trial.off} of the bounds, {trial.seconds:.1f} s")
    assert sum(trial.holds for trial in trials) >= 19
