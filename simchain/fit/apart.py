"""How far apart two sounds of one unit are expected to be heard: the ear of `decide`, no order."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simchain.board.wishes import Judging
from simchain.decide.difference import difference
from simchain.decide.ear import Ear
from simchain.decide.score import Score, scored

Floats = NDArray[np.float64]

# Loudest sample of what is judged, so that meters read it as they read a take.
_PEAK = 0.5


def heard_apart(
    a: Floats, b: Floats, rate: int, *, dirt_db: float = 0.0, judging: Judging | None = None
) -> Score:
    """Judge sound `b` against `a`, volts of shape (frames,), both played at one loudness."""
    return heard_apart_in_takes([a], [b], rate, dirt_db=dirt_db, judging=judging)


def heard_apart_in_takes(
    a: Sequence[Floats],
    b: Sequence[Floats],
    rate: int,
    *,
    dirt_db: float = 0.0,
    judging: Judging | None = None,
) -> Score:
    """Judge sounds given as takes, each with another phase of the unit's own movement."""
    scale = _PEAK / max(float(np.abs(take).max(initial=1e-12)) for take in (*a, *b))
    judging = judging or Judging()
    first, second = (
        [Ear(scale * take[np.newaxis], rate, judging.listening_db_spl) for take in takes]
        for takes in (a, b)
    )
    plain = difference(first[0].samples, second[0].samples, rate)
    return scored(first, second, plain, dirt_db=dirt_db, judging=judging)
