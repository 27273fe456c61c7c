"""A box of another make that puts a guitar's body back: resonances side by side, and the dry sound.

The body's gain keeps the power of a spectrum that falls 6 dB an octave from 80 Hz (the force on the
bridge of a string plucked at a point; Fletcher and Rossing, The Physics of Musical Instruments, ch.
2, from memory); resonances as in Zumbahlen, Linear Circuit Design Handbook, ch. 8. Converters that
clip at +9 dBu, as the block's do.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.fit.hidden.oversampled import down, ratio, up
from tests.fit.hidden.second_order import resonance

Floats = NDArray[np.float64]

MOST = 5
CEILING_VOLTS = 0.7746 * 2.0**0.5 * 10.0 ** (9.0 / 20.0)
LEAST_APART_OCTAVES = 0.4
BOUNDS = {"modes": ("db", 0.5), "mix": ("db", 0.03)} | {
    f"{key}_{number}": bound
    for number in range(MOST)
    for key, bound in (("hz", ("share", 0.05)), ("q", ("share", 0.1)), ("db", ("db", 0.5)))
}


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have: two to five resonances, each of which is heard."""
    count = int(rng.integers(2, MOST + 1))
    while True:
        hz = np.sort(70.0 * (1500.0 / 70.0) ** rng.uniform(size=count))
        if np.all(np.diff(np.log2(hz)) >= LEAST_APART_OCTAVES):
            break
    modes = [
        {"hz": float(one), "q": float(5.0 * 8.0 ** rng.uniform()), "db": float(rng.uniform(-12, 6))}
        for one in hz
    ]
    return {"modes": modes, "mix": float(rng.uniform(0.2, 1.0))}


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    dry = up(volts)
    gain = given["mix"] * _even_gain(given["modes"])
    line = (1.0 - given["mix"]) * dry
    for one in given["modes"]:
        line = line + gain * ratio(one["db"]) * resonance(dry, one["hz"], one["q"])
    return down(np.clip(line, -CEILING_VOLTS, CEILING_VOLTS))


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return mix, how many modes there are, and each with the one that is nearest in pitch.

    The body is made as loud as the dry sound, so the modes' levels count beside each other alone:
    against the power mean of those that are there.
    """
    pairs: dict[str, tuple[float, float]] = {
        "mix": (found["mix"], given["mix"]),
        "modes": (len(found["modes"]), len(given["modes"])),
    }
    mean = [10.0 * np.log10(np.mean([10.0 ** (one["db"] / 10.0) for one in side["modes"]]))
            for side in (found, given)]  # fmt: skip
    for number, one in enumerate(given["modes"]):
        near = min(found["modes"], key=lambda other: abs(np.log(other["hz"] / one["hz"])))
        pairs |= {f"{key}_{number}": (near[key], one[key]) for key in ("hz", "q")}
        pairs[f"db_{number}"] = (near["db"] - mean[0], one["db"] - mean[1])
    return pairs


def _even_gain(modes: list[dict[str, float]]) -> float:
    """Return the gain of the body: 1/f^2 over its integral with |H|^2, from 80 Hz to 20 kHz.

    Over log f, where 1/f^2 df is 1/f d(log f).
    """
    hz = np.geomspace(80.0, 20e3, 200_001)
    response = sum(
        ratio(one["db"]) / (1.0 + 1j * one["q"] * (hz / one["hz"] - one["hz"] / hz))
        for one in modes
    )
    return float(np.sqrt(np.sum(1.0 / hz) / np.sum(np.abs(response) ** 2 / hz)))
