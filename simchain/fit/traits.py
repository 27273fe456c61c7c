"""What is read of a recording of a whole board, so that two can be compared without a waveform.

Levels of known tones in decibels: they do not hang on where the recording begins to a frame, on a
unit's own delay, or (much) on where a modulator stands. Every reading has a floor under it, of
noise and of what is too soft to matter, so that a difference down there counts for nothing.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simchain.fit.amplitude import amplitude
from simchain.fit.sent import (
    LEVEL_HZ,
    RATE,
    STEPS_DBFS,
    STEPS_HZ,
    sent,
    step_frames,
    swept_frames,
)

Floats = NDArray[np.float64]
Family = Literal["level", "steps", "dirt", "soft", "loud", "bursts", "ring"]

# What is played up to here is compared: one take of everything but the long tails.
LAST_PART = "bursts1"
HARMONICS = (2, 3, 4, 5, 6, 7)
# ISO 266's thirds of octaves that a sweep passes whole, by their exact base-ten centres.
THIRDS_HZ = tuple(10.0 ** (number / 10.0) for number in range(16, 43))
BURST_FRAME_S, RING_FRAME_S = 0.05, 0.1
# Of a step, until what follows loudness and filters have come to rest.
_SETTLED_SHARE = 0.2
# A harmonic this far below its fundamental is heard by nobody; so is what rings on this far below
# the tone before it (both as a share of amplitude).
_LEAST_HARMONIC, _LEAST_RING = 0.004, 0.003
# Noise is in both; it weighs on a reading as long as the reading is not well above it.
_OVER_NOISE = 4.0
# What real boards of one plan part by, besides their controls: base tolerance of each reading.
BASE_DB: dict[Family, float] = {
    "level": 0.5,
    "steps": 0.5,
    "dirt": 1.5,
    "soft": 0.5,
    "loud": 0.5,
    "bursts": 0.5,
    "ring": 1.0,
}
# The board's overall level stands in all of these, and in no other.
OF_LEVEL: frozenset[Family] = frozenset({"level", "steps", "soft", "loud", "bursts", "ring"})


class Reading(NamedTuple):
    """What one number of `Traits.db` is: `at` is Hz, seconds, or the peak at the input in dBFS.

    `harmonic` is 1 for what is no harmonic.
    """

    family: Family
    at: float
    harmonic: int = 1


@dataclass(frozen=True, eq=False)
class Floor:
    """What stands under every reading: noise, and the loudness of the tones before a rest.

    `noise_volts` is the RMS of the recording in silence; `ring_volts` the least RMS that counts
    in a rest.
    """

    noise_volts: float
    ring_volts: float


@dataclass(frozen=True, eq=False)
class Traits:
    """Readings in dB, as many as `readings()`; `marker` is the first marker, for the polarity."""

    db: Floats
    marker: Floats

    def of(self, family: Family) -> Floats:
        """Return the readings of one family."""
        return self.db[[one.family == family for one in readings()]]


def compared_frames() -> int:
    """Return how many frames of what is played are compared, from its begin."""
    return int(sent().parts[LAST_PART].frames().stop)


def floor_of(line: Floats, noise_volts: float) -> Floor:
    """Return what stands under the readings of a recording and of all that is laid beside it."""
    level = sent().parts["level"].frames(with_rest=False)
    loudest = float(np.sqrt(np.mean(np.square(line[level]))))
    return Floor(noise_volts, _LEAST_RING * loudest)


def traits_of(line: Floats, floor: Floor, *, noisy: bool) -> Traits:
    """Read a board's output, (frames,) in volts at 48 kHz, in step with what was sent.

    What is not `noisy`, a simulation, is given the noise's power.
    """
    added = 0.0 if noisy else floor.noise_volts**2
    readers = (_level, _steps, _soft, _loud, _bursts, _ring)
    found = [db for read in readers for db in read(line, floor, added)]
    marker = sent().parts["marker1"].frames()
    return Traits(np.array(found), line[marker].copy())


@lru_cache(maxsize=1)
def readings() -> tuple[Reading, ...]:
    """Return what each reading is, in their sequence."""
    steps: list[Reading] = []
    for dbfs in STEPS_DBFS:
        steps.append(Reading("steps", dbfs))
        steps += [Reading("dirt", dbfs, harmonic) for harmonic in HARMONICS]
    thirds: list[Reading] = [Reading("soft", hz) for hz in THIRDS_HZ]
    thirds += [Reading("loud", hz) for hz in THIRDS_HZ]
    bursts = [
        Reading("bursts", place * BURST_FRAME_S)
        for place in range(len(_frames_of("bursts1", BURST_FRAME_S)))
    ]
    ring = [Reading("ring", at) for at, _ in _rests()]
    return (Reading("level", LEVEL_HZ), *steps, *thirds, *bursts, *ring)


def base_db() -> Floats:
    """Return the base tolerance of each reading, in dB."""
    return np.array([BASE_DB[one.family] for one in readings()])


def _level(line: Floats, floor: Floor, added: float) -> Iterator[float]:  # noqa: ARG001
    part = sent().parts["level"].frames(with_rest=False)
    yield _db(abs(amplitude(line[part][RATE // 5 :], LEVEL_HZ)) ** 2 / 2.0)


def _steps(line: Floats, floor: Floor, added: float) -> Iterator[float]:  # noqa: ARG001
    """Yield the fundamental of each step, and its harmonics against it."""
    for frames in step_frames(begin=_SETTLED_SHARE):
        step = line[frames]
        # The power of noise in one bin of a Hann window: 3/2 of 2/n of it.
        noise = _OVER_NOISE * 3.0 / step.size * floor.noise_volts**2
        power = abs(amplitude(step, STEPS_HZ)) ** 2 / 2.0 + noise
        yield _db(power)
        for harmonic in HARMONICS:
            over = abs(amplitude(step, STEPS_HZ * harmonic)) ** 2 / 2.0
            yield _db((over + noise) / power + _LEAST_HARMONIC**2)


def _soft(line: Floats, floor: Floor, added: float) -> Iterator[float]:
    yield from _sweep("soft1", line, floor, added)


def _loud(line: Floats, floor: Floor, added: float) -> Iterator[float]:
    yield from _sweep("loud1", line, floor, added)


def _sweep(name: str, line: Floats, floor: Floor, added: float) -> Iterator[float]:
    """Yield the level while a sweep passes each third of an octave."""
    for hz in THIRDS_HZ:
        frames = swept_frames(name, hz * 10.0 ** (-1.0 / 20.0), hz * 10.0 ** (1.0 / 20.0))
        yield _power_db(line[frames], floor, added)


def _bursts(line: Floats, floor: Floor, added: float) -> Iterator[float]:
    for frames in _frames_of("bursts1", BURST_FRAME_S):
        yield _power_db(line[frames], floor, added, floor.ring_volts)


def _ring(line: Floats, floor: Floor, added: float) -> Iterator[float]:
    for _, frames in _rests():
        yield _power_db(line[frames], floor, added, floor.ring_volts)


def _power_db(line: Floats, floor: Floor, added: float, least_volts: float = 0.0) -> float:
    under = added + (_OVER_NOISE - 1.0) * floor.noise_volts**2 + least_volts**2
    return _db(float(np.mean(np.square(line))) + under)


def _frames_of(name: str, seconds: float) -> list[slice]:
    part = sent().parts[name].frames()
    size = round(seconds * RATE)
    return [slice(at, at + size) for at in range(part.start, part.stop - size + 1, size)]


@lru_cache(maxsize=1)
def _rests() -> tuple[tuple[float, slice], ...]:
    """Return the rests behind tones, in pieces: seconds since the tone ended, and where."""
    found = []
    size = round(RING_FRAME_S * RATE)
    for name, until in (("level", "steps1"), ("loud1", "bursts1")):
        begin = sent().parts[name].frames(with_rest=False).stop
        end = sent().parts[until].frames().start
        found += [
            ((at - begin) / RATE, slice(at, at + size)) for at in range(begin, end - size + 1, size)
        ]
    return tuple(found)


def _db(power: float) -> float:
    return 10.0 * float(np.log10(power + 1e-20))
