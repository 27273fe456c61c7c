"""Switches over time: weights that sum to one, raised-cosine fades, state at 0 s."""

import numpy as np
import pytest

from simchain.board import Passage
from simchain.chain.gates import Gate, block_gate


def test_a_switch_that_never_moves_is_constant() -> None:
    gate = block_gate("grit", Passage(on=("grit",)), 5.0, 48_000)
    assert gate == Gate(on=True, fade_frames=240)
    assert gate.is_constant
    assert not gate.is_never_on
    np.testing.assert_array_equal(gate.weights(10), np.ones(10))


def test_the_fade_is_a_raised_cosine_from_the_event_on() -> None:
    passage = Passage(events=[{"at": 0.01, "block": "grit", "do": "on"}])
    weights = block_gate("grit", passage, 5.0, 48_000).weights(1_000)
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


def test_switching_to_the_state_it_has_is_nothing() -> None:
    passage = Passage(on=("grit",), events=[{"at": 1.0, "block": "grit", "do": "on"}])
    assert block_gate("grit", passage, 5.0, 48_000).is_constant


def test_events_of_one_time_apply_in_file_order() -> None:
    events = [{"at": 1.0, "block": "a", "do": "on"}, {"at": 1.0, "block": "a", "do": "off"}]
    weights = block_gate("a", Passage(events=events), 5.0, 1_000).weights(2_000)
    assert weights[-1] == 0.0


def test_no_fade_is_a_plain_switch() -> None:
    weights = Gate(on=True, switches=((3, False),), fade_frames=0).weights(6)
    np.testing.assert_array_equal(weights, [1, 1, 1, 0, 0, 0])
