"""Time of the amplifier's parts: python -m tests.benchmarks.amp"""

import argparse
from collections.abc import Iterator
from functools import partial

import numpy as np

from simchain.amp import Amp, cabinet, power, preamp, stages, triode
from simchain.filters.impulse import convolved
from tests.benchmarks.table import Row, main
from tests.benchmarks.timing import RATE, against_six_sections, ten_seconds

FACTOR = 4


def rows(_: argparse.Namespace) -> Iterator[Row]:
    amp, hot, volts = Amp(gain_db=16), Amp(gain_db=45), ten_seconds()[None]
    sent = preamp(amp, volts, RATE)
    spoken = power(amp, sent, RATE)
    taps = np.random.default_rng(1).normal(size=2048) * np.exp(-np.arange(2048) / 300)
    fast = np.repeat(10 * volts[0], FACTOR)
    yield from against_six_sections(
        {
            "preamp (three triodes, tone network)": partial(preamp, amp, volts, RATE),
            "preamp at 45 dB (oversampling doubled)": partial(preamp, hot, volts, RATE),
            "one stage, cathode and coupling moving": partial(one_stage, stages.THIRD, fast),
            "one stage, nothing moving": partial(one_stage, stages.SECOND, fast),
            "power stage and speaker": partial(power, amp, sent, RATE),
            "cabinet": partial(cabinet, amp, spoken, RATE),
            "cabinet of 2,048 taps": partial(convolved, taps, spoken),
        }
    )


def one_stage(stage: triode.Stage, fast: np.ndarray) -> None:
    """Run one stage alone over ten seconds at four times the rate."""
    ahead = stage.coupling.sections(float(RATE * FACTOR))
    triode.Line(stage, ahead, RATE, FACTOR).shape(fast.copy())


if __name__ == "__main__":
    main(__doc__, rows)
