"""A gate's settings from a recording of one that shares no code with simchain's."""

from typing import Any

import numpy as np
import pytest

from tests.fit.hidden import gate
from tests.fit.trials import tried


@pytest.mark.soak
def test_a_hidden_gate_is_found() -> None:
    trial = tried("gate", 7)
    print(f"off by {trial.off} of the bounds, residual {trial.residual_db:.1f} dB")
    assert trial.holds
    assert trial.residual_db < -40.0


@pytest.mark.soak
def test_nineteen_hidden_gates_of_twenty_are_found() -> None:
    trials = [tried("gate", seed) for seed in range(20)]
    for trial in trials:
        print(f"{trial.seed}: off by {trial.off} of the bounds, {trial.seconds:.1f} s")
    assert sum(trial.holds for trial in trials) >= 19


def hidden(seed: int) -> dict[str, Any]:
    return gate.settings(np.random.default_rng(seed))


def test_what_a_recording_tells_of_a_gate() -> None:
    """Which closes in the midst of what is played tells all; on its softest, where alone."""
    all_of_it = set(gate.BOUNDS) - {"shuts_dbu"}
    assert set(gate.same(hidden(4), hidden(4))) == all_of_it
    where_alone = {"threshold_dbu", "level_db", "shuts_dbu"}
    assert set(gate.same(hidden(12), hidden(12))) == where_alone
