"""The tuner: silence while it is on."""

import numpy as np

from simchain.blocks.base import Moment
from simchain.blocks.tuner import Tuner


def test_on_is_silence_out() -> None:
    volts = np.random.default_rng(5).normal(size=(1, 100))
    assert np.array_equal(Tuner().process(volts, Moment(48_000)), np.zeros((1, 100)))
    assert np.array_equal(Tuner(outputs=2).process(volts, Moment(48_000)), np.zeros((2, 100)))


def test_it_warns_that_it_mutes() -> None:
    assert "mutes" in Tuner.about


def test_electrical_data() -> None:
    """Common practice, no source: the project's own table of defaults."""
    unit = Tuner()
    assert (unit.input_ohm, unit.output_ohm, unit.current_ma, unit.noise_nv) == (1e6, 100, 40, 5)
