"""Integrated loudness of ten sounds of guitar at three rates against libebur128: 0.01 LU."""

from collections.abc import Iterator

import numpy as np
import pyebur128
import pytest

from simchain.clips import names, path
from simchain.measure.loudness import integrated_lufs
from simchain.signal import Signal, read_clip, resampled


def outside_meter(signal: Signal) -> float:
    mode = pyebur128.MeasurementMode.MODE_I
    state = pyebur128.R128State(signal.channels, signal.rate, mode)
    state.add_frames(np.ascontiguousarray(signal.volts.T).ravel(), signal.frames)
    return float(pyebur128.get_loudness_global(state))


def ten_clips() -> Iterator[tuple[str, Signal]]:
    """The six clips, and four of two channels: a wide pair, an echo on one side, hard clipping,
    and a piece whose second half lies 30 dB down, below the relative gate."""
    clips = {name: read_clip(path(name)) for name in names()}
    yield from clips.items()
    rate = clips["riff"].rate
    length = min(clip.frames for clip in clips.values())
    riff, funk = (clips[name].volts[0, :length] for name in ("riff", "funk"))
    yield "riff left, funk right", Signal(np.stack((riff, 0.5 * funk)), rate)
    late = np.concatenate((np.zeros(rate // 4), funk[: -rate // 4]))
    yield "echo on the right", Signal(np.stack((funk, 0.7 * late)), rate)
    loud = np.clip(8.0 * clips["lead"].volts[0], -0.5, 0.5)
    yield "clipped", Signal(np.stack((loud, -loud)), rate)
    fallen = clips["strum"].volts[0].copy()
    fallen[fallen.size // 2 :] *= 10.0 ** (-30.0 / 20.0)
    yield "half of it quiet", Signal(np.stack((fallen, fallen)), rate)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_ten_clips_against_libebur128(rate: int) -> None:
    worst, count = 0.0, 0
    for name, clip in ten_clips():
        signal = resampled(clip, rate)
        read, outside = integrated_lufs(signal.volts, rate), outside_meter(signal)
        print(f"{rate} {name}: {read:.4f} LUFS, libebur128 {outside:.4f}")
        worst, count = max(worst, abs(read - outside)), count + 1
    print(f"{rate}: {count} clips within {worst:.1e} LU, asked 0.01")
    assert count == 10
    assert worst <= 0.01
