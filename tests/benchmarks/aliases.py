"""Print how far aliases lie below the sound: python -m tests.benchmarks.aliases

Total power between the harmonics, from above 0 Hz to 20 kHz, against the power of the harmonics up
to 20 kHz, of one second in the steady state. The tones are primes that divide no rate, so that no
alias hides under a harmonic.
"""

from functools import partial

import numpy as np

from simchain.blocks.base import Moment
from simchain.blocks.drive import Drive
from simchain.kernels.rails import clipped

TONES = (997, 1249, 4999)
RATES = (44_100, 48_000, 96_000)


def aliases_db(volts, hz, rate):
    """Return non-harmonic over harmonic power of the second that starts after a quarter."""
    second = volts[rate // 4 : rate // 4 + rate]
    power = np.abs(np.fft.rfft(second))[1:20_001] ** 2
    harmonic = np.arange(1, 20_001) % hz == 0
    return 10 * np.log10(power[~harmonic].sum() / power[harmonic].sum())


def tone(peak, hz, rate):
    """Return one and a half seconds, shape (1, frames)."""
    return peak * np.sin(2 * np.pi * hz * np.arange(rate * 3 // 2) / rate)[None]


def drive_aliases_db(clip, hz, rate=48_000, **settings):
    """Sine of 0.3 V peak into a gain of 40 dB."""
    drive = Drive(clip=clip, gain_db=40, **settings)
    return aliases_db(drive.process(tone(0.3, hz, rate), Moment(rate))[0], hz, rate)


def rails_aliases_db(hz, rate=48_000):
    """Sine ten times the rail."""
    return aliases_db(clipped(tone(35.0, hz, rate)[0], 3.5, rate), hz, rate)


def main():
    rows = {
        "drive, feedback": partial(drive_aliases_db, "feedback"),
        "drive, shunt": partial(drive_aliases_db, "shunt"),
        "drive, feedback, tone off": partial(drive_aliases_db, "feedback", tone_hz=0),
        "drive, shunt, tone off": partial(drive_aliases_db, "shunt", tone_hz=0),
        "rails, ten times over": rails_aliases_db,
    }
    print("non-harmonic against harmonic power to 20 kHz, dB")
    print(f"{'':34}" + "".join(f"{hz:>7} Hz" for hz in TONES))
    for rate in RATES:
        for name, figure in rows.items():
            figures = "".join(f"{figure(hz=hz, rate=rate):10.1f}" for hz in TONES)
            print(f"{rate:>6} {name:<27}{figures}")


if __name__ == "__main__":
    main()
