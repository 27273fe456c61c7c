"""Print what modulation, delay and reverb cost: python tests/benchmarks/time_blocks.py

Ten seconds of mono at 48 kHz, in one run, rounds interleaved, the least time of each, and its
ratio to scipy.signal.sosfilt with six sections on the same clip.
"""

import time
from collections.abc import Callable

import numpy as np
from scipy.signal import butter, sosfilt

from simchain.blocks.base import Moment
from simchain.blocks.delay import Delay
from simchain.blocks.modulation import Modulation
from simchain.blocks.reverb import Reverb

RATE = 48_000
ROUNDS = 9


def clips() -> tuple[np.ndarray, np.ndarray]:
    """Return ten seconds of noise, and 20 ms of it with silence after."""
    live = 0.1 * np.random.default_rng(1).normal(size=(1, 10 * RATE))
    tail = live.copy()
    tail[:, RATE // 50 :] = 0.0
    return live, tail


def jobs() -> dict[str, Callable[[], object]]:
    live, tail = clips()
    now, six = Moment(RATE), butter(12, 0.2, output="sos")
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
    }
    found: dict[str, Callable[[], object]] = {"six sections": lambda: sosfilt(six, live[0])}
    for name, unit in units.items():
        found[name] = lambda unit=unit: unit.process(live, now)
        found[f"{name}, silent tail"] = lambda unit=unit: unit.process(tail, now)
    return found


def main() -> None:
    todo = jobs()
    least = dict.fromkeys(todo, np.inf)
    for _ in range(ROUNDS):
        for name, job in todo.items():
            begun = time.perf_counter()
            job()
            least[name] = min(least[name], time.perf_counter() - begun)
    yardstick = least["six sections"]
    for name, seconds in least.items():
        print(f"{name:40s} {seconds * 1e3:7.2f} ms {seconds / yardstick:6.2f} x")


if __name__ == "__main__":
    main()
