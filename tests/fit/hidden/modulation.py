"""Modulation of another make: chorus, flanger, phaser, vibrato, tremolo, one slow sine each.

A line of delay is read by a windowed sinc of 48 taps at twice the rate (Laakso and others, IEEE
Signal Processing Magazine 13(1), 1996; from memory); a phaser's first-order all-passes, each twice
a low-pass less its input (v' = w (x - v), y = 2 v - x), are stepped by the trapezoidal rule at
eight times the rate; a tremolo is a product. What depth 1 stands for is as simchain's documentation
has it, which is common practice without a source: +-3.5 ms about 12 ms, 0.3 to 8 ms, 200 to 2000
Hz, +-40 cents, silence. Its sine begins anywhere.
"""

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.signal import resample_poly

from tests.fit.hidden.oversampled import FAST, RATE, down, ratio, up

Floats = NDArray[np.float64]

LINE_RATE, HALF_TAPS = 2 * RATE, 24
RAIL_VOLTS = 3.5  # 9 V, half of it less a volt
OUTPUT_OHM, INTO_OHM = 500.0, 1e6
SHAPES = ("chorus", "flanger", "phaser", "vibrato", "tremolo")
MOST_SWING_MS = 5.0
# Where the sine of a take may stand when it begins: what is judged is all of them together.
TURNS = (0.0, 0.25, 0.5, 0.75)

BOUNDS = {
    "rate_hz": ("share", 0.01),
    "depth": ("", 0.03),
    "feedback": ("", 0.03),
    "mix": ("", 0.03),
    "stages": ("", 0.5),
    "level_db": ("db", 0.3),
}


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have; the shape is one of five in turn of chance."""
    shape = str(rng.choice(SHAPES))
    slowest, fastest = (0.5, 12.0) if shape in ("vibrato", "tremolo") else (0.05, 8.0)
    given: dict[str, Any] = {
        "shape": shape,
        "rate_hz": float(np.exp(rng.uniform(np.log(slowest), np.log(fastest)))),
        "depth": float(rng.uniform(0.2, 1.0)),
        "level_db": float(rng.uniform(-6.0, 3.0)),
        "phase": float(rng.uniform()),
    }
    if shape in ("vibrato", "tremolo"):
        return given
    most = 0.5 if shape == "chorus" else 0.9
    given["feedback"] = float(rng.uniform(-most, most))
    given["mix"] = float(rng.uniform(0.1, 0.9))
    if shape == "phaser":
        given["stages"] = int(2 * rng.integers(1, 7))
    return given


def board(given: dict[str, Any]) -> dict[str, Any]:
    """Return what the user knows: which of the five it is."""
    return {"shape": given["shape"]}


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return found and true values, of what the recording could tell.

    Of a tremolo only the product of mix and depth; a slow vibrato's swing stays at 5 ms above some
    depth, so that all depths above are one.
    """
    names = ["rate_hz", "level_db"] + [key for key in ("feedback", "mix", "stages") if key in given]
    pairs = {name: (found[name], given[name]) for name in names}
    depths = found["depth"], given["depth"]
    if given["shape"] == "tremolo":
        depths = found["depth"] * found["mix"], given["depth"]
    if given["shape"] == "vibrato":
        enough = math.log2(1.0 + 2.0 * math.pi * given["rate_hz"] * MOST_SWING_MS / 1e3) * 30.0
        depths = min(enough, depths[0]), min(enough, depths[1])
    return pairs | {"depth": depths}


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    mix = given.get("mix", 1.0)
    made = (1.0 - mix) * volts + mix * _wet(volts, given)
    if np.abs(made).max() > 0.95 * RAIL_VOLTS:
        made = down(np.clip(up(made), -RAIL_VOLTS, RAIL_VOLTS))
    return made * ratio(given["level_db"]) * (INTO_OHM / (INTO_OHM + OUTPUT_OHM))


