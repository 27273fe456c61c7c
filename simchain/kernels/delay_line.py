"""Delay lines of fixed length: repeats exact to a fraction of a frame, and diffusing all-passes."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simchain.kernels.compile import kernel
from simchain.signal import PIECE, Volts, pieces

Floats = NDArray[np.float64]

SINC_TAPS = 64
SINC_BETA = 9.3
SHORTEST_FRACTIONAL = SINC_TAPS // 2 + 1
LONGEST_PIECE = 512
NOTHING = 1e-60
NO_SECTIONS: Floats = np.zeros((0, 6))


@lru_cache(maxsize=64)
def fractional_delay(frames: float) -> tuple[int, Floats]:
    """Return (lag, taps) with y[n] = sum_k taps[k] x[n - lag - k] delaying by `frames`.

    A whole number of frames is one tap of 1. Anything else is a sinc of 64 taps under a Kaiser
    window (beta 9.3): magnitude within 0.001 dB and delay within 0.0001 frame up to 0.9 of the
    Nyquist frequency, so that dozens of passes keep their treble. Laakso, Välimäki, Karjalainen
    and Laine, IEEE Signal Processing Magazine 13(1), 1996.

    Raises ValueError below 1 frame, and below 33 frames unless `frames` is whole.
    """
    whole = round(frames)
    if abs(frames - whole) < 1e-9 * max(frames, 1.0) and whole >= 1:
        return whole, np.ones(1)
    if frames < SHORTEST_FRACTIONAL:
        raise ValueError(
            f"a delay of {frames:g} frames is refused: "
            f"{SHORTEST_FRACTIONAL} at least, or a whole number"
        )
    lag = int(frames) - SINC_TAPS // 2 + 1
    distance = np.arange(SINC_TAPS) - (frames - lag)
    inside = np.maximum(1.0 - (distance / (SINC_TAPS / 2)) ** 2, 0.0)
    taps = np.sinc(distance) * np.i0(SINC_BETA * np.sqrt(inside))
    return lag, taps / taps.sum()


def repeats(
    volts: Volts,
    frames: float,
    feedback: float,
    sections: Floats = NO_SECTIONS,
    crossed: float = 0.0,
) -> Volts:
    """Return the repeats alone of a delay of `frames`, a line for each channel.

    With F the filter made of `sections` (scipy's form, shape (n, 6)) and D the delay::

        wet = D F (volts + feedback wet)

    so that repeat k comes after k delays, has passed F k times and has the gain
    feedback^(k - 1). `volts` has shape (channels, frames), and so has the result. Of two channels
    the share `crossed` of the feedback goes to the other one's line.

    Raises ValueError for a delay that `fractional_delay` refuses.
    """
    wet = np.empty(volts.shape)
    going_round = Repeats(volts.shape[0], frames, feedback, sections, crossed)
    for part in pieces(volts.shape[1]):
        wet[:, part] = going_round(volts[:, part])
    return wet


class Repeats:
    """What `repeats` returns, piece after piece of the sound."""

    def __init__(
        self, channels: int, frames: float, feedback: float, sections: Floats, crossed: float
    ) -> None:
        self._lag, self._taps = fractional_delay(frames)
        self._shares = np.array([feedback * (1.0 - crossed), feedback * crossed])
        self._sections, self._state = sections, np.zeros((channels, len(sections), 2))
        self._before = self._lag + self._taps.size - 1
        self._lines = np.zeros((channels, 2 * self._before + PIECE))
        self._at = self._before

    def __call__(self, volts: Volts) -> Volts:
        """Return the repeats in the next piece, shape (channels, frames), up to `PIECE` frames."""
        wet = np.zeros(volts.shape)
        if self._at + volts.shape[1] > self._lines.shape[1]:
            kept = self._lines[:, self._at - self._before : self._at].copy()
            self._lines[:, : self._before] = kept
            self._at = self._before
        _repeats(
            np.ascontiguousarray(volts),
            self._taps,
            self._lag,
            self._shares,
            self._sections,
            self._state,
            min(self._lag, LONGEST_PIECE),
            NOTHING,
            self._lines,
            self._at,
            wet,
        )
        self._at += volts.shape[1]
        return wet


class Late:
    """A whole number of frames later, piece after piece of a sound of some channels."""

    def __init__(self, channels: int, frames: int) -> None:
        self._held = np.zeros((channels, frames))

    def __call__(self, volts: Volts) -> Volts:
        """Return the next piece of the late sound for that of the sound."""
        if self._held.shape[1] == 0:
            return volts
        both = np.concatenate((self._held, volts), axis=1)
        self._held = both[:, volts.shape[1] :]
        return both[:, : volts.shape[1]]


def delayed(volts: Volts, frames: int) -> Volts:
    """Return `volts` a whole number of frames later, of the same length."""
    if frames == 0:
        return volts
    late = np.zeros_like(volts)
    late[:, frames:] = volts[:, : max(volts.shape[1] - frames, 0)]
    return late


def diffuse(row: Volts, lengths: tuple[int, ...], gain: float) -> None:
    """Run all-passes over `row`, shape (frames,), in place: y[n] = g x[n] + x[n - M] - g y[n - M].

    `lengths` are the M in frames. Schroeder, Natural sounding artificial reverberation, JAES
    10(3), 1962.
    """
    Diffuser(lengths, gain)(row)


class Diffuser:
    """The all-passes of `diffuse`, piece after piece of one channel."""

    def __init__(self, lengths: tuple[int, ...], gain: float) -> None:
        self._pasts = [np.zeros(length) for length in lengths]
        self._gain = gain

    def __call__(self, row: Volts) -> None:
        """Run over the next piece, shape (frames,), in place."""
        for number, past in enumerate(self._pasts):
            _all_pass(row, past, self._gain, NOTHING)
            self._pasts[number] = np.roll(past, -(row.size % past.size))


@kernel
def _repeats(
    feed: Floats,
    taps: Floats,
    lag: int,
    shares: Floats,
    sections: Floats,
    state: Floats,
    piece: int,
    nothing: float,
    lines: Floats,
    before: int,
    wet: Floats,
) -> None:
    """Fill `wet`, zeros at first; the feed goes into `lines` from `before` on, behind its past.

    `shares` are the feedback to its own line and to the other. A piece is at most `lag` long: it
    reads only what earlier pieces wrote. `state` of the sections, shape (rows, n, 2), moves on.
    """
    rows = feed.shape[0]
    for start in range(0, feed.shape[1], piece):
        stop = min(start + piece, feed.shape[1])
        first, last = before + start - lag - taps.size + 1, before + stop - lag
        for r in range(rows):
            _add_taps(lines[r, first:last], taps, wet[r, start:stop])
        for r in range(rows):
            new = lines[r, before + start : before + stop]
            own, across = wet[r, start:stop], wet[rows - 1 - r, start:stop]
            _feed_back(feed[r, start:stop], own, across, shares, new)
            for k in range(sections.shape[0]):
                _section(new, sections[k], state[r, k])
            if _is_nothing(new, nothing):
                new[:] = 0.0
                state[r] = 0.0


@kernel
def _feed_back(fresh: Floats, own: Floats, across: Floats, shares: Floats, new: Floats) -> None:
    """Fill `new` with what enters a line."""
    to_own, to_other = shares[0], shares[1]
    if to_other == 0.0:
        for n in range(new.size):
            new[n] = fresh[n] + to_own * own[n]
        return
    for n in range(new.size):
        new[n] = fresh[n] + (to_own * own[n] + to_other * across[n])


@kernel
def _add_taps(past: Floats, taps: Floats, out: Floats) -> None:
    """Add sum_k taps[k] past[n + last - k] to each out[n]."""
    last = taps.size - 1
    k = 0
    while k + 3 <= last:
        a, b, c, d = taps[k], taps[k + 1], taps[k + 2], taps[k + 3]
        p = past[last - k : last - k + out.size]
        q = past[last - k - 1 : last - k - 1 + out.size]
        r = past[last - k - 2 : last - k - 2 + out.size]
        s = past[last - k - 3 : last - k - 3 + out.size]
        for n in range(out.size):
            out[n] += a * p[n] + b * q[n] + c * r[n] + d * s[n]
        k += 4
    while k <= last:
        p = past[last - k : last - k + out.size]
        for n in range(out.size):
            out[n] += taps[k] * p[n]
        k += 1


@kernel
def _section(row: Floats, section: Floats, state: Floats) -> None:
    """Run one second-order section, transposed direct form II, in place."""
    b0, b1, b2, a1, a2 = section[0], section[1], section[2], section[4], section[5]
    s, t = state[0], state[1]
    for n in range(row.size):
        x = row[n]
        y = b0 * x + s
        s = b1 * x - a1 * y + t
        t = b2 * x - a2 * y
        row[n] = y
    state[0], state[1] = s, t


@kernel
def _is_nothing(row: Floats, nothing: float) -> bool:
    """Tell whether all of `row` has died away; at once when its first frame has not."""
    for n in range(row.size):  # noqa: SIM110
        if abs(row[n]) > nothing:
            return False
    return True


@kernel
def _all_pass(row: Floats, past: Floats, gain: float, nothing: float) -> None:
    """Run one all-pass in place; `past` is its ring of x - g y, all zero at first."""
    for start in range(0, row.size, past.size):
        piece = row[start : start + past.size]
        for n in range(piece.size):
            y = gain * piece[n] + past[n]
            kept = piece[n] - gain * y
            past[n] = kept if abs(kept) > nothing else 0.0
            piece[n] = y
