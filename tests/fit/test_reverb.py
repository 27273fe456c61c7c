"""A reverb's settings from a recording of a room that shares no code with simchain's."""

import pytest

from tests.fit.trials import tried


def test_a_hidden_room_is_found() -> None:
    trial = tried("reverb", 0)
    print(f"{trial.given}: off by {trial.off} of the bounds, levels {trial.residual_db:.1f} dB")
    assert trial.holds


@pytest.mark.soak
def test_nineteen_of_twenty_hidden_rooms_are_found() -> None:
    trials = [tried("reverb", seed) for seed in range(20)]
    for trial in trials:
        print(trial.seed, trial.off)
    assert sum(trial.holds for trial in trials) >= 19
