"""A fuzz's settings from recordings of ones that share no code with simchain's."""

import json
from pathlib import Path

import numpy as np
import pytest

from tests.fit.hidden import fuzz
from tests.fit.hidden.oversampled import low_cut
from tests.fit.trials import tried

# Peak volts of harmonics by ngspice; run_ngspice.py beside it made them.
NGSPICE = Path(__file__).parents[1] / "references" / "fuzz" / "harmonics.json"
SECONDS, HIGHEST_HZ, SEEN_DB = 0.45, 10e3, -40.0


def test_the_hidden_fuzz_is_the_circuit_that_ngspice_solves() -> None:
    for case in json.loads(NGSPICE.read_text()):
        if case["hz"] != 220.0:
            continue
        times = np.arange(round(SECONDS * fuzz.FAST)) / fuzz.FAST
        given = {name: case[name] for name in ("gain_db", "bias", "octave")}
        volts = case["peak"] * np.sin(2.0 * np.pi * case["hz"] * times)
        made = low_cut(fuzz.driven(volts, given | {"high_cut_hz": 8000.0}), fuzz.COUPLING_HZ)
        late = made[-round(0.1 * fuzz.FAST) :]
        found = np.abs(np.fft.rfft(late))[22 : 22 * 46 : 22] / (late.size / 2)
        theirs = np.array(case["volts"])
        seen = theirs > 10.0 ** (SEEN_DB / 20.0) * theirs.max()
        seen &= case["hz"] * np.arange(1, 46) < HIGHEST_HZ
        off_db = float(np.abs(20.0 * np.log10(found[seen] / theirs[seen])).max())
        print(f"{given}, {case['peak']} V: {off_db:.4f} dB off ngspice")
        assert off_db < 0.05


@pytest.mark.soak
def test_a_hidden_fuzz_is_found() -> None:
    trial = tried("fuzz", 3)
    print(f"off by {trial.off} of the bounds, residual {trial.residual_db:.1f} dB")
    assert trial.holds
    assert trial.residual_db < -30.0


@pytest.mark.soak
def test_nineteen_hidden_fuzzes_of_twenty_are_found() -> None:
    trials = [tried("fuzz", seed) for seed in range(20)]
    for trial in trials:
        print(f"{trial.seed}: off by {trial.off} of the bounds, {trial.seconds:.1f} s")
    assert sum(trial.holds for trial in trials) >= 19
