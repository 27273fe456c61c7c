"""A modulation's settings from recordings of units that share no code with simchain's."""

import pytest

from tests.benchmarks.fit import clip_volts
from tests.fit.trials import tried


# Two seeds that draw a vibrato, which moves the markers, and a phaser, which must be counted.
@pytest.mark.soak
@pytest.mark.parametrize("seed", [4, 6])
def test_a_hidden_modulation_is_found(seed: int) -> None:
    trial = tried("modulation", seed)
    print(f"{trial.given}: off by {trial.off} of the bounds, residual {trial.residual_db:.1f} dB")
    assert trial.holds
    assert trial.residual_db < -35.0


@pytest.mark.soak
def test_hidden_modulations_are_found() -> None:
    trials = [tried("modulation", seed, clip=clip_volts()) for seed in range(20)]
    for trial in trials:
        print(f"{trial.seed}: {trial.off}, {trial.residual_db:.1f} dB, {trial.verdict}")
    assert sum(trial.holds for trial in trials) >= 0.95 * len(trials)
    assert sum(trial.is_alike for trial in trials) >= 0.9 * len(trials)
