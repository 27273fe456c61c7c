"""The finished board against the plan: tones that went through all of it, beside a simulation.

The amplifier is left out (see `fit.wired`). Readings of the recording are laid beside those of the
board as planned, and where they part by more than real boards of one plan do, beside those of
boards with one fault each.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simchain import units
from simchain.board import Board
from simchain.chain.alone import INTO_OHM
from simchain.fit.aligning import likeness, placed
from simchain.fit.culprits import (
    AS_GOOD,
    LEAST_EXPLAINED,
    Suspect,
    equals,
    suspects,
)
from simchain.fit.faults import dead_of, faults_of
from simchain.fit.own_spread import looked_at_again
from simchain.fit.received import Loopback, Received, given_volts, read_loopback, read_received
from simchain.fit.sent import PLAYBACK_DBU, RATE, sent
from simchain.fit.tolerance import Expected, expected
from simchain.fit.traits import Floor, Traits, compared_frames, floor_of, traits_of
from simchain.fit.wired import Simulation, Wired, wired_board
from simchain.signal import Signal, read_clip, resampled

Floats = NDArray[np.float64]
Told = Callable[[str], None]

# A misfit beyond it is none of a board as planned, even where no single fault explains it; and what
# a fault must explain of a larger misfit to be named.
MOST_MISFIT, LEAST_SHARE = 350.0, 0.3
# Nothing of what was played comes through below this share of the loop-back's level.
_SILENT_SHARE = 0.02
_SILENT_PEAK = 1e-3
# The noise of a simulated board and of a real one agree within so many decibels.
NOISE_DB = 3.0


@dataclass(frozen=True, eq=False)
class Verified:
    """What was found.

    `heard` and `planned` are the readings, `about` how far real boards spread; all None for a
    recording in which nothing comes through (`silent`). `likely` are the faults that explain it
    best and equally well, `possible` the next ones. `misfit` is the plan's, in squared standard
    deviations. Noise is the board's own, in volts RMS, None where it was not told. `same_way_up` is
    None where the polarity cannot be told.
    """

    order: str
    passage: str
    wired: Wired
    warnings: tuple[str, ...]
    silent: bool = False
    as_planned: bool = False
    misfit: float = 0.0
    heard: Traits | None = None
    about: Expected | None = None
    likely: tuple[Suspect, ...] = ()
    possible: tuple[Suspect, ...] = ()
    planned_noise_volts: float | None = None
    heard_noise_volts: float | None = None
    same_way_up: bool | None = None
    calibrated: bool = False


def verify(
    board: Board,
    order: str,
    passage: str,
    recording: Path,
    *,
    loopback: Path | None = None,
    playback_dbu: float = PLAYBACK_DBU,
    into_ohm: float = INTO_OHM,
    told: Told = lambda _: None,
) -> Verified:
    """Lay a recording of the tones, played into the finished board, beside the plan.

    `playback_dbu` and the recordings are those of `fit.received.read_received`. Raises RequestError
    for names that the board does not have and for an order without blocks, ClipError for a
    recording that cannot be used.
    """
    wired = wired_board(board, order, passage, into_ohm)
    looped = read_loopback(loopback) if loopback else None
    told("reading the recording")
    noise_volts = _noise_of_silence(recording, looped, playback_dbu)
    if noise_volts is not None:
        return _silent(order, passage, wired, looped, noise_volts, playback_dbu)
    received = read_received(recording, loopback=looped, playback_dbu=playback_dbu)
    return verified(order, passage, wired, received, told)


def verified(
    order: str, passage: str, wired: Wired, received: Received, told: Told = lambda _: None
) -> Verified:
    """Lay what was received beside the plan; see `verify`."""
    floor = floor_of(received.line, received.noise_volts)
    simulation = Simulation(received.given, wired.board.rate, floor, compared_frames())
    heard = traits_of(received.line, floor, noisy=True)
    told("playing the board as planned")
    about = expected(simulation, wired, calibrated=received.calibrated)
    misfit = about.misfit(heard, about.still)
    found = suspects(simulation, wired, list(faults_of(wired)), heard, about, told)
    found = looked_at_again(simulation, wired, found, heard, about, told)
    explained = misfit - found[0].cost if found else 0.0
    is_named = explained >= max(LEAST_EXPLAINED, LEAST_SHARE * misfit)
    likely = equals(found) if is_named else []
    limit = found[0].cost + 0.25 * explained if is_named else 0.0
    possible = [one for one in found if one not in likely and one.cost <= limit]
    alike = likeness(heard.marker, about.still.marker)
    (noise,) = simulation.noise_volts([wired])
    return Verified(
        order,
        passage,
        wired,
        received.warnings,
        as_planned=not is_named and misfit <= MOST_MISFIT,
        misfit=misfit,
        heard=heard,
        about=about,
        likely=tuple(likely),
        possible=tuple(possible),
        planned_noise_volts=noise,
        heard_noise_volts=received.own_noise_volts if received.calibrated else None,
        same_way_up=alike > 0.0 if received.calibrated and abs(alike) > 0.1 else None,
        calibrated=received.calibrated,
    )


def _noise_of_silence(path: Path, looped: Loopback | None, playback_dbu: float) -> float | None:
    """Return the RMS of a recording through which nothing comes, in volts; None for any other.

    Without a loop-back in units of full scale.
    """
    signal = read_clip(path)
    line = signal.volts[int(np.argmax(np.square(signal.volts).sum(axis=1)))]
    if signal.seconds < compared_frames() / RATE:
        return None
    rms = float(np.sqrt(np.mean(np.square(line - line.mean()))))
    sent_rms = float(np.sqrt(np.mean(np.square(sent().line))))
    played = looped.gain * sent_rms if looped else _SILENT_PEAK
    if rms > max(_SILENT_SHARE * played, 3.0 * looped.noise if looped else 0.0):
        return None
    if placed(resampled(Signal(line, signal.rate), RATE).volts[0]) is not None:
        return None
    return rms * units.dbu_to_peak_volts(playback_dbu) / looped.gain if looped else rms


def _silent(
    order: str,
    passage: str,
    wired: Wired,
    looped: Loopback | None,
    noise_volts: float,
    playback_dbu: float,
) -> Verified:
    """Return what a recording tells in which nothing comes through: the noise, if anything."""
    given = given_volts(playback_dbu)
    simulation = Simulation(given, wired.board.rate, Floor(0.0, 0.0), compared_frames())
    faults = list(dead_of(wired))
    nothing = Traits(np.zeros(0), np.zeros(0))
    if looped is None:
        found = [Suspect(fault, 0.0, nothing, 0.0) for fault in faults]
        own = None
    else:
        interface = looped.noise * units.dbu_to_peak_volts(playback_dbu) / looped.gain
        own = float(np.sqrt(max(0.0, noise_volts**2 - interface**2)))
        boards = [fault.board(wired) for fault in faults]
        found = [
            Suspect(fault, 0.0, nothing, _noise_misfit(noise_volts, np.hypot(made, interface)))
            for fault, made in zip(faults, simulation.noise_volts(boards), strict=True)
        ]
    found.sort(key=lambda one: one.misfit)
    likely = [one for one in found if one.misfit <= found[0].misfit + AS_GOOD]
    return Verified(
        order,
        passage,
        wired,
        (),
        silent=True,
        likely=tuple(likely),
        possible=tuple(one for one in found if one not in likely),
        planned_noise_volts=simulation.noise_volts([wired])[0],
        heard_noise_volts=own,
        calibrated=looped is not None,
    )


def _noise_misfit(heard_volts: float, made_volts: float) -> float:
    """Return how far two noises are apart, in squared standard deviations."""
    return float((20.0 * np.log10((heard_volts + 1e-9) / (made_volts + 1e-9)) / NOISE_DB) ** 2)
