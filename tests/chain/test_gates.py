"""Switches over time: weights that sum to one, raised-cosine fades, states of a movement."""

import numpy as np
import pytest

from simchain.chain.gates import Gate, blends


def test_a_switch_that_never_moves_is_constant() -> None:
    gate = Gate(on=True, fade_frames=240)
    assert gate.is_constant
    assert gate.is_always_on
    assert not gate.is_never_on
    np.testing.assert_array_equal(gate.weights(10), np.ones(10))


def test_the_fade_is_a_raised_cosine_from_the_event_on() -> None:
    weights = Gate(on=False, switches=((480, True),), fade_frames=240).weights(1_000)
    assert (weights[:481] == 0).all()
    assert (weights[720:] == 1).all()
    n = np.arange(240)
    np.testing.assert_allclose(weights[480:720], 0.5 - 0.5 * np.cos(np.pi * n / 240))
    # No step larger than the raised cosine's steepest, pi / (2 T).
    assert np.abs(np.diff(weights)).max() <= np.pi / 480 + 1e-12


def test_a_switch_during_a_fade_goes_on_from_where_it_is() -> None:
    gate = Gate(on=False, switches=((100, True), (150, False)), fade_frames=100)
    weights = gate.weights(400)
    assert weights[150] == pytest.approx(0.5, abs=1e-9)
    assert np.abs(np.diff(weights)).max() <= np.pi / 200 + 1e-12
    assert weights[-1] == 0.0


def test_what_the_bypass_gets_is_the_rest() -> None:
    gate = Gate(on=False, switches=((100, True), (150, False), (300, True)), fade_frames=100)
    np.testing.assert_allclose(gate.weights(500) + gate.inverted.weights(500), 1.0, atol=1e-15)


def test_no_fade_is_a_plain_switch() -> None:
    weights = Gate(on=True, switches=((3, False),), fade_frames=0).weights(6)
    np.testing.assert_array_equal(weights, [1, 1, 1, 0, 0, 0])


def test_states_of_a_movement_share_its_time() -> None:
    three = blends([0, 100, 250])
    weights = [blend.weights(400) for blend in three]
    np.testing.assert_allclose(sum(weights), 1.0)
    assert [line[50] for line in weights] == [0.5, 0.5, 0.0]
    assert [line[-1] for line in weights] == [0.0, 0.0, 1.0]
    assert blends([0])[0].is_always_on
