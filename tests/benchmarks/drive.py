"""Print what the drive and its oversampling cost: python tests/benchmarks/drive.py

Ten seconds of mono at 48 kHz, in one run, rounds interleaved, the least time of each.
"""

import runpy
import time
from pathlib import Path

import numba
import numpy as np
from scipy.signal import butter, firwin, resample_poly, sosfilt

from simchain.blocks.base import Moment
from simchain.blocks.drive import SERIES_OHM, THERMAL_VOLTS, Drive
from simchain.kernels import oversample
from simchain.kernels.rails import clipped

RATE = 48_000
ROUNDS = 7
JUDGE = Path(__file__).parents[1] / "references" / "drive" / "newton.py"


def clip_volts():
    """Return a decaying chord, 0.3 V at its loudest, struck twice a second."""
    seconds = np.arange(10 * RATE) / RATE
    tones = sum(np.sin(2 * np.pi * hz * seconds) / 3 for hz in (110.3, 164.9, 220.7))
    return 0.3 * tones * np.exp(-4 * (seconds % 0.5))


def plain_newton(drive):
    """Return the judge, compiled, between the same filters."""
    solve = numba.njit(runpy.run_path(str(JUDGE))[drive.clip])
    thermal = drive.ideality * THERMAL_VOLTS
    gain = 10 ** (drive.gain_db / 20)
    values = (1 / (8 * RATE), gain, SERIES_OHM[drive.clip], drive.low_cut_hz, drive.high_cut_hz)
    values += (drive.gbw_hz, drive.saturation_a, thermal, thermal)
    return lambda x: oversample.down(solve(oversample.up(x, 8), values), 8)


def resampled_by_scipy():
    """Return up and down by 8 with resample_poly: the same stop band and transition."""
    taps = firwin(2 * 35 * 8 + 1, 1 / 8, window=("kaiser", 9.95))
    return lambda x: resample_poly(resample_poly(x, 8, 1, window=taps), 1, 8, window=taps)


def contestants():
    found = {}
    for clip in ("feedback", "shunt"):
        drive = Drive(clip=clip, tone_hz=0)
        found[f"drive, {clip}"] = lambda x, drive=drive: drive.process(x[None], Moment(RATE))
        found[f"plain Newton, {clip}"] = plain_newton(drive)
    found["up and down by 8"] = lambda x: oversample.through(x, 8, np.asarray)
    found["resample_poly up and down by 8"] = resampled_by_scipy()
    found["rails, ten times over"] = lambda x: clipped(x, 0.03, RATE)
    sections = np.concatenate(
        [butter(2, hz, fs=RATE, output="sos") for hz in range(1000, 7000, 1000)]
    )
    found["sosfilt, six sections"] = lambda x: sosfilt(sections, x)
    return found


def main():
    x = clip_volts()
    found = contestants()
    best = dict.fromkeys(found, np.inf)
    for _ in range(ROUNDS + 1):
        for name, run in found.items():
            start = time.perf_counter()
            run(x)
            best[name] = min(best[name], time.perf_counter() - start)
    yardstick = best["sosfilt, six sections"]
    for name, seconds in best.items():
        print(f"{name:<32}{1e3 * seconds:8.1f} ms {seconds / yardstick:8.1f} times six sections")
    for clip in ("feedback", "shunt"):
        ratio = best[f"plain Newton, {clip}"] / best[f"drive, {clip}"]
        print(f"drive, {clip}: {ratio:.1f} times faster than plain Newton")
    ratio = best["resample_poly up and down by 8"] / best["up and down by 8"]
    print(f"up and down by 8: {ratio:.1f} times faster than resample_poly")


if __name__ == "__main__":
    main()
