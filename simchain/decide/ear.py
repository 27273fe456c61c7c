"""What the ear has of one sound, worked out once: pairs of sounds are compared by it alone."""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from simchain.measure.excitation import (
    BANDS,
    HOP_S,
    INTERNAL_NOISE,
    LONG_FRAME_S,
    SHORT_FRAME_S,
    band_groups,
    excitation,
    frames_in,
    specific_loudness,
)
from simchain.measure.loudness import ABSOLUTE_GATE_LUFS, integrated_lufs, ungated_lufs
from simchain.measure.stereo import stereo_of
from simchain.signal import twins

Floats = NDArray[np.float64]
Samples = NDArray[np.floating]

# 300 dB under full scale: what is left of a sound that has died away, not a sound.
SILENCE = 1e-15

# About that of a guitar in volts, so that for guitars the gate lies where it would by itself.
GATED_RMS = 0.05

QUANTILES: Floats = np.arange(0.05, 1.0, 0.1)
SMOOTHED_FRAMES = 6
# Quiet moments are compared down to here, 1.8 dB above the ear's own noise. Fitted to judging.md's
# pairs: at 1.0 of it hiss at -60 dB is on the border of free, at 3.0 a tail 10 % longer is free.
FLOOR: Floats = 1.5 * INTERNAL_NOISE

MODULATION_HZ: Floats = 2.0 ** np.linspace(0.0, 5.0, 10)
MODULATION_OCTAVES = 0.5

# 2 ERB wide at bands half an ERB apart.
_TWO_ERB = np.array([0.5, 1.0, 1.0, 1.0, 0.5]) / 4.0
_BOTH_EARS_DB = 10.0 * math.log10(2.0)

MOVEMENT_GROUPS = band_groups(3)
EVENT_GROUPS = band_groups(4)
# Loudness, a group, of what is just heard: an excitation as large as the ear's own noise.
JUST_HEARD: Floats = np.add.reduceat(specific_loudness(INTERNAL_NOISE), MOVEMENT_GROUPS)


@dataclass(frozen=True, eq=False)
class Heard:
    """What one channel of a sound is to the ear.

    `levels_db`, shape (10 quantiles, 73 bands): how the level of each band is spread over time,
    smoothed over 60 ms and 2 ERB, in dB, not below `FLOOR`. `loudness`, shape (73,): mean specific
    loudness. `long_term_db`, shape (73,): mean excitation over 2 ERB in dB, not below `FLOOR`.

    `movement`, shape (10 modulation filters, 12 groups of 3 ERB): RMS of the loudness' swings over
    its mean and what is just heard. `group_loudness`, shape (12,): that mean.

    `events`, shape (frames, 9 groups of 4 ERB): specific loudness in short frames, every 10 ms.
    """

    levels_db: Floats
    loudness: Floats
    long_term_db: Floats
    movement: Floats
    group_loudness: Floats
    events: Floats