def _wet(volts: Floats, given: dict[str, Any]) -> Floats:
    if given["shape"] == "tremolo":
        gone = 0.5 * (1.0 - np.cos(2.0 * np.pi * _turns(volts.size, RATE, given)))
        return volts * (1.0 - given["depth"] * gone)
    if given["shape"] == "phaser":
        fast = up(volts)
        sway = np.sin(2.0 * np.pi * _turns(fast.size, FAST, given))
        corners = math.sqrt(200.0 * 2000.0) * 10.0 ** (0.5 * given["depth"] * sway)
        return down(_phased(fast, corners / FAST, given["stages"], given["feedback"]))
    fast = resample_poly(volts, 2, 1, window=("kaiser", 12.0))
    sway = np.sin(2.0 * np.pi * _turns(fast.size, LINE_RATE, given))
    late = _late_ms(sway, given) / 1e3 * LINE_RATE
    wet = _swept(fast, late, given.get("feedback", 0.0))
    return np.asarray(resample_poly(wet, 1, 2, window=("kaiser", 12.0)))


def _turns(frames: int, rate: int, given: dict[str, Any]) -> Floats:
    return given["phase"] + given["rate_hz"] * np.arange(frames) / rate


def _late_ms(sway: Floats, given: dict[str, Any]) -> Floats:
    depth = given["depth"]
    if given["shape"] == "chorus":
        return 12.0 + 3.5 * depth * sway
    if given["shape"] == "flanger":
        return np.asarray(np.exp(0.5 * (np.log(0.3 * 8.0) + depth * sway * np.log(8.0 / 0.3))))
    # A delay of A sin(w t) raises the pitch by as much as 1 + A w; never nearer than 0.5 ms.
    swing = math.expm1(math.log(2.0) * depth / 30.0) / (2.0 * math.pi * given["rate_hz"])
    return 0.5 + min(MOST_SWING_MS, 1e3 * swing) * (1.0 + sway)


@njit(cache=True)
def _swept(fed: Floats, late: Floats, feedback: float) -> Floats:
    """Read `late` frames behind, by a sinc under a raised cosine; what is read goes round again."""
    held, out = np.zeros(fed.size), np.zeros(fed.size)
    turn_cos, turn_sin = math.cos(math.pi / HALF_TAPS), math.sin(math.pi / HALF_TAPS)
    for n in range(fed.size):
        place = n - late[n]
        whole = math.floor(place)
        rest = place - whole
        total = 0.0
        if rest < 1e-9:
            total = held[whole] if whole >= 0 else 0.0
        else:
            away = rest + HALF_TAPS - 1
            sign = -1.0 if HALF_TAPS % 2 == 0 else 1.0
            high = sign * math.sin(math.pi * rest) / math.pi
            angle = math.pi * away / HALF_TAPS
            real, imaginary = math.cos(angle), math.sin(angle)
            for tap in range(whole - HALF_TAPS + 1, whole + HALF_TAPS + 1):
                if 0 <= tap < n:
                    total += held[tap] * (high / away) * (0.5 + 0.5 * real)
                real, imaginary = (
                    real * turn_cos + imaginary * turn_sin,
                    imaginary * turn_cos - real * turn_sin,
                )
                away -= 1.0
                high = -high
        out[n] = total
        held[n] = fed[n] + feedback * total
    return out


@njit(cache=True)
def _phased(fed: Floats, corners: Floats, stages: int, feedback: float) -> Floats:
    """All-passes in a row, `corners` in turns a frame; their output goes round at once.

    Of each low-pass v = g x + s at the frame: so the row is a x + b, and so is the whole.
    """
    out = np.zeros(fed.size)
    states = np.zeros(stages)
    for n in range(fed.size):
        bent = math.tan(math.pi * corners[n])
        g = bent / (1.0 + bent)
        a, b = 1.0, 0.0
        for k in range(stages):
            b = (2.0 * g - 1.0) * b + 2.0 * states[k] / (1.0 + bent)
            a *= 2.0 * g - 1.0
        row = (a * fed[n] + b) / (1.0 - feedback * a)
        x = fed[n] + feedback * row
        for k in range(stages):
            low = g * x + states[k] / (1.0 + bent)
            states[k] += 2.0 * bent * (x - low)
            x = 2.0 * low - x
        out[n] = x
    return out
