"""Octave: the note an octave up and down, read by heads that jump by whole periods."""

import math
from functools import lru_cache
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from simchain.blocks._moving import rests_at, value_of
from simchain.blocks._paths import to_channels
from simchain.blocks.base import (
    Block,
    Moment,
    current_ma,
    input_ohm,
    noise_nv,
    noise_out_uv,
    output_ohm,
)
from simchain.settings import control
from simchain.signal import Signal, Volts, pieces, resampled

Floats = NDArray[np.float64]

LATENCY_MS = 15.0
OWN_RATE, LEADS_A_SECOND = 48_000, 100
JUMPS_MS = (5.5, 18.5)
FADE_MS = 5.0
NEAREST_MS = 1.1
KEPT_HZ, LOST_HZ, LOST_DB = 9_500.0, 12_000.0, 80.0


class Octave(Block):
    """Three paths added: the sound as it is, an octave above it and an octave below.

    The octaves are read from a line at twice and half the speed. A head jumps whenever it has come
    too near or fallen too far behind, by the lag from 5.5 to 18.5 ms at which the sound is most
    like itself. Notes from 60 Hz up, and fifths whose period fits, join without a seam; a triad's
    does not, and it wavers. The octaves are 6 to 25 ms late, attacks the least; the direct sound
    is not. What enters them is cut off above 9.5 kHz, so that nothing of an octave up folds back
    below 20 kHz. The unit runs at 48 kHz whatever the board's rate: where a chord is cut and joined
    hangs on little, and so it is the same at every rate.
    """

    kind: ClassVar[str] = "octave"
    about: ClassVar[str] = (
        "Adds what you play an octave up, an octave down, or both, to the sound as it is.\n"
        "Single notes and many fifths stay clean, full chords waver. The octaves lag 6 to 25 ms."
    )
    checked_against: ClassVar[str] = (
        "twice and half the frequency of a tone (0.1 %), its level (1 dB), what lies beside it"
    )
    deepest: ClassVar[str] = "each mix at 1: as loud as what goes in"

    up_mix: float = control(
        0.0, "how much of the octave above", ge=0, le=1, usual=(0, 1), movable=True
    )
    down_mix: float = control(
        0.5, "how much of the octave below", ge=0, le=1, usual=(0, 1), movable=True
    )
    direct_mix: float = control(
        1.0, "how much of the sound as it is", ge=0, le=1, usual=(0, 1), movable=True
    )

    bypass: Literal["true", "buffered"] = control(
        "true", "what the footswitch does when off: a straight wire, or a buffer that stays in"
    )
    input_ohm: float = input_ohm(500e3, (100e3, 1e6))
    output_ohm: float = output_ohm(1e3, (50, 25e3))
    current_ma: float = current_ma(80, (2, 150))
    noise_nv: float = noise_nv(30)
    noise_out_uv: float = noise_out_uv(25)
    latency_ms: float | None = control(
        None,
        "how late the octaves are in the middle of a jump; the direct sound is not (15)",
        unit="ms",
        ge=LATENCY_MS,
        le=100,
        usual=(15, 25),
    )

    @property
    def is_digital(self) -> bool:
        """A digital unit unless `digital` says otherwise."""
        return self.digital is not False

    @property
    def wet_latency_s(self) -> float:
        """Seconds by which the octaves are late, in the middle between two jumps."""
        return (LATENCY_MS if self.latency_ms is None else self.latency_ms) / 1e3

    def direct_share(self) -> float:
        """See `Block.direct_share`."""
        return self.direct_mix

    def is_lti(self) -> bool:
        """Only while nothing but the direct sound comes out."""
        return self.up_mix == 0.0 and self.down_mix == 0.0

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """Add the octaves of `volts`, shape (inputs, frames), to its direct sound.

        Needs the room of six channels beside it.
        """
        mixed = to_channels(volts, min(self.inputs, self.outputs))
        for row in mixed:
            wet = self._octaves(row, now)
            for part in pieces(row.size):
                row[part] *= value_of(self, "direct_mix", now, part)
                if wet is not None:
                    row[part] += wet[part]
        return to_channels(mixed, self.outputs)

    def _octaves(self, row: Floats, now: Moment) -> Floats | None:
        """Return the octaves of one channel as they are mixed, or None where there are none."""
        late = math.floor((self.wet_latency_s - LATENCY_MS / 1e3) * now.rate + 0.5)
        if not {"up_mix", "down_mix"} & dict(now.curves).keys():
            if self.is_lti():
                return None
            return _octaves(row, now.rate, late, self.up_mix, self.down_mix)
        wet = np.zeros(row.size)
        for name, alone in (("up_mix", (1.0, 0.0)), ("down_mix", (0.0, 1.0))):
            if rests_at(self, name, now, 0.0):
                continue
            octave = _octaves(row, now.rate, late, *alone)
            for part in pieces(row.size):
                wet[part] += value_of(self, name, now, part) * octave[part]
        return wet


def _octaves(row: Floats, rate: int, late: int, up: float, down: float) -> Floats:
    """Return `up` and `down` of the octaves of `row`, made at the unit's own rate."""
    from scipy.signal import oaconvolve

    from simchain.kernels.delay_line import delayed
    from simchain.kernels.pitch import shifted, splices

    lead = rate // LEADS_A_SECOND
    inside = resampled(Signal(np.pad(row, lead), rate), OWN_RATE)
    taps = _band()
    kept: Floats = oaconvolve(inside.volts[0], taps, "same")
    wet = np.zeros(kept.size)
    for mix, doubled in ((up, True), (down, False)):
        if mix > 0.0:
            plan = splices(OWN_RATE, doubled, JUMPS_MS, FADE_MS, NEAREST_MS)
            wet += mix * shifted(kept, plan)
    out = resampled(Signal(wet, OWN_RATE), rate).volts[:, lead : lead + row.size]
    return np.asarray(delayed(out, late)[0])


@lru_cache(maxsize=1)
def _band() -> Floats:
    """Return a linear-phase low-pass of odd length: flat to 9.5 kHz, 80 dB down from 12 kHz.

    Its middle is 1 ms in, which the heads' nearest delay covers: nothing is heard before it was
    played. Windowed sinc, Kaiser's design (Oppenheim and Schafer, ch. 7, from memory).
    """
    from scipy.signal import firwin, kaiserord

    count, beta = kaiserord(LOST_DB, (LOST_HZ - KEPT_HZ) / (OWN_RATE / 2))
    middle = 0.5 * (KEPT_HZ + LOST_HZ)
    return np.asarray(firwin(count | 1, middle, window=("kaiser", beta), fs=OWN_RATE))
