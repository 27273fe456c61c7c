"""What the drive and its oversampling cost: python -m tests.benchmarks.drive"""

import numba
import numpy as np
from scipy.signal import firwin, resample_poly

from simchain.blocks.base import Moment
from simchain.blocks.drive import SERIES_OHM, THERMAL_VOLTS, Drive
from simchain.kernels import oversample
from simchain.kernels.rails import clipped
from tests.benchmarks.timing import RATE, print_against_six_sections, ten_seconds
from tests.references.drive import newton


def plain_newton(drive):
    """Return the judge, compiled, between the same filters."""
    solve = numba.njit(getattr(newton, drive.clip))
    thermal = drive.ideality * THERMAL_VOLTS
    gain = 10 ** (drive.gain_db / 20)
    values = (1 / (8 * RATE), gain, SERIES_OHM[drive.clip], drive.low_cut_hz, drive.high_cut_hz)
    values += (drive.gbw_hz, drive.saturation_a, thermal, thermal)
    return lambda x: oversample.down(solve(oversample.up(x, 8), values), 8)


def resampled_by_scipy():
    """Return up and down by 8 with resample_poly: the same stop band and transition."""
    taps = firwin(2 * 35 * 8 + 1, 1 / 8, window=("kaiser", 9.95))
    return lambda x: resample_poly(resample_poly(x, 8, 1, window=taps), 1, 8, window=taps)


def main() -> None:
    x = ten_seconds()
    runs = {}
    for clip in ("feedback", "shunt"):
        drive = Drive(clip=clip, tone_hz=0)
        newton = plain_newton(drive)
        runs[f"drive, {clip}"] = lambda drive=drive: drive.process(x[None], Moment(RATE))
        runs[f"plain Newton, {clip}"] = lambda newton=newton: newton(x)
    scipys = resampled_by_scipy()
    runs["up and down by 8"] = lambda: oversample.through(x, 8, np.asarray)
    runs["resample_poly up and down by 8"] = lambda: scipys(x)
    runs["rails, ten times over"] = lambda: clipped(x, 0.03, RATE)
    least = print_against_six_sections(runs, rounds=7)
    for clip in ("feedback", "shunt"):
        ratio = least[f"plain Newton, {clip}"] / least[f"drive, {clip}"]
        print(f"drive, {clip}: {ratio:.1f} times faster than plain Newton")
    ratio = least["resample_poly up and down by 8"] / least["up and down by 8"]
    print(f"up and down by 8: {ratio:.1f} times faster than resample_poly")


if __name__ == "__main__":
    main()
