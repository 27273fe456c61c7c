"""Spectrogram: level over time and frequency, from the short spectra of `spectrum`.

Hann windows, each a quarter of its length after the one before. Of long sounds several windows
make one column, as the mean of their power: nothing falls between two columns.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.measure.bands import FLOOR_DBU
from simchain.measure.spectrum import LINES_WIDE, OVERLAP, short_powers, window_length
from simchain.signal import Signal, Volts, twins
from simchain.units import DBU_VOLTS

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Spectrogram:
    """Levels `dbu`, shape (lines, columns), at frequencies `hz` and at `seconds`.

    A steady sine on a line reads its RMS level in dBu there. `seconds` are the middles of what a
    column stands for.
    """

    seconds: Floats
    hz: Floats
    dbu: Floats


def spectrogram(signal: Signal, window_s: float = 0.04, most_columns: int = 1_000) -> Spectrogram:
    """Spectrogram of the mean power of the channels, not below -200 dBu.

    Columns are a quarter of `window_s` apart, or a whole number of these where there would be more
    than `most_columns`; lines are about 1 / `window_s` apart. No frames give no column.
    Raises ValueError for a window under eight frames or `most_columns` under 1.
    """
    if most_columns < 1:
        raise ValueError(f"a spectrogram has 1 column or more, not {most_columns}")
    length = window_length(window_s, signal.rate)
    hop = length // OVERLAP
    # Windows whose middle lies in the sound: the first has it at frame 0.
    windows = -(-signal.frames // hop)
    in_one = max(1, -(-windows // most_columns))
    lines = signal.volts[:1] if twins(signal.volts) else signal.volts
    power = sum((_columns(line, length, windows, in_one) for line in lines), start=np.zeros(()))
    starts = np.arange(0, windows, in_one)
    ends = np.minimum(starts + in_one, windows)
    mean_square = power * (LINES_WIDE / hop) / (len(lines) * (ends - starts))
    floor = DBU_VOLTS**2 * 10.0 ** (FLOOR_DBU / 10.0)
    return Spectrogram(
        0.5 * (starts + ends - 1) * hop / signal.rate,
        np.arange(length // 2 + 1) * signal.rate / length,
        10.0 * np.log10(np.maximum(mean_square, floor) / DBU_VOLTS**2),
    )


def _columns(line: Volts, length: int, windows: int, in_one: int) -> Floats:
    """Power of `windows` windows, `in_one` added up in each column: shape (lines, columns)."""
    sums = np.zeros((-(-windows // in_one), length // 2 + 1))
    # The first window's middle lies a quarter of a window before frame 0, the next one's on it.
    first = OVERLAP // 2 - OVERLAP + 1
    for powers in short_powers(line, length):
        numbers = np.arange(first, first + len(powers))
        counted = (numbers >= 0) & (numbers < windows)
        np.add.at(sums, numbers[counted] // in_one, powers[counted])
        first += len(powers)
    return np.ascontiguousarray(sums.T)
