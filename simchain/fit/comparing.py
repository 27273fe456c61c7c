"""How far a rendered block is from what was received: levels in bands over time, and waveforms."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block
from simchain.chain.alone import INTO_OHM, alone
from simchain.fit.aligning import shifted
from simchain.fit.looked_for import Stretch
from simchain.fit.received import Received, quiet
from simchain.fit.sent import RATE, sent
from simchain.kernels.oversample import down, up

Floats = NDArray[np.float64]

# A frame's power in thirds of an octave; the noise of the recording is a floor under both.
FRAME, HOP = 2048, 1024
_BANDS_HZ = 1000.0 * 2.0 ** (np.arange(-12, 13) / 3.0)
_FLOOR_OVER_NOISE = 4.0
# A waveform's error counts by how loud it is about there, and what is 40 dB under a part's own
# level counts no more.
_LEAST_SHARE = 0.01


@dataclass(frozen=True, eq=False)
class Compared:
    """A stretch: what went in, with its lead, and what came out. `name` tells its parts.

    `given` stands at `times` the rate: 1, 2, 4 or 8.
    """

    name: str
    given: Floats
    times: int
    heard: Floats
    lead: int
    begins_s: float
    weight: Floats
    levels_db: Floats
    floor: Floats
    groups: NDArray[np.intp]


class Comparison:
    """Renders a block over stretches of the recording and says how far it is from it."""

    def __init__(
        self, received: Received, stretches: Sequence[Stretch], *, into_ohm: float = INTO_OHM
    ) -> None:
        self.into_ohm = into_ohm
        self.stretches = [_compared(received, one) for one in stretches]

    def rendered(self, block: Block, turn: float = 0.0) -> list[Floats]:
        """Return what `block` makes of each stretch, its lead cut off, in volts."""
        made = []
        for one in self.stretches:
            volts = one.given[np.newaxis]
            if block.inputs == 2:
                volts = np.repeat(volts, 2, axis=0)
            rate = one.times * RATE
            out = alone(
                block, volts, rate, turn=turn, before_s=one.begins_s, into_ohm=self.into_ohm
            )
            made.append(down(out[0], one.times)[one.lead :])
        return made

    def level_errors(self, made: Iterable[Floats]) -> Floats:
        """Return by how many dB the levels in bands are off, frame by frame, in one array."""
        return np.concatenate(
            [
                (band_levels_db(line, one.floor) - one.levels_db).ravel()
                for one, line in zip(self.stretches, made, strict=True)
            ]
        )

    def wave_errors(self, made: Iterable[Floats], late: float) -> Floats:
        """Return the waveforms' errors, weighted; `late` frames are what was received later."""
        return np.concatenate(
            [
                (shifted(line, late) - one.heard) * one.weight
                for one, line in zip(self.stretches, made, strict=True)
            ]
        )

    def late_slope(self, made: Iterable[Floats], late: float) -> Floats:
        """Return how the weighted waveforms change with a frame more of `late`."""
        step = 0.01
        lines = list(made)
        more, less = (self.wave_errors(lines, late + way * step) for way in (1.0, -1.0))
        return (more - less) / (2.0 * step)

    def late_near(self, made: Iterable[Floats], late: float) -> float:
        """Return how late what was received is, by a step of least squares from `late`.

        At another rate the filters of a block are late by other shares of a frame.
        """
        lines = list(made)
        slope, left = self.late_slope(lines, late), self.wave_errors(lines, late)
        return late - float(slope @ left / (slope @ slope + 1e-30))

    def late_by(self, made: Iterable[Floats], most: int) -> float:
        """Return by how many whole frames, `most` at most, what was received is later.

        By cross-correlation of the weighted waveforms, whichever way up they are.
        """
        from scipy.fft import irfft, next_fast_len, rfft

        total = np.zeros(2 * most + 1)
        for one, line in zip(self.stretches, made, strict=True):
            length = next_fast_len(line.size + most, real=True)
            heard = rfft(one.heard * one.weight, length)
            likeness = irfft(heard * np.conj(rfft(line * one.weight, length)), length)
            total += np.concatenate((likeness[-most:], likeness[: most + 1]))
        return float(np.argmax(np.abs(total)) - most)

    def groups(self) -> NDArray[np.intp]:
        """Return the number of the part that each waveform error belongs to."""
        return np.concatenate([one.groups for one in self.stretches])

    def residual_db(self, made: Iterable[Floats], late: float) -> float:
        """Return the power of what is left against that of what was received, in dB."""
        left = heard = 0.0
        for one, line in zip(self.stretches, made, strict=True):
            left += float(np.square(shifted(line, late) - one.heard).sum())
            heard += float(np.square(one.heard).sum())
        return 10.0 * float(np.log10((left + 1e-30) / (heard + 1e-30)))

    def level_residual_db(self, made: Iterable[Floats]) -> float:
        """Return the same of magnitudes in bands over time: what is left but for phases, in dB."""
        left = heard = 0.0
        for one, line in zip(self.stretches, made, strict=True):
            there = 10.0 ** (one.levels_db / 20.0)
            left += float(np.square(np.sqrt(_band_powers(line) + one.floor) - there).sum())
            heard += float(np.square(there).sum())
        return 10.0 * float(np.log10((left + 1e-30) / (heard + 1e-30)))


