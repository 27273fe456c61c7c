"""Impulse responses from sound files, and convolution with them."""

from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simchain.errors import ClipError
from simchain.signal import Signal, Volts, read_clip, resampled

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
    if not signal.volts.any():
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
    taps, frames = response.size, volts.shape[1]
    size = _block_size(taps, frames)
    step = size - taps + 1
    blocks = -(-frames // step)
    spectrum = _spectrum(response.tobytes(), size)
    out = np.empty_like(volts)
    for line, into in zip(volts, out, strict=True):
        padded = np.zeros(blocks * step)
        padded[:frames] = line
        parts = np.fft.irfft(np.fft.rfft(padded.reshape(blocks, step), size) * spectrum, size)
        into[:] = _added(parts, step)[:frames]
    return out


def _added(parts: Volts, step: int) -> Volts:
    """Return the blocks `parts`, each `step` later than the one before, added up."""
    blocks, size = parts.shape
    total = np.zeros((blocks + -(-size // step)) * step)
    for first in range(0, size, step):
        piece = parts[:, first : first + step]
        rows = total[first : first + blocks * step].reshape(blocks, step)
        rows[:, : piece.shape[1]] += piece
    return total


def _block_size(taps: int, frames: int) -> int:
    """Return the power of two that is at least 8 times `taps`, or takes all frames at once."""
    size = _SMALLEST_BLOCK
    while size < min(8 * taps, taps + frames - 1):
        size *= 2
    return size


@lru_cache(maxsize=8)
def _spectrum(response: bytes, size: int) -> NDArray[np.complex128]:
    return np.fft.rfft(np.frombuffer(response), size)
