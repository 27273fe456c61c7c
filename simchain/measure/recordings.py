"""Two recordings made together, read and looked over before anything is measured on them."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from simchain.errors import ClipError
from simchain.signal import Signal, Volts, pieces, read_clip, twins

SHORTEST_S, ENOUGH_S = 5.0, 10.0
UNEQUAL_S = 1.0
SOFTEST_DB = -80.0
# A converter that is driven over stays at its last step; music stays there for two frames at most.
_FLAT_FRAMES, _FLAT_FROM = 4, 0.95


@dataclass(frozen=True, eq=False)
class Together:
    """Pickup and microphone: one channel each, equal rate and length. `warnings` for people."""

    pickup: Signal
    microphone: Signal
    warnings: tuple[str, ...]


def read_together(pickup: Path, microphone: Path) -> Together:
    """Read two recordings that were made together; the shorter counts if less than 1 s is missing.

    Raises ClipError, naming the file and the way out, when one cannot be read, has two channels
    that differ, is silent or clipped, is under five seconds, or does not fit the other: another
    rate, a second longer or more, or the very same sound.
    """
    first, second = _one_channel(pickup), _one_channel(microphone)
    if first.rate != second.rate:
        raise ClipError(
            f"{pickup} has {first.rate} frames a second, {microphone} {second.rate}: save both at "
            "the rate they were recorded at, in one session"
        )
    if abs(first.seconds - second.seconds) >= UNEQUAL_S:
        raise ClipError(
            f"{pickup} is {first.seconds:.1f} s long, {microphone} {second.seconds:.1f} s: save "
            "the same stretch of both, from the same moment (less than 1 s may be missing)"
        )
    for path, signal in ((pickup, first), (microphone, second)):
        _refuse_unfit(path, signal)
    warnings = []
    frames = min(first.frames, second.frames)
    if first.frames != second.frames:
        longer, shorter = (pickup, microphone)[:: 1 if first.frames > second.frames else -1]
        more_ms = abs(first.frames - second.frames) * 1e3 / first.rate
        warnings.append(f"{longer} is {more_ms:.3g} ms longer than {shorter}: its end is left out")
    if frames < ENOUGH_S * first.rate:
        warnings.append(
            f"the recordings are {frames / first.rate:.1f} s long; with {ENOUGH_S:g} s or more of "
            "playing over the whole neck the response is surer"
        )
    first, second = (Signal(one.volts[:, :frames], one.rate) for one in (first, second))
    if np.array_equal(first.volts, second.volts):
        raise ClipError(
            f"{pickup} and {microphone} are the same sound: give the pickup's recording first, "
            "then the microphone's"
        )
    return Together(first, second, tuple(warnings))


def _one_channel(path: Path) -> Signal:
    signal = read_clip(path)
    if signal.channels == 2 and not twins(signal.volts):
        raise ClipError(
            f"{path} has two channels that differ: save pickup and microphone as one file each, "
            "of one channel"
        )
    return Signal(signal.volts[:1], signal.rate)


def _refuse_unfit(path: Path, signal: Signal) -> None:
    if signal.seconds < SHORTEST_S:
        raise ClipError(
            f"{path} is {signal.seconds:.2g} s long: {SHORTEST_S:g} s of playing are the least, "
            f"{ENOUGH_S:g} s do well"
        )
    line = signal.volts[0]
    peak = float(max(np.abs(line[part]).max() for part in pieces(line.size)))
    if peak <= 10.0 ** (SOFTEST_DB / 20.0):
        raise ClipError(
            f"{path} is silent (nothing above {SOFTEST_DB:g} dB of full scale): check which input "
            "was recorded"
        )
    if flat := flat_tops(line, peak):
        raise ClipError(
            f"{path} is clipped (flat at its peak {flat} time{'s' * (flat > 1)}): record it again "
            "with 6 dB less gain or more"
        )


def flat_tops(line: Volts, peak: float) -> int:
    """How often `line` stays on its peak, near full scale or over it, for four frames or more."""
    if peak < _FLAT_FROM:
        return 0
    at_peak = np.concatenate(([False], np.abs(line) == peak, [False])).astype(np.int8)
    edges = np.flatnonzero(np.diff(at_peak))
    return int(np.count_nonzero(edges[1::2] - edges[::2] >= _FLAT_FRAMES))
