"""How unlikely a difference of readings is, against closed forms and numpy."""

import numpy as np
import pytest

from simchain.fit.tolerance import spread
from simchain.fit.traits import Traits, base_db, readings

COUNT = len(readings())
MARKER = np.sin(np.arange(200) / 7.0)


def boards(rng: np.random.Generator, count: int, loose: float) -> list[Traits]:
    """Boards whose readings are off by their base tolerance, and all by one number more."""
    own = base_db() * rng.standard_normal((count, COUNT))
    return [Traits(line + loose * rng.standard_normal(), MARKER) for line in own]


def test_a_board_of_the_plan_is_as_far_off_as_it_has_readings() -> None:
    """A sum of squares of as many normal numbers has their count as its mean (chi-squared)."""
    rng = np.random.default_rng(0)
    by_slopes = np.diag(base_db() ** 2)
    still = Traits(np.zeros(COUNT), MARKER)
    about = spread(still, boards(rng, 2_000, 0.0), by_slopes, calibrated=True)
    misfits = [about.misfit(one, about.still) for one in boards(rng, 300, 0.0)]
    print(f"{COUNT} readings: misfit {np.mean(misfits):.1f} in the mean")
    # What the boards part by is counted beside the base: twice the variance, half the misfit.
    assert np.mean(misfits) == pytest.approx(COUNT / 2.0, rel=0.05)


def test_the_volume_is_that_of_the_covariance() -> None:
    rng = np.random.default_rng(1)
    about = spread(
        Traits(np.zeros(COUNT), MARKER),
        boards(rng, 24, 6.0),
        np.diag(base_db() ** 2),
        calibrated=True,
    )
    assert about.log_volume == pytest.approx(np.linalg.slogdet(about.covariance)[1], rel=1e-9)
    assert about.whiten @ about.covariance @ about.whiten.T == pytest.approx(
        np.eye(COUNT), abs=1e-9
    )


def test_a_difference_in_the_way_boards_part_counts_for_little() -> None:
    """All readings 6 dB up is one deviation where boards part by that, and many where not."""
    rng = np.random.default_rng(2)
    still, by_slopes = Traits(np.zeros(COUNT), MARKER), np.diag(base_db() ** 2)
    loose = spread(still, boards(rng, 24, 6.0), by_slopes, calibrated=True)
    tight = spread(still, boards(rng, 24, 0.0), by_slopes, calibrated=True)
    up = Traits(np.full(COUNT, 6.0), MARKER)
    far, near = (
        one.misfit(up, Traits(one.still.db, MARKER)) + one.log_volume for one in (tight, loose)
    )
    print(f"6 dB up: {far:.0f} where boards do not part so, {near:.0f} where they do")
    assert near < far - 500.0
