"""An equalizer's settings from a recording of one that shares no code with simchain's."""

import pytest

from tests.fit.trials import tried

SEED = 19


@pytest.mark.soak
def test_a_hidden_equalizer_is_found() -> None:
    trial = tried("equalizer", SEED)
    print(f"off by {trial.off} of the bounds, residual {trial.residual_db:.1f} dB")
    assert trial.holds


@pytest.mark.soak
def test_nineteen_of_twenty_hidden_ones_are_found() -> None:
    trials = [tried("equalizer", seed) for seed in range(20)]
    within = [off <= 1.0 for trial in trials for off in trial.off.values()]
    print(
        f"{sum(within)} of {len(within)} controls, {sum(one.holds for one in trials)} of 20 units"
    )
    assert sum(within) >= 0.95 * len(within)
    assert sum(one.holds for one in trials) >= 19
