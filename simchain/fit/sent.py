"""The recording that is played through a unit: some fifty seconds of known tones.

    marker, level, silence, twice (steps, soft sweep, loud sweep, bursts), ramp, room, clicks,
    chord, marker

What is there twice is there so that a fit can tell how sure it is. Levels are in dBFS, a sine at
full scale being 0; what that is in volts at the unit's input is the user's to set, by a meter on
the tone named `level`.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simchain import files, units
from simchain.signal import faded, pcm_wav

RATE = 48_000
# A meter reads 100 mV on `level`, 20 dB below full scale: a sine at full scale is 1 V RMS.
LEVEL_HZ, LEVEL_DBFS, LEVEL_VOLTS = 1000.0, -20.0, 0.1
MARKER_S, MARKER_HZ, MARKER_DBFS = 0.25, (300.0, 9_000.0), -14.0
SWEEP_HZ = (20.0, 20_000.0)
SOFT_DBFS, LOUD_DBFS = -36.0, -10.0
STEPS_HZ, STEP_S = 220.0, 0.25
STEPS_DBFS = tuple(float(level) for level in range(-48, 1, 4))
BURST_HZ, BURST_S, BURSTS_DBFS = 880.0, (0.3, 0.4, 0.8), (-40.0, -8.0, -40.0)
RAMP_HZ, RAMP_S, RAMP_DBFS = 440.0, (4.0, 2.0, 1.0), (-6.0, -78.0, -60.0)
CLICK_S, CLICK_DBFS, CLICKS_APART_S = 1e-3, -1.0, 2.0
CHORD_HZ, CHORD_DBFS, CHORD_PARTIALS = (110.0, 165.0, 277.2), -10.0, 9
EDGE_S = 2e-3
# Of the silence, until what sounded before it is gone.
SETTLED_S = 0.5

Floats = NDArray[np.float64]


def playback_dbu(level_volts: float) -> float:
    """Return the level of a sine at full scale where a meter reads `level_volts` on `level`."""
    return units.volts_to_dbu(level_volts) - LEVEL_DBFS


PLAYBACK_DBU = playback_dbu(LEVEL_VOLTS)


@dataclass(frozen=True)
class Part:
    """A stretch of the recording. `seconds` is what sounds, `rest_s` the silence after it."""

    name: str
    start_s: float
    seconds: float
    rest_s: float

    def frames(self, *, with_rest: bool = True) -> slice:
        """Return where it stands in the recording."""
        last = self.start_s + self.seconds + (self.rest_s if with_rest else 0.0)
        return slice(round(self.start_s * RATE), round(last * RATE))


@dataclass(frozen=True, eq=False)
class Sent:
    """What is played: `line` of shape (frames,), full scale 1.0, 48 kHz, and its parts by name.

    A part that is there twice has a 1 or 2 after its name.
    """

    line: Floats
    parts: dict[str, Part]

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.line.size / RATE


@lru_cache(maxsize=1)
def sent() -> Sent:
    """Return the recording that is played."""
    placed = [
        ("lead", np.zeros(0), 0.25),
        ("marker1", _marker(), 0.25),
        ("level", _steady(LEVEL_HZ, LEVEL_DBFS, 1.0), 0.25),
        ("silence", np.zeros(0), 1.5),
        *_take(1),
        *_take(2),
        ("ramp", _ramp(), 0.25),
        ("room", _sweep(LOUD_DBFS, 2.0), 6.0),
        ("clicks", _clicks(), CLICKS_APART_S),
        ("chord", _chord(8.0), 0.5),
        ("marker2", _marker(), 0.5),
    ]
    lines: list[Floats] = []
    parts = {}
    at = 0
    for name, line, rest_s in placed:
        parts[name] = Part(name, at / RATE, line.size / RATE, rest_s)
        lines += [line, np.zeros(round(rest_s * RATE))]
        at += line.size + round(rest_s * RATE)
    return Sent(np.concatenate(lines), parts)


def step_frames(name: str = "steps1", begin: float = 0.0, end: float = 1.0) -> list[slice]:
    """Return where each step of the growing tone stands, from and to a share of its length."""
    first, size = sent().parts[name].frames().start, round(STEP_S * RATE)
    return [
        slice(first + round((number + begin) * size), first + round((number + end) * size))
        for number in range(len(STEPS_DBFS))
    ]


def swept_frames(name: str, low_hz: float, high_hz: float) -> slice:
    """Return where a sweep passes from one pitch to another, as far as it passes both."""
    part, (lowest, highest) = sent().parts[name].frames(with_rest=False), SWEEP_HZ
    inside = (min(max(hz, lowest), highest) for hz in (low_hz, high_hz))
    shares = (math.log(hz / lowest) / math.log(highest / lowest) for hz in inside)
    return slice(*(part.start + round(share * (part.stop - part.start)) for share in shares))


def write_tones(path: Path) -> None:
    """Write what is played as a WAV file of one channel and 24 bits.

    Raises OutputError when it cannot be written.
    """
    files.write_bytes(path, tones_wav())


def tones_wav() -> bytes:
    """Return what is played as a WAV file of one channel and 24 bits."""
    return pcm_wav(sent().line[np.newaxis], RATE, 24)


def _take(number: int) -> list[tuple[str, Floats, float]]:
    return [
        (f"steps{number}", _steps(), 0.25),
        (f"soft{number}", _sweep(SOFT_DBFS, 1.5), 0.25),
        (f"loud{number}", _sweep(LOUD_DBFS, 1.5), 0.5),
        (f"bursts{number}", _bursts(), 0.25),
    ]


def _times(seconds: float) -> Floats:
    return np.arange(round(seconds * RATE)) / RATE


def _edged(line: Floats, edge_s: float = EDGE_S) -> Floats:
    return faded(line, round(edge_s * RATE))


def _steady(hz: float, dbfs: float, seconds: float) -> Floats:
    return _edged(units.db_to_ratio(dbfs) * np.sin(2.0 * np.pi * hz * _times(seconds)))


def _marker() -> Floats:
    low, high = MARKER_HZ
    times = _times(MARKER_S)
    turns = low * times + (high - low) * times**2 / (2.0 * MARKER_S)
    return _edged(units.db_to_ratio(MARKER_DBFS) * np.sin(2.0 * np.pi * turns), 0.02)


def _sweep(dbfs: float, seconds: float) -> Floats:
    """A sine whose pitch rises by the same interval each second (Farina, AES 108, 2000)."""
    low, high = SWEEP_HZ
    octaves_s = seconds / np.log(high / low)
    turns = low * octaves_s * np.expm1(_times(seconds) / octaves_s)
    return _edged(units.db_to_ratio(dbfs) * np.sin(2.0 * np.pi * turns), 0.01)


def _steps() -> Floats:
    """A tone that grows step by step with its phase running on."""
    line = np.sin(2.0 * np.pi * STEPS_HZ * _times(STEP_S * len(STEPS_DBFS)))
    return _edged(line * _levels([STEP_S] * len(STEPS_DBFS), STEPS_DBFS))


def _bursts() -> Floats:
    line = np.sin(2.0 * np.pi * BURST_HZ * _times(sum(BURST_S)))
    return _edged(line * _levels(list(BURST_S), BURSTS_DBFS))


def _levels(seconds: list[float], dbfs: tuple[float, ...]) -> Floats:
    return np.concatenate(
        [
            np.full(round(one * RATE), units.db_to_ratio(db))
            for one, db in zip(seconds, dbfs, strict=True)
        ]
    )


def _ramp() -> Floats:
    """A tone that falls by so many decibels a second, comes back, and drops to a soft rest.

    Where a gate closes in the fall hangs on its level and its hold, after the drop on its hold.
    """
    loud, soft, rest = RAMP_DBFS
    down, back, drop = (round(one * RATE) for one in RAMP_S)
    db = np.concatenate(
        (np.linspace(loud, soft, down), np.linspace(soft, loud, back), np.full(drop, rest))
    )
    line = np.sin(2.0 * np.pi * RAMP_HZ * _times(sum(RAMP_S)))
    return _edged(line * 10.0 ** (db / 20.0))


def _clicks() -> Floats:
    """A half-wave up, and after a rest one down."""
    click = np.sin(np.pi * np.arange(round(CLICK_S * RATE)) / (CLICK_S * RATE))
    line = np.zeros(round((CLICKS_APART_S + CLICK_S) * RATE))
    line[: click.size] = click
    line[-click.size :] = -click
    return line * units.db_to_ratio(CLICK_DBFS)


def _chord(seconds: float) -> Floats:
    """Three notes whose partials fall as 1/n, at one peak throughout.

    Phases after Schroeder (IEEE Trans. Information Theory 16, 1970), so that the crest stays low.
    """
    times = _times(seconds)
    line = np.zeros(times.size)
    for place, note in enumerate(CHORD_HZ):
        for partial in range(1, CHORD_PARTIALS + 1):
            phase = np.pi * partial * (partial + place) / CHORD_PARTIALS
            line += np.sin(2.0 * np.pi * note * partial * times + phase) / partial
    return _edged(line * (units.db_to_ratio(CHORD_DBFS) / np.abs(line).max()), 0.02)
