"""What the drive and its oversampling cost and leave: python -m tests.benchmarks.drive"""

import argparse
from collections.abc import Iterator

import numba
import numpy as np
from scipy.signal import firwin, resample_poly

from simchain import clips
from simchain.blocks.base import Moment
from simchain.blocks.drive import SERIES_OHM, THERMAL_VOLTS, Drive
from simchain.kernels import oversample
from simchain.kernels.rails import clipped
from simchain.signal import read_clip
from tests.benchmarks.table import Row, main
from tests.benchmarks.timing import (
    RATE,
    SIX_SECTIONS,
    rows_of,
    six_sections,
    ten_seconds,
    timed,
)
from tests.references.drive import newton

EDGE = 1000  # frames near a cut, which has no end to its spectrum


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


def rows(_: argparse.Namespace) -> Iterator[Row]:
    x = ten_seconds()
    runs = {SIX_SECTIONS: six_sections(x)}
    for clip in ("feedback", "shunt"):
        drive = Drive(clip=clip, tone_hz=0)
        newton = plain_newton(drive)
        runs[f"drive, {clip}"] = lambda drive=drive: drive.process(x[None], Moment(RATE))
        runs[f"plain Newton, {clip}"] = lambda newton=newton: newton(x)
        rested = np.pad(x[:RATE], RATE // 10)  # both see the same before and behind it: silence
        apart = np.abs(drive.process(rested[None], Moment(RATE))[0] - newton(rested)).max()
        yield Row.of(f"drive, {clip}, away from plain Newton", float(apart), "volts", 1e-9)
    scipys = resampled_by_scipy()
    runs["up and down by 8"] = lambda: oversample.through(x, 8, np.asarray)
    runs["resample_poly up and down by 8"] = lambda: scipys(x)
    runs["rails, ten times over"] = lambda: clipped(x, 0.03, RATE)
    seconds = timed(runs, rounds=7)
    for clip in ("feedback", "shunt"):
        ratio = seconds[f"plain Newton, {clip}"] / seconds[f"drive, {clip}"]
        yield Row.of(f"drive, {clip}", ratio, "times as fast as plain Newton", 2.5, at_least=True)
    ratio = seconds["resample_poly up and down by 8"] / seconds["up and down by 8"]
    yield Row.of("up and down by 8", ratio, "times as fast as resample_poly", 10.0, at_least=True)
    clip = read_clip(clips.path("riff")).volts[0]
    yield Row.of("up and down by 8, left over of a clip", left_db(clip), "dB", -95.0)
    yield Row.of("up and down by 8, left over of noise to 20 kHz", left_db(noise()), "dB")
    yield from rows_of(seconds)


def left_db(x: np.ndarray) -> float:
    """Return what up and down by 8 changes in `x`, its RMS against that of `x`."""
    changed = (oversample.through(x, 8, np.asarray) - x)[EDGE:-EDGE]
    return float(20 * np.log10(np.std(changed) / np.std(x)))


def noise() -> np.ndarray:
    """Return a second of white noise from 20 Hz to 20 kHz."""
    spectrum = np.fft.rfft(np.random.default_rng(2).normal(size=RATE))
    hz = np.arange(spectrum.size)
    return np.fft.irfft(np.where((hz >= 20) & (hz <= 20_000), spectrum, 0.0))


if __name__ == "__main__":
    main(__doc__, rows)
