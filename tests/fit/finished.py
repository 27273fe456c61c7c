"""Finished boards with one hidden fault or none, recorded; for what `verify` finds in them.

A hidden board is played by simchain's own chain, with every control off by a real unit's tolerance,
modulators anywhere in their turn and its own hiss. A pad is a passive potentiometer here, which
loads what drives it; all other faults are made as `fit.faults` makes them.
"""

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block, kinds
from simchain.board import starter
from simchain.board.models import OF_THE_UNIT
from simchain.board.read import read_board
from simchain.chain.fed import line_source
from simchain.chain.walk import at_ends
from simchain.chain.walker import Walker
from simchain.fit.faults import Fault, dead_of, faults_of
from simchain.fit.received import given_volts
from simchain.fit.verify import Verified, verify
from simchain.fit.wired import Wired, wired_board
from simchain.settings import limits_of, unit_of
from tests.fit.recorder import RATE, Interface

Floats = NDArray[np.float64]

OWN = """
source = { kind = "guitar", clip = "riff", full_scale_dbu = 12 }
[blocks]
wail = { kind = "wah", position = 0.6 }
fur = { kind = "fuzz", gain_db = 30, level_db = -12 }
shape = { kind = "equalizer", bands = [{ hz = 500, db = -5 }, { hz = 3000, db = 4 }] }
lift = { kind = "boost", gain_db = 9, supply_volts = 18 }
hall = { kind = "reverb", decay_s = 2.4, mix = 0.25 }
twice = { kind = "delay", time_ms = 260, mix = 0.3, voice = "bucket-brigade" }
even = { kind = "compressor", threshold_dbu = -24, ratio = 3, makeup_db = 4 }
edge = { kind = "drive", gain_db = 26, level_db = -10, clip = "shunt" }
pedal = { kind = "volume", position = 0.8, active = true }
shake = { kind = "modulation", shape = "tremolo", depth = 0.5 }
[orders]
fuzzy = { front = ["wail", "fur", "shape", "lift", "twice", "hall"] }
driven = { front = ["even", "lift", "edge", "shape", "pedal", "shake", "twice"] }
[passages]
lead = { on = ["fur", "shape", "twice"] }
clean = { on = ["even", "shape", "pedal", "shake"] }
dirty = { on = ["even", "lift", "edge", "pedal", "twice"] }
"""
CASES = (
    ("demo", "series", "solo"),
    ("demo", "series", "verse"),
    ("demo", "split", "riff"),
    ("demo", "delay_first", "intro"),
    ("electric", "series", "verse"),
    ("electric", "split", "chorus"),
    ("electric", "push_first", "solo"),
    ("acoustic", "delay_last", "bridge"),
    ("acoustic", "press_last", "chorus"),
    ("own", "fuzzy", "lead"),
    ("own", "driven", "clean"),
    ("own", "driven", "dirty"),
)
# At least so many of the levels in thirds of octaves and time part by so much: measurable.
PART_DB, PART_SHARE = 1.5, 0.1
KINDS = (
    *("off", "on", "exchanged", "pad", "level", "control", "supply", "dull"),
    *("upside_down", "dead"),
)


@dataclass(frozen=True)
class Outcome:
    """One finished board: what was hidden, what was drawn again, and what was named."""

    seed: int
    case: tuple[str, str, str]
    hidden: str
    kind: str
    number: float
    drawn_again: int
    as_planned: bool
    first: bool
    found: str
    equals: int
    misfit: float


def board_of(name: str):
    return read_board(OWN) if name == "own" else read_board(starter(name))


def real(wired: Wired, rng: np.random.Generator) -> Wired:
    """Return a board with levels and gains +-0.3 dB, all else +-3 %, at any phase."""
    for name in wired.names:
        block = wired.board.blocks[name]
        for control in type(block).model_fields:
            value = _value(block, control)
            if value is None:
                continue
            in_db = unit_of(type(block).model_fields[control]) in ("dB", "dBu")
            moved = value + rng.uniform(-0.3, 0.3) if in_db else value * rng.uniform(0.97, 1.03)
            low, high = limits_of(type(block).model_fields[control])
            if (low is None or moved >= low) and (high is None or moved <= high):
                wired = wired.turned(name, control, moved)
    return Wired(wired.board, wired.passage, wired.names, float(rng.uniform()))


def _value(block: Block, control: str) -> float | None:
    if control in OF_THE_UNIT or control in ("bpm", "phase"):
        return None
    value = block.delay_ms if control == "time_ms" else getattr(block, control)
    if not isinstance(value, float) or (control == "level_db" and block.pot):
        return None
    return value


def played(wired: Wired, *, noisy: bool, volts: Floats | None = None) -> Floats:
    """Return what comes out of the left jack, hiss and all."""
    given = (given_volts() if volts is None else volts)[np.newaxis].copy()
    source = line_source(wired.board, wired.passage, given, noisy=noisy)
    walker = Walker(given.copy(), needs_dry=False, metered=False)
    (line,) = at_ends([wired.path(source)], walker, lambda _, here: here.samples(1.0)[0])
    return line


