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


WIDE = [
    ("delay", {"spread": 0.0}),
    ("delay", {"spread": 0.5}),
    ("reverb", {}),
    ("modulation", {"width": 0.0}),
    ("modulation", {"width": 0.5}),
    ("boost", {}),
    ("body", {}),
    ("octave", {"down_mix": 0.5}),
]


@pytest.mark.parametrize(("kind", "given"), WIDE)
def test_two_outputs_differ_where_a_block_says_so(kind, given) -> None:
    noise = 0.05 * np.random.default_rng(3).standard_normal((1, RATE))
    block = kinds()[kind](outputs=2, **given)
    left, right = block.process(noise, Moment(RATE, 7))
    assert block.widens() == (not np.array_equal(left, right))


@pytest.mark.parametrize(("kind", "mix"), [("delay", 0.3), ("reverb", 0.4), ("reverb", 1.0)])
def test_the_share_of_the_direct_sound_is_what_comes_out_at_once(kind, mix) -> None:
    impulse = np.zeros((1, 64))
    impulse[0, 0] = 1.0
    block = kinds()[kind](mix=mix)
    came = block.process(impulse, Moment(RATE))[0, 0]
    assert came == pytest.approx(block.direct_share(), abs=1e-9)


@pytest.mark.parametrize(
    ("kind", "given", "late"),
    [
        ("modulation", {"shape": "vibrato", "digital": True}, True),
        ("modulation", {"shape": "chorus", "digital": True}, False),
        ("body", {"mix": 1.0, "latency_ms": 2.0}, True),
        ("body", {"mix": 0.5, "latency_ms": 2.0}, False),
        ("delay", {"mix": 1.0}, False),
        ("boost", {}, False),
    ],
)
def test_what_is_late_throughout_says_so(kind, given, late) -> None:
    """A delay's time counts from the dry note, converters included: it is no late copy."""
    block = kinds()[kind](**given)
    assert (block.late_s() > 0.0) == late
    if late:
        impulse = np.zeros((1, RATE // 10))
        impulse[0, 0] = 1.0
        came = block.process(impulse, Moment(RATE))[0]
        assert not came[: round(block.late_s() * RATE)].any()
        assert came.any()