def band_levels_db(line: Floats, floor: Floats) -> Floats:
    """Return the levels of `line` in thirds of an octave, shape (frames, bands), above a floor."""
    return np.asarray(10.0 * np.log10(_band_powers(line) + floor))


def _compared(received: Received, stretch: Stretch) -> Compared:
    parts = sent().parts
    begin, end = parts[stretch.first].frames().start, parts[stretch.last].frames().stop
    if stretch.seconds is not None:
        end = parts[stretch.last].frames().start + round(stretch.seconds * RATE)
    lead = min(round(stretch.lead_s * RATE), begin)
    heard = received.line[begin:end]
    floor = _noise_floor(received)
    groups = np.zeros(heard.size, dtype=np.intp)
    for number, part in enumerate(parts.values()):
        frames = part.frames()
        if frames.start < end and frames.stop > begin:
            groups[max(0, frames.start - begin) : frames.stop - begin] = number
    return Compared(
        f"{stretch.first} to {stretch.last}",
        up(received.given[begin - lead : end], stretch.times),
        stretch.times,
        heard,
        lead,
        (begin - lead) / RATE,
        _weight(heard, received.noise_volts, stretch),
        band_levels_db(heard, floor),
        floor,
        groups,
    )


def _weight(heard: Floats, noise_volts: float, stretch: Stretch) -> Floats:
    """Return one over how loud it is about each frame, so that an error of 1 is as large as it."""
    from scipy.ndimage import uniform_filter1d

    about = round(stretch.about_s * RATE)
    local = np.sqrt(np.maximum(uniform_filter1d(np.square(heard), about), 0.0))
    loudest = float(local.max())
    return np.asarray(
        1.0 / (stretch.off_by * (local + _LEAST_SHARE * loudest) + 3.0 * noise_volts + 1e-9)
    )


def _noise_floor(received: Received) -> Floats:
    powers = _band_powers(quiet(received.line))
    return np.asarray(_FLOOR_OVER_NOISE * powers.mean(axis=0) + 1e-14)


def _band_powers(line: Floats) -> Floats:
    """Return mean square in each band and frame, shape (frames, bands)."""
    frames = np.lib.stride_tricks.sliding_window_view(line, FRAME)[::HOP]
    window = np.hanning(FRAME)
    spectra = np.abs(np.fft.rfft(frames * window, axis=1)) ** 2
    spectra *= 2.0 / (FRAME * float(np.square(window).sum()))
    return np.asarray(spectra @ _band_weights())


@cache
def _band_weights() -> Floats:
    hz = np.fft.rfftfreq(FRAME, 1.0 / RATE)
    place = np.log2(np.maximum(hz, 1.0)[:, np.newaxis] / _BANDS_HZ) * 3.0
    return np.asarray(np.clip(1.0 - np.abs(place), 0.0, None))
