"""A looper's level from a recording of one that shares no code with simchain's."""

import pytest

from tests.fit.trials import tried


@pytest.mark.soak
def test_a_hidden_looper_is_found() -> None:
    trial = tried("looper", 0)
    print(f"{trial.given}: off by {trial.off} of the bounds, residual {trial.residual_db:.1f} dB")
    assert trial.holds


@pytest.mark.soak
def test_nineteen_hidden_loopers_of_twenty_are_found() -> None:
    trials = [tried("looper", seed) for seed in range(20)]
    for trial in trials:
        print(f"{trial.seed}: off by {trial.off} of the bounds, {trial.seconds:.1f} s")
    assert sum(trial.holds for trial in trials) >= 19