class Ear:
    """One sound, or one take of it, played so that its loudness is `listening_db_spl`.

    `samples` has shape (1 or 2 channels, frames), full scale 1.0, and is not copied; channels that
    are alike count as one. The mean of its two channels' powers, K-weighted and gated as BS.1770
    does, plays at that level: a steady 1 kHz tone in both plays at 75 dB SPL in each. The absolute
    gate is where it would be if the sound's RMS were `GATED_RMS`: a sound that dies away through
    the gate would not play at the same level once it is louder (by up to 0.2 dB). A sound that is
    shorter than 400 ms, or under -70 LUFS throughout, has no such loudness; its K-weighted RMS
    stands in. It is silent outside its ends.

    What is heard is worked out when it is first asked for and kept, so that n sounds cost n times
    that, whatever number of pairs they are in.
    """

    def __init__(self, samples: Samples, rate: int, listening_db_spl: float = 75.0) -> None:
        self.rate = rate
        self.samples = samples[:1] if twins(samples) else samples
        self.listening_db_spl = listening_db_spl
        self.silent = not samples.size or max(samples.max(), -samples.min()) <= SILENCE
        self._lufs: dict[tuple[int, int], float] = {}
        self._kept: dict[tuple[int, int, bool], tuple[Heard, ...]] = {}

    @property
    def length(self) -> int:
        """Samples in each channel."""
        return int(self.samples.shape[1])

    @cached_property
    def width(self) -> float:
        """The side's share of the energy (`measure.stereo`); 0 for silence and one channel."""
        if self.silent or len(self.samples) == 1:
            return 0.0
        return stereo_of(np.asarray(self.samples, dtype=np.float64)).width

    @property
    def gain(self) -> float:
        """What brings the samples to units of 20 µPa; 0 for silence."""
        return self._gain(0, self.length, self.gated())

    def gated(self, length: int | None = None) -> bool:
        """Whether the sound, `length` samples of it, has an integrated loudness.

        Silence counts as if it had, so that the other sound of a pair decides.
        """
        count = self.length if length is None else length
        if self.silent:
            return True
        lufs = self._integrated_lufs(0, count)
        if not lufs <= ABSOLUTE_GATE_LUFS:
            return math.isfinite(lufs)
        return math.isfinite(integrated_lufs(self._stretch(0, count), self.rate))

    def heard(
        self, *, start: int = 0, length: int | None = None, gated: bool = True
    ) -> tuple[Heard, ...]:
        """Return what is heard in each channel: two of them, or one where both are alike.

        Frames of 10 ms begin at sample `start`, as many as it takes to go over `length` samples,
        by default the sound's own. Without `gated` the sound is played by its K-weighted RMS.
        """
        count = self.length if length is None else length
        key = (start, count, gated)
        if key not in self._kept:
            gain = self._gain(*key)
            frames = frames_in(count, self.rate)
            lines = [gain * np.asarray(line, dtype=np.float64) for line in self.samples]
            self._kept[key] = tuple(_heard(line, self.rate, start, frames) for line in lines)
        return self._kept[key]

    @cached_property
    def _energy(self) -> float:
        """Sum of squares, the mean of the channels."""
        return float(np.mean([np.sum(np.square(line, dtype=np.float64)) for line in self.samples]))

    def _stretch(self, start: int, length: int, scale: float = 1.0) -> Floats:
        """Both channels from a sample on, `scale` times, silent after their end."""
        volts = np.zeros((len(self.samples), length))
        part = self.samples[:, start : start + length]
        np.multiply(part, scale, out=volts[:, : part.shape[1]])
        return np.broadcast_to(volts, (2, length))

    def _integrated_lufs(self, start: int, length: int) -> float:
        """BS.1770's loudness, but for where the absolute gate is."""
        if (start, length) not in self._lufs:
            scale = GATED_RMS * math.sqrt(length / self._energy)
            found = integrated_lufs(self._stretch(start, length, scale), self.rate)
            self._lufs[start, length] = found - 20.0 * math.log10(scale)
        return self._lufs[start, length]

    def _gain(self, start: int, length: int, gated: bool) -> float:
        """What brings the samples to units of 20 µPa.

        Loudness is measured from where the frames begin: its blocks of 400 ms then lie alike in
        two sounds of which one is late (by 19 ms: up to 0.1 LU apart otherwise).
        """
        if self.silent:
            return 0.0
        if gated:
            lufs = self._integrated_lufs(start, length)
        else:
            lufs = ungated_lufs(self._stretch(start, length), self.rate)
        if not math.isfinite(lufs):
            lufs = ungated_lufs(self._stretch(0, length), self.rate)
        return float(10.0 ** ((self.listening_db_spl - lufs + _BOTH_EARS_DB) / 20.0))


def _heard(line: Floats, rate: int, start: int, frames: int) -> Heard:
    long = excitation(line, rate, LONG_FRAME_S, start=start, frames=frames)
    smooth = _smoothed(long)
    loudness = specific_loudness(long)
    movement, group_loudness = _movement(np.add.reduceat(loudness, MOVEMENT_GROUPS, axis=1))
    short = specific_loudness(excitation(line, rate, SHORT_FRAME_S, start=start, frames=frames))
    return Heard(
        levels_db=_floored_db(_quantiles(smooth)),
        loudness=loudness.mean(axis=0),
        long_term_db=_floored_db(smooth.mean(axis=0)),
        movement=movement,
        group_loudness=group_loudness,
        events=np.add.reduceat(short, EVENT_GROUPS, axis=1),
    )


def _smoothed(power: Floats) -> Floats:
    """Mean over 60 ms, where all of it lies inside the sound, and over 2 ERB."""
    width = min(SMOOTHED_FRAMES, len(power))
    frames = len(power) - width + 1
    over_time = sum(power[i : i + frames] for i in range(width)) / width
    bands = np.pad(over_time, ((0, 0), (2, 2)), mode="edge")
    return np.asarray(sum(part * bands[:, i : i + BANDS] for i, part in enumerate(_TWO_ERB)))


def _quantiles(power: Floats) -> Floats:
    """Quantiles over time, straight between neighbours: shape (10, bands)."""
    places = QUANTILES * (len(power) - 1)
    below = places.astype(np.intp)
    above = np.minimum(below + 1, len(power) - 1)
    columns = np.partition(power.T, np.unique([below, above]), axis=1)
    way = places - below
    return np.asarray(((1.0 - way) * columns[:, below] + way * columns[:, above]).T)


def _floored_db(power: Floats) -> Floats:
    return np.asarray(10.0 * np.log10(np.maximum(power, FLOOR)))


def _movement(loudness: Floats) -> tuple[Floats, Floats]:
    """RMS of the swings that each modulation filter lets through over the mean; and the mean.

    The filters' power response is a Gaussian of the octaves from their centre, one at the centre
    and a standard deviation of half an octave.
    """
    from scipy.fft import next_fast_len

    mean = loudness.mean(axis=0)
    frames = len(loudness)
    length = int(next_fast_len(frames, real=True))
    spectra = np.fft.rfft(loudness - mean, length, axis=0)[1:]
    octaves = np.log2(np.arange(1, len(spectra) + 1) / (length * HOP_S) / MODULATION_HZ[:, None])
    weights = np.exp(-0.5 * (octaves / MODULATION_OCTAVES) ** 2)
    powers = np.einsum("mk,kg->mg", weights, spectra.real**2 + spectra.imag**2)
    swings = np.sqrt(powers * (2.0 / (length * frames)))
    return swings / (mean + JUST_HEARD), mean
