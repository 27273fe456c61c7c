"""What probes ask of a block: to hold still, and to leave out its echoes and its room."""

import numpy as np
import pytest

from simchain.blocks import Moment, kinds

RATE = 48_000
SHAPES = ("chorus", "flanger", "phaser", "vibrato", "tremolo")
MOVING = [
    *(("modulation", {"shape": shape}) for shape in SHAPES),
    ("delay", {"voice": "tape", "flutter": 0.5}),
    ("reverb", {"motion": 0.5}),
]


def through(block, turn: float) -> np.ndarray:
    noise = 0.05 * np.random.default_rng(3).standard_normal((1, RATE // 2))
    return block.process(noise, Moment(RATE, 7, turn))


@pytest.mark.parametrize(("kind", "given"), MOVING)
def test_what_sways_is_another_at_another_phase_and_none_held_still(kind, given) -> None:
    block = kinds()[kind](**given)
    assert block.modulates()
    assert not np.allclose(through(block, 0.0), through(block, 0.4))
    assert not block.frozen().modulates()


@pytest.mark.parametrize("kind", kinds())
def test_what_does_not_modulate_is_the_same_at_any_phase(kind) -> None:
    given = {"bands": [{"hz": 800, "db": 3}]} if kind == "equalizer" else {}
    block = kinds()[kind](**given).frozen()
    if kind == "modulation":
        return  # held still it stands where its phase has left it
    assert not block.modulates()
    np.testing.assert_array_equal(through(block, 0.0), through(block, 0.4))


@pytest.mark.parametrize("kind", ["delay", "reverb"])
def test_dry_it_passes_what_it_gets(kind) -> None:
    noise = 0.05 * np.random.default_rng(3).standard_normal((1, RATE // 2))
    np.testing.assert_allclose(kinds()[kind]().dry().process(noise, Moment(RATE)), noise)
