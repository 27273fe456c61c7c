"""A parallel loop: what the signal beside the loop and the loop's own make of each other.

With `loop_mix` m an amplifier's return gets m of the loop and 1 - m of the send itself. What is
late in the loop by T then adds to what is not: a loop that does nothing else passes

    |m exp(-j w T) + 1 - m|

which has its least, |1 - 2 m|, at odd multiples of 1 / (2 T), and one that is turned over cancels
from the lowest frequency on.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block
from simchain.board import Board, Order
from simchain.chain.path import named_order, path_of
from simchain.chain.step import reach, run
from simchain.chain.steps import PAIR, Path, Step
from simchain.chain.timeline import Timeline, timeline_of_passage
from simchain.chain.wires import Wires
from simchain.signal import Volts

# Small enough that diodes, tubes and tapes are linear for it.
IMPULSE_VOLTS = 1e-5
# What comes back later than this is an echo beside the note, no colour of it (common practice, no
# source): it fades from the response between the two.
WHOLE_S, GONE_S = 0.020, 0.030
TURNS = 4
LOWEST_HZ, HIGHEST_HZ = 20.0, 10_000.0
MIDDLE_HZ = (100.0, 5000.0)
LEAST_DIP_DB = 3.0
DEEPEST_DB = -60.0
_FFT = 1 << 17

Spectra = NDArray[np.complex128]


@dataclass(frozen=True)
class Dip:
    """Where loop and direct sound cancel: `db` is against both adding up, -60 at the deepest."""

    hz: float
    db: float


@dataclass(frozen=True, eq=False)
class Loop:
    """An order's parallel loop in one passage: small signals from the send to the return.

    `mix` is the loop's share. `hz` has the frequencies from 20 Hz to 10 kHz, `gains_db` the gain
    there. `dips` are cancelled by 3 dB or more against their surroundings. `level_db` is what both
    together are against the louder of the two, in the mean from 100 Hz to 5 kHz by energy: what is
    turned over and no later is far below 0.
    """

    mix: float
    hz: Volts
    gains_db: Volts
    dips: tuple[Dip, ...]
    level_db: float


def parallel_loop(
    board: Board, order: str | Order, passage: str, amp: str | None = None
) -> Loop | None:
    """Measure the parallel loop of `order` in `passage`; None where nothing runs beside the loop.

    An impulse of 10 uV is sent through the loop's blocks as they are at 0 s; where one of them
    moves, the energies of a few turns are averaged. Of two amplifiers it is the first with a
    parallel loop. `amp` is one of the board's, both of a pair joined by `PAIR`, or None for the
    mixer. What comes back after 30 ms is left out.

    Raises RequestError for names that the board does not have.
    """
    ends = [board.amps[name] for name in amp.split(PAIR)] if amp else []
    if not named_order(board, order)[1].loop or all(end.loop_mix >= 1.0 for end in ends):
        return None
    line = next(place for place, end in enumerate(ends) if end.loop_mix < 1.0)
    at_rest = timeline_of_passage(board, passage).at_rest()
    paths = [_path(at_rest, order, amp, 0.0)]
    if _moves(paths[0]):
        turns = (turn / TURNS for turn in range(1, TURNS))
        paths += [_path(at_rest, order, amp, turn) for turn in turns]
    both = _responses(paths, line, board.rate)
    return _loop(ends[line].loop_mix, both, board.rate)


def _path(at_rest: Timeline, order: str | Order, amp: str | None, turn: float) -> Path:
    key = b"at the send"
    return path_of(at_rest.board, order, at_rest, amp, source_key=key, channels=1, turn=turn)


def _loop_steps(path: Path) -> tuple[Step, ...]:
    """Return the steps behind the preamp's, up to the power stage's."""
    send = next(place for place, step in enumerate(path.steps) if step.out_is_send)
    return path.steps[send + 1 : -1]


def _moves(path: Path) -> bool:
    return any(
        isinstance(step.unit, Block) and not step.gate.is_never_on and not step.unit.is_lti()
        for step in _loop_steps(path)
    )


def _responses(paths: Sequence[Path], line: int, rate: int) -> Spectra:
    """Return spectra from send to return, loop and direct sound together, a row for each path."""
    frames = round(GONE_S * rate)
    impulse = np.zeros(frames)
    impulse[0] = IMPULSE_VOLTS
    fade = np.interp(np.arange(frames) / rate, (WHOLE_S, GONE_S), (0.0, np.pi))
    window = 0.5 + 0.5 * np.cos(fade)
    reached = np.stack([_at_return(path, impulse)[line] for path in paths])
    return np.fft.rfft(reached / IMPULSE_VOLTS * window, _FFT)


def _at_return(path: Path, at_send: Volts) -> Volts:
    """Return what stands at the amplifier's return for volts of shape (frames,) at its send."""
    *blocks, power = _loop_steps(path)
    shares = power.joins_dry or (1.0,)
    dry = np.tile(at_send, (len(shares), 1))
    wires = Wires({(blocks[0] if blocks else power).input.wire: dry})
    for step in blocks:
        reached = reach(step, wires.arriving(step).volts)
        wires = wires.behind(step, run(step, reached).volts)
    return reach(power, wires.arriving(power).volts, dry)


def _loop(share: float, both: Spectra, rate: int) -> Loop:
    from scipy.signal import find_peaks

    every_hz: Volts = np.fft.rfftfreq(_FFT, 1.0 / rate).astype(np.float64)
    heard = (every_hz >= LOWEST_HZ) & (every_hz <= HIGHEST_HZ)
    middle = (every_hz >= MIDDLE_HZ[0]) & (every_hz <= MIDDLE_HZ[1])
    beside = 1.0 - share
    whole, alone = _energy(both), _energy(both - beside)
    cancelled_db = _db(whole / (np.sqrt(alone) + beside) ** 2)[heard]
    hz, gains_db = every_hz[heard], _db(whole)[heard]
    found, _ = find_peaks(-gains_db, prominence=LEAST_DIP_DB)
    dips = tuple(
        Dip(float(hz[place]), float(cancelled_db[place]))
        for place in found
        if cancelled_db[place] <= -LEAST_DIP_DB
    )
    louder = max(alone[middle].mean(), beside**2)
    return Loop(share, hz, gains_db, dips, float(_db(whole[middle].mean() / louder)))


def _energy(spectra: Spectra) -> Volts:
    """Return the mean energy of several turns at each frequency."""
    energy: Volts = np.mean(np.abs(spectra) ** 2, axis=0)
    return energy


def _db(energy: Any) -> Volts:
    decibels: Volts = 10.0 * np.log10(np.maximum(energy, 10.0 ** (DEEPEST_DB / 10.0)))
    return decibels
