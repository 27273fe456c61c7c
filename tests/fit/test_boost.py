"""A boost's settings from a recording of one that shares no code with simchain's."""

import pytest

from tests.fit.trials import tried


@pytest.mark.soak
def test_a_hidden_boost_is_found() -> None:
    trial = tried("boost", 0)
    print(f"off by {trial.off} of the bounds, residual {trial.residual_db:.1f} dB")
    assert trial.holds
    assert trial.residual_db < -45.0