def with_fault(wired: Wired, fault: Fault, number: float) -> Wired:
    """Return a real board with the fault, made in another way than `verify` does where it can."""
    if fault.what == "pad":
        place = wired.names.index(wired.on[fault.gap]) if fault.gap < len(wired.on) else None
        names = list(wired.names)
        names.insert(len(names) if place is None else place, "attenuator")
        pot = kinds()["volume"](taper="linear", position=10 ** (number / 20), pot_ohm=10e3)
        made = wired.with_block("attenuator", pot).switched("attenuator", on=True)
        return Wired(made.board, made.passage, tuple(names), made.turn)
    return fault.board(wired, number)


def drawn(wired: Wired, rng: np.random.Generator) -> tuple[Fault, float]:
    """Return a fault: each sort is as likely as another, where the board has it."""
    faults = [*faults_of(wired), *dead_of(wired)]
    sorts = [kind for kind in KINDS if any(one.what == kind for one in faults)]
    kind = sorts[rng.integers(len(sorts))]
    fault = [one for one in faults if one.what == kind]
    chosen = fault[rng.integers(len(fault))]
    if not chosen.has_number:
        return chosen, 0.0
    low, high = min(chosen.tried), max(chosen.tried)
    if chosen.log:
        return chosen, float(np.exp(rng.uniform(np.log(low), np.log(high))))
    return chosen, float(rng.uniform(low, high))


def is_measurable(a: Floats, b: Floats) -> bool:
    """Whether two outputs part: by 1.5 dB in a tenth of time and pitch, or by polarity."""
    from scipy.signal import stft

    if float(np.dot(a, b)) < -0.3 * float(np.linalg.norm(a) * np.linalg.norm(b)):
        return True
    powers = [np.abs(stft(line, RATE, nperseg=4096)[2]) ** 2 for line in (a, b)]
    edges = np.unique(np.round(2.0 ** (np.arange(5 * 3, 14 * 3) / 3.0) * 4096 / RATE)).astype(int)
    bands = [np.add.reduceat(power, edges, axis=0) for power in powers]
    # Of each moment what is no softer than 40 dB below its loudest band, above the recorder's hiss.
    least = np.maximum(1e-4 * np.maximum(*bands).max(axis=0, keepdims=True), 1e-9)
    apart = 10.0 * np.log10((bands[0] + least) / (bands[1] + least))
    counts = np.maximum(*bands) > least
    return bool(np.mean(np.abs(apart[counts]) >= PART_DB) >= PART_SHARE)


def tried(seed: int, *, sound: bool = False) -> Outcome:
    """Hide a fault (or none) in a real board, record it, verify it."""
    rng = np.random.default_rng(10_000 + seed)
    case = CASES[int(rng.integers(len(CASES)))]
    board = board_of(case[0])
    plan = wired_board(board, case[1], case[2], 1e6)
    made = real(plan, rng)
    again, fault, number = 0, None, 0.0
    line = played(made, noisy=False)
    while not sound:
        fault, number = drawn(plan, rng)
        if fault.has_number and fault.is_small(number):
            again += 1
            continue
        faulty = with_fault(made, fault, number)
        if is_measurable(line, played(faulty, noisy=False)):
            made = faulty
            break
        again += 1
    line = played(made, noisy=True)
    found = recorded(board, case, line, rng, seed)
    named = [one.fault for one in found.likely]
    return Outcome(
        seed,
        case,
        told(fault),
        fault.what if fault else "sound",
        number,
        again,
        found.as_planned,
        fault in named,
        "; ".join(f"{told(one.fault)} {one.number:.3g}" for one in found.likely[:4]),
        len(named),
        found.misfit,
    )


def recorded(board, case, line: Floats, rng: np.random.Generator, seed: int) -> Verified:
    """Record a board and a loop-back with one interface, and verify it."""
    given = given_volts()
    loudest = max(float(np.abs(line).max()), float(np.abs(given).max()))
    interface = Interface(
        loudest * 10.0 ** ((6.0 + rng.uniform(-3.0, 3.0)) / 20.0),
        drift=float(rng.choice([-1e-4, 1e-4])),
        inverted=bool(rng.integers(2)),
    )
    with tempfile.TemporaryDirectory() as folder:
        for name, volts in (("board", line), ("loop", given)):
            begins_s = float(rng.uniform(0.1, 1.0))
            path = Path(folder) / f"{name}.wav"
            interface.record(path, volts, begins_s=begins_s, seed=seed)
        return verify(
            board, case[1], case[2], Path(folder) / "board.wav", loopback=Path(folder) / "loop.wav"
        )


def told(fault: Fault | None) -> str:
    if fault is None:
        return "sound"
    return f"{fault.what} {'/'.join(fault.blocks)} {fault.control}".strip()
