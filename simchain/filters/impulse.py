"""Impulse responses from sound files, and convolution with them."""

from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simchain.errors import ClipError
from simchain.signal import PIECE, SILENT_BELOW, Signal, Volts, pieces, read_clip, resampled

ONSET_DB = -60.0
_SILENCE_AHEAD_S = 0.02  # more than a rate conversion rings ahead
_SMALLEST_BLOCK = 4_096


def impulse_response(path: Path, rate: int, longest_s: float) -> Volts:
    """Return the response in a mono sound file at `rate`, shape (frames,), full scale 1.0.

    A file at another rate is resampled so that its frequency response stays as it is. What lies
    before the first sample within 60 dB of the largest is left out, so that convolution adds no
    delay: the way from the speaker to the microphone is not part of the response. (A response that
    begins with a click keeps, at another rate, up to 0.9 ms that the conversion rings ahead.)

    Raises ClipError, naming the file, when it is no readable sound file, holds anything but
    finite numbers, has two channels, is silent, or is longer than `longest_s`.
    """
    signal = read_clip(path)
    if signal.channels != 1:
        raise ClipError(
            f"impulse response {path}: has {signal.channels} channels; one channel is wanted"
        )
    if signal.seconds > longest_s:
        raise ClipError(
            f"impulse response {path}: is {signal.seconds:.3g} s long; {longest_s:g} s are the most"
        )
    if np.abs(signal.volts).max() < SILENT_BELOW:
        raise ClipError(f"impulse response {path}: is silent; a sound is wanted")
    line = signal.volts[0]
    if rate != signal.rate:
        silence = np.zeros(round(_SILENCE_AHEAD_S * signal.rate))
        ahead = Signal(np.concatenate((silence, line, silence)), signal.rate)
        line = resampled(ahead, rate).volts[0] * (signal.rate / rate)
    size = np.abs(line)
    onset = int(np.argmax(size >= 10 ** (ONSET_DB / 20) * size.max()))
    return np.ascontiguousarray(line[onset:])


def convolved(response: Volts, volts: Volts) -> Volts:
    """Return `volts`, shape (channels, frames), convolved with `response`, shape (taps,).

    y[n] = sum_k response[k] x[n - k], x silent before frame 0; same shape, no delay, each channel
    for itself. Overlap-add (Oppenheim and Schafer, Discrete-Time Signal Processing, 8.7, from
    memory), the response's spectrum kept from call to call.
    """
    out = np.empty(volts.shape)
    for part, made in convolved_in_pieces(response, volts):
        out[:, part] = made
    return out


def convolved_in_pieces(response: Volts, volts: Volts) -> Iterator[tuple[slice, Volts]]:
    """Yield what `convolved` returns in pieces, each with its place.

    Of `volts` nothing is read any more that lies before the end of a piece.
    """
    size = _block_size(response.size, volts.shape[1])
    step = size - response.size + 1
    spectrum = _spectrum(response.tobytes(), size)
    tails = np.zeros((volts.shape[0], size))
    for part in pieces(volts.shape[1], max(1, PIECE // step) * step):
        yield (
            part,
            np.stack(
                [
                    _next_piece(line[part], step, size, spectrum, tail)
                    for line, tail in zip(volts, tails, strict=True)
                ]
            ),
        )


def _next_piece(
    line: Volts, step: int, size: int, spectrum: NDArray[np.complex128], tail: Volts
) -> Volts:
    """Return the convolution of a piece; `tail` rings on from those before and into the next."""
    blocks = -(-line.size // step)
    padded = np.zeros(blocks * step)
    padded[: line.size] = line
    parts = np.fft.irfft(np.fft.rfft(padded.reshape(blocks, step), size) * spectrum, size)
    total = np.zeros((blocks + -(-size // step)) * step)
    total[:size] = tail
    for first in range(0, size, step):
        piece = parts[:, first : first + step]
        rows = total[first : first + blocks * step].reshape(blocks, step)
        rows[:, : piece.shape[1]] += piece
    tail[:] = 0.0
    tail[: size - step] = total[blocks * step : blocks * step + size - step]
    return total[: line.size]


def _block_size(taps: int, frames: int) -> int:
    """Return the power of two that is at least 8 times `taps`, or takes all frames at once."""
    size = _SMALLEST_BLOCK
    while size < min(8 * taps, taps + frames - 1):
        size *= 2
    return size


@lru_cache(maxsize=8)
def _spectrum(response: bytes, size: int) -> NDArray[np.complex128]:
    return np.fft.rfft(np.frombuffer(response), size)
