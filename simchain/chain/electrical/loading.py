"""Warnings about what inputs and cables take from the sound before anything amplifies it."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simchain.board import Board, BoardWarning
from simchain.chain.electrical.worst import (
    Worst,
    block_of,
    hertz,
    input_of,
    ohms,
    output_of,
    where,
)
from simchain.chain.steps import Path, Step
from simchain.electrics import Cable, Guitar, Link, Output, Part, Piezo, Pot

# Where a loss is looked for, and how much of it is told.
HZ = np.geomspace(100.0, 5e3, 41)
LOST_DB = 3.0
HIGH_OHM = 1e6
# The lowest string of a guitar is at 82 Hz. Common practice, no source.
PIEZO_CORNER_HZ = 60.0
# What a cable is held against: the guitar's own, which no buffer on the board can shorten, within
# these lengths; behind another output the shorter of them.
FAIR_CABLE_M = (3.0, 6.0)
PICO = 1e-12


def first_input_warnings(paths: Iterable[Path]) -> Iterator[BoardWarning]:
    """Warn of first inputs that load the source: a guitar's treble and level, a piezo's bass.

    A guitar is held against the same wire into 1 Mohm, from 100 Hz to 5 kHz; a piezo's corner is
    1 / (2 pi R C), C with its cable. One warning for an input, of the situation where it is worst.
    """
    worst = Worst()
    for path in paths:
        for step, link in _driven_from(path, 0):
            over, text = 0.0, ""
            if isinstance(link.source, Guitar):
                over, text = _loaded_guitar(link)
            elif isinstance(link.source, Piezo):
                over, text = _loaded_piezo(link.source, link)
            if over > 0.0:
                said = f"{input_of(step)}, {ohms(link.load_ohm)}, is the first that the source "
                said += f"meets ({where(path)}): {text}"
                worst.keep(step.name, over, BoardWarning("first_input_low", block_of(step), said))
    return worst.warnings()


def long_cable_warnings(board: Board, paths: Iterable[Path]) -> Iterator[BoardWarning]:
    """Warn of cable without a buffer that takes treble below 5 kHz, once for each output.

    The loss is that against the same link with less cable: `FAIR_CABLE_M`.
    """
    worst, cables = Worst(), board.cables
    shortest, longest = FAIR_CABLE_M
    for path in paths:
        for origin in range(len(path.steps)):
            fair_m = shortest if origin else min(max(cables.guitar_m, shortest), longest)
            for step, link in _driven_from(path, origin):
                hz = _dull_from_hz(link, fair_m * cables.pf_per_m)
                if hz is None:
                    continue
                maker = path.steps[origin - 1] if origin else None
                block = block_of(maker) if maker else ""
                pf = _cable_pf(link)
                text = (
                    f"{_start(maker, link)} drives {pf / cables.pf_per_m:.3g} m of cable "
                    f"({pf:.0f} pF) without a buffer, up to {input_of(step)} ({where(path)}): "
                    f"from {hertz(hz)} up it loses 3 dB and more against {fair_m:g} m, and sounds "
                    f"duller; {_cure(maker, cables.guitar_m)}"
                )
                warning = BoardWarning("long_unbuffered", block, text)
                worst.keep(maker.name if maker else "", -hz, warning)
    return worst.warnings()


def _driven_from(path: Path, origin: int) -> Iterator[tuple[Step, Link]]:
    """Yield the links that start at an output, each with the step at its end."""
    for step in path.steps:
        for feed in step.feeds:
            if feed.origin == origin:
                yield from ((step, link) for link in feed.links if not link.ideal)


def _loaded_guitar(link: Link) -> tuple[float, str]:
    """Return by how many decibels too much is lost, and what it does."""
    losses = _taken_db(link)
    worst = int(losses.argmax())
    at_1k = float(np.interp(1e3, HZ, losses))
    text = (
        f"it takes {at_1k:.1f} dB at 1 kHz and {losses[worst]:.1f} dB at {hertz(HZ[worst])} more "
        "than 1 Mohm would, so the guitar sounds softer and duller; some fuzzes are made for "
        "that, else put a buffer first"
    )
    return float(losses[worst]) - LOST_DB, text


def _loaded_piezo(piezo: Piezo, link: Link) -> tuple[float, str]:
    """Return by how many hertz its corner lies too high, and what it does."""
    cable_pf = _cable_pf(link)
    farad = (piezo.capacitance_pf + cable_pf) * PICO
    corner_hz = float(1.0 / (2.0 * np.pi * _seen_ohm(link.parts, link.load_ohm) * farad))
    text = (
        f"with the piezo's {piezo.capacitance_pf:g} pF and {cable_pf:.0f} pF of cable the bass "
        f"below {corner_hz:.0f} Hz is lost; a piezo wants 5 Mohm or more"
    )
    return corner_hz - PIEZO_CORNER_HZ, text


def _seen_ohm(parts: Sequence[Part], load_ohm: float) -> float:
    """Return the resistance to ground at a link's start, through its pots."""
    ohm = load_ohm
    for part in reversed(parts):
        if isinstance(part, Pot):
            below = part.share * part.ohm
            ohm = (1.0 - part.share) * part.ohm + below * ohm / (below + ohm)
    return ohm


def _start(maker: Step | None, link: Link) -> str:
    if maker is None:
        return "the guitar"
    ohm = link.source.ohm if isinstance(link.source, Output) else 0.0
    return f"{output_of(maker)}, {ohms(ohm)},"


def _cure(maker: Step | None, guitar_m: float) -> str:
    if maker is not None:
        return "a shorter cable, or a buffer right behind that output, brings it back"
    if guitar_m > FAIR_CABLE_M[1]:
        return "a shorter cable from the guitar brings it back"
    return "one buffered bypass or always-on block, first in line, brings it back"


@lru_cache(maxsize=256)
def _taken_db(link: Link) -> NDArray[np.float64]:
    """Return what the load takes at each of HZ, against 1 Mohm."""
    return _below_db(link, replace(link, load_ohm=HIGH_OHM))


@lru_cache(maxsize=256)
def _dull_from_hz(link: Link, fair_pf: float) -> float | None:
    """Return from which of HZ on `LOST_DB` are lost to cable beyond `fair_pf`, or None."""
    pf = _cable_pf(link)
    if pf <= fair_pf or isinstance(link.source, Piezo):
        return None
    share = fair_pf / pf
    parts = [Cable(part.pf * share) if isinstance(part, Cable) else part for part in link.parts]
    losses = _below_db(link, replace(link, parts=tuple(parts)))
    dull = np.flatnonzero(losses >= LOST_DB)
    if not dull.size:
        return None
    around = slice(max(int(dull[0]) - 1, 0), int(dull[0]) + 1)
    return float(np.exp(np.interp(LOST_DB, losses[around], np.log(HZ[around]))))


def _below_db(link: Link, better: Link) -> NDArray[np.float64]:
    """Return how far `link` is below `better` at each of HZ; the recording's load cancels."""
    ours, theirs = (np.abs(replace(one, recorded=None).at(HZ)) for one in (link, better))
    return np.asarray(20.0 * np.log10(theirs / ours))


def _cable_pf(link: Link) -> float:
    return sum(part.pf for part in link.parts if isinstance(part, Cable))
