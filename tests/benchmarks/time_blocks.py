"""What modulation, delay and reverb cost: python -m tests.benchmarks.time_blocks"""

import argparse
from collections.abc import Callable, Iterator

import numpy as np

from simchain.blocks.base import Moment
from simchain.blocks.delay import Delay
from simchain.blocks.modulation import Modulation
from simchain.blocks.octave import Octave
from simchain.blocks.reverb import Reverb, network_of
from simchain.kernels.reverb import network
from tests.benchmarks.table import Row, main
from tests.benchmarks.timing import RATE, against_six_sections


def clips() -> tuple[np.ndarray, np.ndarray]:
    """Return ten seconds of noise, and 20 ms of it with silence after."""
    live = 0.1 * np.random.default_rng(1).normal(size=(1, 10 * RATE))
    tail = live.copy()
    tail[:, RATE // 50 :] = 0.0
    return live, tail


def jobs() -> dict[str, Callable[[], object]]:
    live, tail = clips()
    now = Moment(RATE)
    units = {
        "chorus": Modulation(),
        "chorus, two outputs": Modulation(outputs=2),
        "flanger": Modulation(shape="flanger"),
        "phaser, 4 stages": Modulation(shape="phaser"),
        "phaser, 12 stages": Modulation(shape="phaser", stages=12),
        "vibrato": Modulation(shape="vibrato"),
        "tremolo": Modulation(shape="tremolo"),
        "delay, whole frames": Delay(),
        "delay, fraction of a frame": Delay(time_ms=380.01),
        "delay, 1.01 ms": Delay(time_ms=1.01),
        "reverb": Reverb(),
        "reverb, two outputs": Reverb(outputs=2),
        "reverb, 0.1 s": Reverb(decay_s=0.1),
        "reverb, motion": Reverb(motion=1),
        "reverb, shimmer": Reverb(shimmer=0.5),
        "reverb, motion and shimmer": Reverb(motion=1, shimmer=0.5),
        "octave, down": Octave(),
        "octave, up and down": Octave(up_mix=0.5),
    }
    found: dict[str, Callable[[], object]] = {}
    for name, unit in units.items():
        found[name] = lambda unit=unit: unit.process(live, now)
        found[f"{name}, silent tail"] = lambda unit=unit: unit.process(tail, now)
    for count in (8, 16):
        found[f"network alone, {count} lines"] = lines_job(count, live)
    return found


def lines_job(count: int, volts: np.ndarray) -> Callable[[], object]:
    """Return a run of the first `count` of the default reverb's lines: 16 within twice 8."""
    room = network_of(1.8, 0.5, 4500.0, RATE, 1)
    cut = (room.lengths, room.gains, room.poles, room.into[:1], room.out_of[:1])
    parts = tuple(np.ascontiguousarray(part[..., :count]) for part in cut)
    return lambda: network(volts, *parts)


def trap_jobs() -> dict[str, Callable[[], object]]:
    """Return runs of 16 lines that were once slow: rows a power of two apart, a silent tail."""
    live = np.random.default_rng(6).normal(size=(1, 10 * RATE))
    silent = live.copy()
    silent[:, 1000:] = 0.0
    ladder, ones = np.linspace(0.4, 1.0, 16), np.ones((1, 16))

    def job(longest: int, volts: np.ndarray) -> Callable[[], object]:
        lengths = (longest * ladder).astype(np.int64)
        gains = 10 ** (-3.0 * lengths / 48_000 / 0.3)
        return lambda: network(volts, lengths, gains, np.full(16, 0.3), ones, ones)

    lines = {f"16 lines, the longest {n}": job(n, live) for n in (2900, 2048, 4096, 4056)}
    return {**lines, "16 lines, a silent tail": job(2900, silent)}


def rows(_: argparse.Namespace) -> Iterator[Row]:
    yield from against_six_sections({**jobs(), **trap_jobs()})


if __name__ == "__main__":
    main(__doc__, rows)
