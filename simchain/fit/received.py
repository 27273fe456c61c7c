"""What came back from a unit: read, looked over, in step with what was sent, and in volts."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simchain import units
from simchain.errors import ClipError
from simchain.fit.aligning import Placed, in_step, placed
from simchain.fit.amplitude import amplitude
from simchain.fit.sent import LEVEL_HZ, PLAYBACK_DBU, RATE, SETTLED_S, sent
from simchain.measure.recordings import flat_tops
from simchain.signal import Signal, read_clip, resampled, twins

Floats = NDArray[np.float64]

QUIETEST_DB = -60.0
DEAD_DB = -40.0
# What is read between samples looks a little ahead.
_EDGE_S = 0.02
# Rates that a file may have been given by mistake, against the rate it was recorded at.
_MISTAKEN = (44_100 / 48_000, 48_000 / 44_100, 0.5, 2.0)


@dataclass(frozen=True)
class Loopback:
    """What the interface does alone: gain from file to file at 1 kHz, drift, polarity, noise.

    `noise` is its RMS in silence, full scale being 1.
    """

    gain: float
    drift: float
    inverted: bool
    noise: float


@dataclass(frozen=True, eq=False)
class Received:
    """What a unit made of what was sent.

    `given` and `line` are volts on the unit's input and output, shape (frames,) at 48 kHz, in step
    but for what is below a frame or what the unit itself delays. `noise_volts` is the RMS of the
    output in silence, of which `own_noise_volts` are the unit's own, not the interface's. Where it
    is not `calibrated` by a loop-back, `line` is as loud as the recording side's full scale says,
    its polarity is as it came, and all noise counts as the interface's.
    """

    given: Floats
    line: Floats
    noise_volts: float
    own_noise_volts: float
    drift: float
    calibrated: bool
    warnings: tuple[str, ...] = ()

    def part(self, name: str, *, with_rest: bool = True) -> tuple[Floats, Floats]:
        """Return what went in and what came out of one part."""
        frames = sent().parts[name].frames(with_rest=with_rest)
        return self.given[frames], self.line[frames]


def given_volts(playback_dbu: float = PLAYBACK_DBU) -> Floats:
    """Return what stands on the unit's input, in volts, shape (frames,)."""
    return sent().line * units.dbu_to_peak_volts(playback_dbu)


def read_loopback(path: Path) -> Loopback:
    """Read a recording of the interface's output run straight into its input.

    Raises ClipError, naming the file and the way out, for one that cannot be used.
    """
    line, place, _ = _found(path)
    here = in_step(line, place)
    amplitude = _level(here) / _level(sent().line)
    inverted = bool(amplitude.real < 0.0)
    return Loopback(float(abs(amplitude)), place.drift, inverted, _noise(here))


def read_received(
    path: Path,
    *,
    loopback: Loopback | None = None,
    playback_dbu: float = PLAYBACK_DBU,
    full_scale_dbu: float = 12.0,
) -> Received:
    """Read what came back from a unit.

    `playback_dbu` is the level at the unit's input of a sine at full scale of what was played;
    `full_scale_dbu` that of one at full scale of the recording, used without a `loopback`. Raises
    ClipError, naming the file and the way out, for a recording that is clipped, too quiet, of
    something else, cut off, or of another rate than its header says.
    """
    line, place, warnings = _found(path)
    if loopback:
        # Both were recorded with the same clocks, and a unit's echoes blur its own markers.
        place = replace(place, drift=loopback.drift)
    here = in_step(line, place)
    scale = units.dbu_to_peak_volts(full_scale_dbu)
    if loopback:
        scale = units.dbu_to_peak_volts(playback_dbu) / loopback.gain
        scale *= -1.0 if loopback.inverted else 1.0
    here *= scale
    noise = _noise(here)
    interface = loopback.noise * abs(scale) if loopback else noise
    return Received(
        given_volts(playback_dbu),
        here,
        noise,
        max(0.0, noise**2 - interface**2) ** 0.5,
        place.drift,
        loopback is not None,
        tuple(warnings),
    )


def quiet(line: Floats) -> Floats:
    """Return what came back in silence, of `line`, in step with what was sent.

    That is the part `silence`, half a second after what sounded before it; or what came back before
    anything was sent, where that was recorded and is clearly softer: a delay repeats into its rest.
    """
    silence = line[sent().parts["silence"].frames()][round(SETTLED_S * RATE) :]
    edge = round(_EDGE_S * RATE)
    before = line[sent().parts["lead"].frames()][edge:-edge]
    softer = np.square(before).mean() < 0.8 * np.square(silence).mean()
    return before if softer and np.all(before != 0.0) else silence


def _noise(line: Floats) -> float:
    return float(np.sqrt(np.mean(np.square(quiet(line)))))


def _level(line: Floats) -> complex:
    """Return the complex amplitude of the part `level` at its frequency."""
    frames = sent().parts["level"].frames(with_rest=False)
    return amplitude(line[frames][round(0.2 * RATE) : -round(0.1 * RATE)], LEVEL_HZ)


def _found(path: Path) -> tuple[Floats, Placed, list[str]]:
    """Return one channel of a recording at 48 kHz, and where what was sent stands in it."""
    signal = read_clip(path)
    signal, warnings = _one_channel(path, signal)
    peak = float(np.abs(signal.volts).max())
    if peak <= units.db_to_ratio(QUIETEST_DB):
        raise ClipError(
            f"{path} is too quiet (nothing above {QUIETEST_DB:g} dB of full scale): turn the "
            "interface's input up, or check which input was recorded"
        )
    if flat := flat_tops(signal.volts[0], peak):
        raise ClipError(
            f"{path} is clipped (flat at its peak {flat} time{'s' * (flat > 1)}): turn the "
            "interface's input down by 6 dB or more, and record unit and loop-back again"
        )
    line = resampled(signal, RATE).volts[0]
    place = placed(line)
    if place is None or place.missing_s > 0.0:
        raise _not_whole(path, signal, place)
    return line, place, warnings


def _not_whole(path: Path, signal: Signal, place: Placed | None) -> ClipError:
    """Return what is wrong with a recording in which both markers are not found in their places."""
    for ratio in _MISTAKEN:
        told = Signal(signal.volts, round(signal.rate * ratio))
        other = placed(resampled(told, RATE).volts[0])
        if other and other.missing_s == 0.0:
            return ClipError(
                f"{path} says {signal.rate} frames a second, but was recorded at {told.rate}: "
                "save it with the rate it was recorded at"
            )
    if place:
        return ClipError(
            f"{path} is cut off: the last {place.missing_s:.1f} s of the {sent().seconds:.0f} s "
            "that are played are missing; record until the end of the file"
        )
    return ClipError(
        f"{path} does not hold what was played: its first and last marker are not found; play the "
        "whole file that `simchain tones` wrote, and record while it plays"
    )


def _one_channel(path: Path, signal: Signal) -> tuple[Signal, list[str]]:
    """Return the channel with something on it; what is wrong with the other is a warning."""
    if signal.channels == 1 or twins(signal.volts):
        return Signal(signal.volts[:1], signal.rate), []
    powers = np.square(signal.volts).mean(axis=1)
    live = int(np.argmax(powers))
    side = ("left", "right")[live]
    chosen = Signal(signal.volts[live : live + 1], signal.rate)
    if powers.min() <= powers.max() * 10.0 ** (DEAD_DB / 10.0):
        return chosen, [f"{path} has sound on its {side} channel alone: that is used"]
    return chosen, [
        f"{path} has two channels that differ: the {side} one, the louder, is used; to fit the "
        "other record it by itself"
    ]
