"""The gate: it turns down what is below a level."""

import math
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from simchain import units
from simchain.blocks._paths import loudest, to_channels
from simchain.blocks.base import Block, Curve, Moment, current_ma, input_ohm, noise_nv, output_ohm
from simchain.settings import control
from simchain.signal import Volts, pieces

SHORTEST_HOLD_MS = 10.0
RESIDUE_DB = 2.0
AT_REST_DB = 1e-9
DB_A_NEPER = 20.0 / math.log(10.0)


class Gate(Block):
    """A level comparator with a timer, and a gain that glides in decibels.

    It opens in the frame whose peak |v| reaches that of a sine of threshold_dbu RMS, and starts
    to close once |v| has stayed below that of threshold_dbu - hysteresis_db for `hold_ms`. So a
    steady sine of L dBu RMS opens it at L = threshold_dbu, whatever its pitch. A hold below 10 ms
    counts as 10 ms, half a wave of 50 Hz: else it would close between the half-waves of a note.

    The reduction runs exponentially in decibels from range_db to 0 and back. `attack_ms` and
    `release_ms` are the times from closed to within 2 dB of open, and from open to within 2 dB of
    closed, the residue by which IEC 60268-8 (from memory) times limiters:
    time constant = time / ln(range_db / 2). Starting softly and ending without a corner, it does
    not click. Two channels share one decision, taken on the louder. It starts closed.
    """

    kind: ClassVar[str] = "gate"
    works_on_noise: ClassVar[bool] = True
    about: ClassVar[str] = (
        "Shuts when you stop playing, so that hum and hiss are gone in the rests.\n"
        "It cannot take noise out of a note, and it cuts tails and repeats that come before it."
    )
    checked_against: ClassVar[str] = (
        "closed forms: opening at a sine's peak, hold, T ln(range/2) for attack and release"
    )

    threshold_dbu: float = control(
        -52,
        "level at which it opens (about -40 after a drive)",
        unit="dBu",
        ge=-120,
        le=40,
        usual=(-80, 0),
        movable=True,
    )
    hysteresis_db: float = control(
        4, "how far below that it may close again", unit="dB", ge=0, le=60, usual=(0, 12)
    )
    attack_ms: float = control(
        1, "time to open, to within 2 dB", unit="ms", ge=0, le=1000, usual=(0.1, 20)
    )
    hold_ms: float = control(
        50,
        "time it waits before it closes (below 10 counts as 10)",
        unit="ms",
        ge=0,
        le=10_000,
        usual=(0, 500),
    )
    release_ms: float = control(
        150, "time to close, to within 2 dB", unit="ms", ge=0, le=10_000, usual=(10, 1500)
    )
    range_db: float = control(
        60, "how far it turns down when closed", unit="dB", ge=3, le=120, usual=(6, 80)
    )
    input_ohm: float = input_ohm(1e6, (100e3, 10e6))
    output_ohm: float = output_ohm(500, (50, 25e3))
    current_ma: float = current_ma(10, (3, 30))
    noise_nv: float = noise_nv(10)

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """See `Block.process_over`."""
        moving_dbu = dict(now.curves).get("threshold_dbu")
        gain = self.reductions_db(volts, now.rate, moving_dbu)
        for part in pieces(gain.size):
            gain[part] /= -DB_A_NEPER
            volts[:, part] *= np.exp(gain[part])
        return to_channels(volts, self.outputs)

    def reductions_db(
        self, volts: Volts, rate: int, moving_dbu: Curve | None = None
    ) -> NDArray[np.float64]:
        """Return by how many decibels each frame is turned down, shape (frames,).

        `moving_dbu` is the threshold, where it does not rest. Only peaks against the
        threshold count: where it moves up, peaks move down.
        """
        from simchain.kernels.gate import peaks_to_reductions

        peaks = np.empty(volts.shape[1])
        threshold_dbu = self.threshold_dbu if moving_dbu is None else moving_dbu.value(0)
        for part in pieces(peaks.size):
            here = peaks[part]
            loudest(volts[:, part], out=here)
            if moving_dbu is not None:
                moved_db = threshold_dbu - moving_dbu.values(here.size, part.start)
                here *= 10.0 ** (moved_db / 20.0)
        opens_at = units.dbu_to_peak_volts(threshold_dbu)
        closes_at = opens_at * units.db_to_ratio(-self.hysteresis_db)
        wait = round(max(self.hold_ms, SHORTEST_HOLD_MS) * rate / 1e3)
        kept = np.array([self._kept(ms, rate) for ms in (self.attack_ms, self.release_ms)])
        levels = np.array([opens_at, closes_at])
        peaks_to_reductions(peaks, levels, wait, float(self.range_db), kept, AT_REST_DB)
        return peaks

    def _kept(self, ms: float, rate: int) -> float:
        """Return what one frame keeps of the last, so that 2 dB of range_db are left after `ms`."""
        frames = ms * rate / 1e3
        return float((RESIDUE_DB / self.range_db) ** (1.0 / frames)) if frames > 0 else 0.0
