"""What a path that sways makes of a steady tone, for each shape of modulation.

What a tone of pitch w comes out as is x (dry + wet W(t)), W = z / (1 - feedback z), z being the
path that moves: exp(-j w delay) for a delay, for a phaser its all-passes, each -2 atan(w / corner).
Where the sway is fast against the time that feedback goes round, W is put into its own equation
again, W(t) = z(t) (1 + feedback W(t - delay)).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.blocks.modulation import (
    CHORUS_CENTRE_MS,
    CHORUS_SWING_MS,
    FLANGER_MS,
    PHASER_HZ,
    VIBRATO_NEAREST_MS,
    vibrato_swing_ms,
)
from simchain.fit.swaying import Complexes, Tone

Floats = NDArray[np.float64]

# What feedback leaves of a wrong beginning, and rounds at most.
_LEFT, _MOST_ROUNDS = 0.01, 30


@dataclass(frozen=True)
class Sway:
    """A sway: `turn` is where it stands at time 0; `dry` and `wet` are gains."""

    rate_hz: float
    turn: float
    depth: float
    feedback: float = 0.0
    stages: int = 4
    late_s: float = 0.0
    dry: float = 0.0
    wet: float = 1.0
    misfit: float = math.inf


@dataclass(frozen=True)
class Path:
    """The path that moves, of one shape; what is found is written into `Sway`."""

    shape: str
    latency_s: float = 0.0
    stages: int = 4

    @property
    def has_dry(self) -> bool:
        """Whether there is a sound beside the path that moves."""
        return self.shape != "vibrato"

    @property
    def names(self) -> tuple[str, ...]:
        """What is looked for, of a `Sway`; the two gains follow from it."""
        if self.shape == "tremolo":
            return ("rate_hz", "turn")
        if self.shape == "vibrato":
            return ("rate_hz", "turn", "depth")
        return ("rate_hz", "turn", "depth", "feedback")

    def late_s(self, sine: Floats, depth: float, rate_hz: float | Floats) -> Floats:
        """Return a delay's seconds where the sway's sine stands at `sine`."""
        if self.shape == "chorus":
            late_ms = CHORUS_CENTRE_MS + CHORUS_SWING_MS * depth * sine
        elif self.shape == "flanger":
            low, high = FLANGER_MS
            late_ms = math.sqrt(low * high) * (high / low) ** (0.5 * depth * sine)
        else:
            swing_ms = vibrato_swing_ms(depth, np.asarray(rate_hz))
            late_ms = VIBRATO_NEAREST_MS + swing_ms * (1.0 + sine)
        return np.asarray(late_ms / 1e3 + self.latency_s)

    def once(self, hz: float, turns: Floats, depth: float, rate_hz: float | Floats) -> Complexes:
        """Return z: what a tone comes out as that goes through the path once."""
        sine = np.sin(2.0 * np.pi * turns)
        if self.shape == "phaser":
            low, high = PHASER_HZ
            corner = math.sqrt(low * high) * (high / low) ** (0.5 * depth * sine)
            turned = -2.0 * self.stages * np.arctan(hz / corner)
            return np.asarray(np.exp(1j * (turned - 2.0 * np.pi * hz * self.latency_s)))
        return np.asarray(np.exp(-2j * np.pi * hz * self.late_s(sine, depth, rate_hz)))

    def wet(self, hz: float, turns: Floats, sway: Sway) -> Complexes:
        """Return W where the sway is slow."""
        if self.shape == "tremolo":
            gone = 0.5 - 0.5 * np.cos(2.0 * np.pi * turns)
            return np.asarray(gone * np.exp(-2j * np.pi * hz * self.latency_s))
        z = self.once(hz, turns, sway.depth, sway.rate_hz)
        return np.asarray(z / (1.0 - sway.feedback * z))

    def heard(self, tone: Tone, sway: Sway) -> tuple[Complexes, Complexes]:
        """Return what the dry and the wet path make of a tone, with a gain of 1."""
        at = tone.times - sway.late_s
        late = np.exp(-2j * np.pi * tone.hz * sway.late_s)
        dry = late * np.interp(at, tone.times, tone.given)
        turns = sway.turn + sway.rate_hz * at
        wet = self.wet(tone.hz, turns, sway) * dry
        if self.shape in ("tremolo", "phaser") or sway.feedback == 0.0:
            return dry, wet
        delay_s = self.late_s(np.sin(2.0 * np.pi * turns), sway.depth, sway.rate_hz)
        z = self.once(tone.hz, turns, sway.depth, sway.rate_hz)
        fed = late * np.interp(at - delay_s, tone.times, tone.given)
        rounds = math.log(_LEFT) / math.log(max(abs(sway.feedback), 1e-3))
        for _ in range(min(math.ceil(rounds), _MOST_ROUNDS)):
            wet = z * (fed + sway.feedback * np.interp(at - delay_s, at, wet))
        return dry, wet
