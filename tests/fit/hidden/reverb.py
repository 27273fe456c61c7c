"""A room of another make: noise that dies away, at each pitch in its own time. Nothing goes round.

Decay over pitch as a wall's first-order loss has it: what is lost on one way through the room grows
with a first-order low-pass, and is twice as much at `damping_hz` (Moorer, About this reverberation
business, Computer Music Journal 3(2), 1979: noise under an exponential; the loss from simchain's
documentation). A steady sound of 700 Hz is as loud in it as the sound itself.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from tests.fit.hidden.oversampled import RATE, down, low_cut, ratio, up

Floats = NDArray[np.float64]

CEILING_VOLTS = 0.7746 * 10.0 ** (9.0 / 20.0) * math.sqrt(2.0)  # +9 dBu, converters
OUTPUT_OHM, INTO_OHM = 500.0, 1e6
EVEN_HZ = 700.0
CONVERTERS_MS = 1.5
CELLS = ((1024, 0.0, 750.0), (256, 750.0, 24_000.0))  # frames, from and to Hz
LASTS = 1.6  # decays
BOUNDS = {
    "decay_s": ("share", 0.01),
    "damping_hz": ("share", 0.05),
    "low_cut_hz": ("share", 0.05),
    "first_ms": ("ms", 0.5),
    "mix": ("", 0.03),
    "level_db": ("db", 0.3),
}


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have; `way_s` is the mean way through the room.

    Of damped rooms that fall by 60 dB in less than a second no recording tells the decay to 1 % for
    sure: noise of B hertz that dies away in T seconds tells it with a deviation of 0.36 / sqrt(2 B
    T) at best (from its Fisher information), twice that where damping and size are looked for too.
    (Drawn from 0.6 s on, 2 of 20 were found 1.01 and 1.24 % off.)
    """
    decay_s = float(np.exp(rng.uniform(np.log(1.0), np.log(10.0))))
    return {
        "decay_s": decay_s,
        "damping_hz": float(np.exp(rng.uniform(np.log(1000.0), np.log(12e3)))),
        "low_cut_hz": float(np.exp(rng.uniform(np.log(60.0), np.log(500.0)))),
        "predelay_ms": float(rng.uniform(CONVERTERS_MS, 120.0)),
        "mix": float(rng.uniform(0.1, 0.7)),
        "level_db": float(rng.uniform(-6.0, 3.0)),
        "way_s": min(float(rng.uniform(0.03, 0.06)), decay_s / 13.0),
        "noise": int(rng.integers(1000)),
    }


def as_block(given: dict[str, Any]) -> dict[str, Any]:
    """Return what a block of these settings has: its converters are late, too."""
    return given | {"predelay_ms": given["predelay_ms"] - CONVERTERS_MS}


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return found and true values, of what the recording could tell.

    A room's predelay and its converters' are one figure: when its first sound comes.
    """
    names = ("decay_s", "damping_hz", "low_cut_hz", "mix", "level_db")
    first_ms = (found["predelay_ms"] + CONVERTERS_MS, given["predelay_ms"])
    return {name: (found[name], given[name]) for name in names} | {"first_ms": first_ms}


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    room = response(given)
    length = next_fast_len(volts.size + room.size, real=True)
    cut = down(low_cut(up(volts), given["low_cut_hz"]))
    wet = irfft(rfft(cut, length) * rfft(room, length), length)[: volts.size]
    turn = 0.5 * math.pi * given["mix"]
    made = math.cos(turn) * volts + math.sin(turn) * wet
    if np.abs(made).max() > 0.95 * CEILING_VOLTS:
        made = down(np.clip(up(made), -CEILING_VOLTS, CEILING_VOLTS))
    return np.asarray(made * ratio(given["level_db"]) * (INTO_OHM / (INTO_OHM + OUTPUT_OHM)))


def decay_over(hz: Floats, given: dict[str, Any]) -> Floats:
    """Return the decay at each of `hz`, in seconds for 60 dB."""
    lost_db = 60.0 * given["way_s"] / given["decay_s"]
    corner = given["damping_hz"] / math.sqrt(10.0 ** (lost_db / 10.0) - 1.0)
    more = 10.0 * np.log10(1.0 + np.square(hz / corner)) / lost_db
    return np.asarray(given["decay_s"] / (1.0 + more))


def response(given: dict[str, Any]) -> Floats:
    """Return what the room makes of a click, without dry, low cut, mix and level, (frames,).

    Noise of chance would stray by 2 % from a decay of 0.4 s, and by 15 % in a low cut of 100 Hz:
    here each cell of time and pitch has exactly the energy that the decay says, and a sign of
    chance, and each sixth of an octave is then voiced to it: what it is set to is what it does.
    Cells are narrow below 750 Hz and short above it.
    """
    begin = round(given["predelay_ms"] / 1e3 * RATE)
    frames = round(LASTS * given["decay_s"] * RATE)
    signs = np.random.default_rng(given["noise"])
    room = np.sum([_cells(given, signs, frames, *one) for one in CELLS], axis=0)
    return np.concatenate((np.zeros(begin), _voiced(room, given)))


def _voiced(room: Floats, given: dict[str, Any]) -> Floats:
    """Return the room with the energy that its decays say in each sixth of an octave, 1 at 700."""
    length = next_fast_len(2 * room.size, real=True)
    spectrum = rfft(room, length)
    hz = np.fft.rfftfreq(length, 1.0 / RATE)
    middles = 20.0 * 2.0 ** (np.arange(60) / 6.0)
    gains = np.ones(middles.size)
    for _ in range(3):
        here = np.exp(np.interp(np.log(np.maximum(hz, 1.0)), np.log(middles), np.log(gains)))
        power = np.square(np.abs(spectrum) * here)
        for place, middle in enumerate(middles):
            band = (hz >= middle / 2.0 ** (1 / 12)) & (hz < middle * 2.0 ** (1 / 12))
            if band.any():
                gains[place] *= math.sqrt(_energy_at(middle, given) / power[band].mean())
    here = np.exp(np.interp(np.log(np.maximum(hz, 1.0)), np.log(middles), np.log(gains)))
    return np.asarray(irfft(spectrum * here, length)[: room.size])


def _energy_at(hz: float, given: dict[str, Any]) -> float:
    decay_s, even_s = decay_over(np.array([hz, EVEN_HZ]), given)
    return float(decay_s / even_s)


def _cells(
    given: dict[str, Any], rng: np.random.Generator, frames: int, size: int, low: float, high: float
) -> Floats:
    """Return cells from `low` to `high` Hz, `size` frames apart: a modified cosine transform's.

    Princen and Bradley, IEEE Trans. ASSP 34(5), 1986. It keeps energy.
    """
    hz = (np.arange(size) + 0.5) * RATE / (2 * size)
    hz = hz[(hz >= low) & (hz < high)]
    rows = math.ceil(frames / size) + 2
    fallen = np.outer(np.arange(rows) * size / RATE, 1.0 / decay_over(hz, given))
    signs = rng.choice((-1.0, 1.0), fallen.shape)
    times = np.arange(2 * size) + 0.5
    waves = np.cos(2.0 * np.pi / RATE * np.outer(hz, times + size / 2))
    window = np.sin(np.pi * times / (2 * size)) * math.sqrt(2.0 / size)
    parts = (signs * 10.0 ** (-3.0 * fallen)) @ (waves * window)
    made = np.zeros((rows + 1, size))
    made[:-1] += parts[:, :size]
    made[1:] += parts[:, size:]
    return made[1:-1].ravel()[:frames]
