"""The loop after a delay's repeats: bit for bit a looper behind the delay."""

from typing import Any

import numpy as np
import pytest

from simchain.blocks import Moment, Take
from simchain.blocks.delay import Delay
from simchain.blocks.looper import Looper

RATE = 48_000
TAKES = (
    Take(2_000, "record"),
    Take(22_000, "play"),
    Take(30_000, "overdub"),
    Take(55_000, "play"),
    Take(70_000, "stop"),
    Take(80_000, "overdub"),
)


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"mix": 0.0},
        {"mix": 1.0, "latency_ms": 4.0},
        {"inputs": 2, "outputs": 2},
        {"outputs": 2, "spread": 0.7, "time_ms": 100.0},
        {"inputs": 2, "outputs": 1},
        {"voice": "tape", "flutter": 0.5},
        {"voice": "bucket-brigade", "outputs": 2},
    ],
)
def test_its_loop_is_a_looper_behind_it(given: dict[str, Any]) -> None:
    delay = Delay(loop_db=-3.0, loop_feedback=0.6, loop_max_s=30.0, **given)
    volts = np.random.default_rng(1).normal(size=(delay.inputs, 100_000))
    played = Moment(RATE, seed=5, turn=0.3, takes=TAKES)
    looper = Looper(
        loop_db=-3.0,
        feedback=0.6,
        max_s=30.0,
        inputs=delay.outputs,
        outputs=delay.outputs,
        latency_ms=delay.wet_latency_s * 1e3,
    )
    repeats = delay.process(volts, Moment(RATE, seed=5, turn=0.3))
    found, wanted = delay.process(volts, played), looper.process(repeats, played)
    assert np.array_equal(found, wanted)
    assert np.abs(found - repeats).max() > 0.1


def test_it_records_dry_and_repeats_as_they_are_mixed() -> None:
    """A pulse and its repeat 0.1 s later both come back, a period and the converters later."""
    volts = np.zeros((1, 60_000))
    volts[0, 3_000] = 1.0
    unit = Delay(time_ms=100, feedback=0, tone_hz=0, mix=0.5)
    takes = (Take(2_000, "record"), Take(12_000, "play"))
    out = unit.process(volts, Moment(RATE, takes=takes))[0]
    heard = np.flatnonzero(out)
    first = np.array((3_000, 7_800))
    late = 72
    assert heard[:8].tolist() == [
        *first,
        *(first + 10_000 + late),
        *(first + 20_000 + late),
        *(first + 30_000 + late),
    ]
    assert out[heard[:8]] == pytest.approx(np.full(8, np.sqrt(0.5)))


def test_with_trails_it_plays_on_while_the_delay_is_off() -> None:
    """A step with trails fades the block's input: what is in the loop goes on, nothing comes in."""
    volts = np.random.default_rng(2).normal(size=(1, 80_000))
    volts[:, 30_000:] = 0.0
    takes = (Take(0, "record"), Take(10_000, "overdub"))
    unit = Delay(time_ms=50, feedback=0.1, loop_feedback=1.0)
    assert unit.has_trails
    out = unit.process(volts, Moment(RATE, takes=takes))
    one, other = out[:, 60_072:70_072], out[:, 70_072:]
    assert np.abs(one[:, : other.shape[1]] - other).max() < 1e-9
    assert np.abs(one).max() > 0.5


def test_problems_are_those_of_its_own_longest_take() -> None:
    said = Delay(loop_max_s=0.2).loop.problems(TAKES, RATE)
    assert said == [
        "play at 0.458 s ends a take of 0.417 s that began at 0.042 s: the loop holds 0.2 s"
    ]
    assert Delay().loop.problems(TAKES, RATE) == []


def test_defaults() -> None:
    unit = Delay()
    assert (unit.loop_db, unit.loop_feedback, unit.loop_max_s) == (0, 1, 60)
    assert unit.loop.late_s == 1.5e-3
