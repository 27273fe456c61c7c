"""The volume pedal: its taper, and the pot as a circuit."""

import math
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from simchain.blocks.base import Moment
from simchain.blocks.volume import Volume

RATE = 48_000


def level_db(unit: Volume) -> float:
    out = unit.process(np.full((1, 3), 0.7), Moment(RATE))
    return float(20 * np.log10(out[0, 1] / 0.7))


def test_audio_taper_at_the_middle() -> None:
    """16 dB down; handbooks' 15 % tapers give 20 log10 0.15 = -16.478 dB (references §9)."""
    middle = level_db(Volume(position=0.5))
    print(f"audio, middle: {middle:.4f} dB; a 15 % taper -16.478 dB")
    assert middle == pytest.approx(-16, abs=1e-9)
    assert middle == pytest.approx(-16.478, abs=0.5)


def test_linear_taper_at_the_middle() -> None:
    assert level_db(Volume(position=0.5, taper="linear")) == pytest.approx(-6.0206, abs=1e-4)


@pytest.mark.parametrize("active", [False, True])
@pytest.mark.parametrize("taper", ["audio", "linear"])
def test_both_ends_are_exact(taper: Any, active: bool) -> None:
    volts = np.random.default_rng(2).normal(size=(1, 50))
    full = Volume(taper=taper, active=active).process(volts, Moment(RATE))
    assert np.array_equal(full, volts)
    assert not np.shares_memory(full, volts)
    assert not Volume(taper=taper, active=active, position=0).process(volts, Moment(RATE)).any()


def test_audio_taper_is_smooth_and_rises() -> None:
    """One exponential: equal steps of the pedal give steps of the share in a constant ratio."""
    shares = np.array([Volume(position=p).wiper for p in np.linspace(0, 1, 101)])
    steps = np.diff(shares)
    assert steps.min() > 0
    assert steps[1:] / steps[:-1] == pytest.approx((10 ** (16 / 20) - 1) ** 0.02, rel=1e-9)


def test_a_passive_one_is_a_pot_on_the_wire() -> None:
    assert Volume(position=0.5, taper="linear").pot == (250e3, 0.5)
    assert Volume(position=0.5, pot_ohm=25e3).pot == pytest.approx((25e3, 0.158489), rel=1e-5)
    assert Volume(active=True).pot is None


def test_a_passive_one_has_no_rails_and_draws_nothing() -> None:
    unit = Volume()
    assert unit.ceiling_volts == math.inf
    assert (unit.current_ma, unit.noise_nv) == (0, 0)
    assert Volume(supply_volts=18).ceiling_volts == math.inf
    loud = np.full((1, 4), 19.0)
    assert np.array_equal(unit.process(loud, Moment(RATE)), loud)


def test_an_active_one_has() -> None:
    unit = Volume(active=True)
    assert unit.ceiling_volts == 3.5
    assert (unit.current_ma, unit.noise_nv) == (8, 10)
    assert (unit.input_ohm, unit.output_ohm) == (1e6, 500)
    given = Volume(active=True, current_ma=3, rail_volts=7, input_ohm=2e6, bypass="buffered")
    assert (given.current_ma, given.ceiling_volts, given.input_ohm) == (3, 7, 2e6)


@pytest.mark.parametrize("active", [False, True])
def test_written_out_and_read_again_it_is_the_same(active: bool) -> None:
    unit = Volume(active=active, position=0.3)
    assert Volume.model_validate(unit.model_dump(exclude_none=True)) == unit


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"position": 1.1}, "position"),
        ({"taper": "log"}, "Input should be 'audio' or 'linear'"),
        ({"input_ohm": 5e5}, r"input_ohm = 500000 needs active = true: a passive pot has pot_ohm"),
        ({"output_ohm": 100}, r"output_ohm = 100 needs active = true"),
        ({"rail_volts": 4}, r"rail_volts = 4 needs active = true"),
        ({"level_db": 3}, r"level_db = 3 needs active = true"),
        ({"max_dbu": 9}, r"max_dbu = 9 needs active = true"),
        ({"bypass": "buffered"}, 'bypass = "buffered" needs active = true'),
        ({"active": True, "pot_ohm": 25e3}, "pot_ohm = 25000 does nothing between buffers"),
    ],
)
def test_controls_that_contradict_each_other(given: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        Volume.model_validate(given)


def test_the_pedal_moves_and_is_linear_at_rest() -> None:
    assert {"position", "level_db"} == Volume.movable()
    assert Volume().is_lti()
    assert Volume().bypass == "true"
