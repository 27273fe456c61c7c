"""A compressor's settings from a recording of one that shares no code with simchain's."""

import pytest

from tests.fit.trials import tried


@pytest.mark.soak
def test_a_hidden_compressor_is_found() -> None:
    trial = tried("compressor", 4)
    print(f"off by {trial.off} of the bounds, residual {trial.residual_db:.1f} dB")
    assert trial.holds
    assert trial.residual_db < -40.0


@pytest.mark.soak
def test_nineteen_hidden_compressors_of_twenty_are_found() -> None:
    trials = [tried("compressor", seed) for seed in range(20)]
    for trial in trials:
        print(f"{trial.seed}: off by {trial.off} of the bounds, {trial.seconds:.1f} s")
    assert sum(trial.holds for trial in trials) >= 19
