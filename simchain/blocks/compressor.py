"""The compressor: loud notes turned down, the rest brought up."""

import math
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from simchain import units
from simchain.blocks._moving import rests_at, value_of
from simchain.blocks._paths import loudest, to_channels
from simchain.blocks.base import Block, Curve, Moment, current_ma, input_ohm, noise_nv, output_ohm
from simchain.settings import control
from simchain.signal import Volts, pieces

QUIETEST_VOLTS = 1e-12
AT_REST_DB = 1e-30
CALIBRATED_AT_HZ = 997.0
DB_A_NEPER = 20.0 / math.log(10.0)


class Compressor(Block):
    """Feed-forward compressor with a soft knee, working on decibels.

    Published curve (`simchain.kernels.dynamics`), levels being those of a sine: a steady sine of
    L dBu RMS sits at L on the curve, within 0.03 dB at 997 Hz for release times from 100 ms.
    Two channels share one detector, which follows the louder.

    At usual attack and release times the gain stands almost still within a wave, so that the
    compressor alone has next to no distortion (THD of 0.1 % or less on a steady note); it becomes
    audible as dirt only with a fast attack and a fast release together.
    """

    kind: ClassVar[str] = "compressor"
    about: ClassVar[str] = (
        "Turns loud notes down and, with make-up, soft ones up: even playing, longer sustain.\n"
        "The make-up lifts hiss and hum along with the soft notes."
    )
    checked_against: ClassVar[str] = (
        "static curve and detector of Giannoulis, Massberg, Reiss, J. Audio Eng. Soc. 60(6), 2012"
    )

    threshold_dbu: float = control(
        -26,
        "level above which it turns down",
        unit="dBu",
        ge=-80,
        le=40,
        usual=(-50, 0),
        movable=True,
    )
    ratio: float = control(
        4, "decibels in for one decibel out, above the threshold", ge=1, le=1000, usual=(1.5, 20)
    )
    knee_db: float = control(
        6, "width of the bend around the threshold", unit="dB", ge=0, le=60, usual=(0, 20)
    )
    attack_ms: float = control(
        10, "time to turn down, to 63 % of the way", unit="ms", ge=0, le=1000, usual=(0.5, 80)
    )
    release_ms: float = control(
        150, "time to come back, to 63 % of the way", unit="ms", ge=0, le=10_000, usual=(30, 1200)
    )
    makeup_db: float = control(
        6, "gain after turning down", unit="dB", ge=-60, le=80, usual=(0, 30), movable=True
    )
    blend: float = control(
        1, "compressed sound's share; the rest is dry", ge=0, le=1, usual=(0, 1), movable=True
    )
    input_ohm: float = input_ohm(500e3, (100e3, 1e6))
    output_ohm: float = output_ohm(1e3, (100, 10e3))
    current_ma: float = current_ma(8, (3, 30))
    noise_nv: float = noise_nv(25)

    def is_lti(self) -> bool:
        """Only where it never turns anything down."""
        return self.ratio == 1 or self.blend == 0

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """See `Block.process_over`."""
        if rests_at(self, "blend", now, 0.0):
            return to_channels(volts, self.outputs)
        moving_dbu = dict(now.curves).get("threshold_dbu")
        reductions_db = self.reductions_db(volts, now.rate, moving_dbu)
        for part in pieces(volts.shape[1]):
            gain = value_of(self, "makeup_db", now, part) - reductions_db[part]
            gain /= DB_A_NEPER
            np.exp(gain, out=gain)
            blend = value_of(self, "blend", now, part)
            gain *= blend
            gain += 1.0 - blend
            volts[:, part] *= gain
        return to_channels(volts, self.outputs)

    def reductions_db(
        self, volts: Volts, rate: int, moving_dbu: Curve | None = None
    ) -> NDArray[np.float64]:
        """Return by how many decibels each frame is turned down, shape (frames,), 0 or more.

        `moving_dbu` is the threshold, where it does not rest. The curve hangs on level less
        threshold alone: a threshold that moves up is levels that move down.
        """
        from simchain.kernels.dynamics import levels_to_reductions

        db = np.empty(volts.shape[1])
        threshold_dbu = self.threshold_dbu if moving_dbu is None else moving_dbu.value(0)
        for part in pieces(db.size):
            here = db[part]
            loudest(volts[:, part], out=here)
            np.maximum(here, QUIETEST_VOLTS, out=here)
            np.log(here, out=here)
            here *= DB_A_NEPER
            here -= DB_A_NEPER * math.log(units.dbu_to_peak_volts(0.0))
            if moving_dbu is not None:
                here -= moving_dbu.values(here.size, part.start) - threshold_dbu
        curve = np.array([threshold_dbu - self._sag_db(), 1 - 1 / self.ratio, self.knee_db])
        attack, release = (_kept(ms, rate) for ms in (self.attack_ms, self.release_ms))
        levels_to_reductions(db, curve, attack, release, AT_REST_DB)
        return db

    def _sag_db(self) -> float:
        """Return by how much the detector reads a sine's peak too low on average.

        Between two half-waves the detector falls from the peak's reduction towards that of the
        wave's own level now. It falls short of the peak by the integral of that gap over the
        release time; in steady state the mean of this, half a period T/2 long and symmetrical, is
        (T/4) / release times the mean gap. The mean gap of a sine from its peak, in decibels, is
        -mean(20 log10 |sin|) = 20 log10 2 = 6.02 dB, times the curve's slope. So the sag is that
        of a level (T/4) / release x 6.02 dB lower, and is given back at the threshold: 0.015 dB at
        997 Hz and 100 ms. Small reductions have smaller gaps and are over-corrected by less
        than that; lower notes sag more, and breathe as the circuit would.
        """
        quarter_ms = 1e3 / CALIBRATED_AT_HZ / 4.0
        return 20.0 * math.log10(2.0) * quarter_ms / max(self.release_ms, 10.0)


def _kept(ms: float, rate: int) -> float:
    """Return what one frame keeps of the last: exp(-1 / (time constant x rate))."""
    return math.exp(-1e3 / (ms * rate)) if ms > 0 else 0.0
