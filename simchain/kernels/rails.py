"""Hard rails without aliases: what stands above the rail is taken off at a higher rate.

    y = x - down(mean excess of up(x))     excess e(u) = u - clip(u, -rail, rail)

The mean over each oversampled step, the wave running straight from one sample to the next, is
first-order antiderivative anti-aliasing (Parker, Zavalishin and Le Bivic, DAFx-16, from memory):

    mean e = (E(u1) - E(u0)) / (u1 - u0),   E = e^2 / 2

Because only the excess goes through the filters, a stretch that no sample touches comes back as
it was, value for value, and nothing but touched stretches costs time.
"""

from collections.abc import Iterator

import numpy as np

from simchain.kernels.compile import kernel
from simchain.kernels.oversample import down_window, factor_for, reach, up_stretch
from simchain.signal import Volts, pieces

# A wave may stand this much higher between its samples than at any of them.
BETWEEN_SAMPLES = 2.0**0.5
LONGEST_STRETCH = 4_096


def clipped(volts: Volts, rail: float, rate: int) -> Volts:
    """Return `volts`, shape (frames,), clipped hard at +-`rail` volts (above 0), without delay.

    Oversampled by factor_for(rate). Where the oversampled wave stays within the rail the result
    is `volts`, value for value; if it does everywhere, the result is `volts` itself, not a copy:
    `clipped(volts, rail, rate) is volts` tells whether the rail is out of reach. (The wave may
    pass the rail between two samples that do not.)
    """
    if max(volts.max(initial=0.0), -volts.min(initial=0.0)) * BETWEEN_SAMPLES <= rail:
        return volts
    result = volts
    for start, stop in _touched(volts, rail, reach(factor_for(rate))):
        excess = _excess(volts, start, stop, rail, factor_for(rate))
        if excess is None:
            continue
        if result is volts:
            result = volts.copy()
        result[start:stop] -= excess
    return result


def _excess(volts: Volts, start: int, stop: int, rail: float, factor: int) -> Volts | None:
    """Return what stands above the rail in frames `start` to `stop`; None where nothing does."""
    margin = reach(factor)
    wave = up_stretch(volts, start - margin, stop + margin, factor)
    if max(wave.max(), -wave.min()) <= rail:
        return None
    _to_mean_excess(wave, rail)
    return down_window(wave, factor, half_sample_late=True)


def _touched(volts: Volts, rail: float, margin: int) -> Iterator[tuple[int, int]]:
    """Yield stretches (start, stop), apart and in order, outside which nothing is clipped."""
    for near, far in _near(volts, rail, 2 * margin + 2):
        first, last = max(near - margin - 1, 0), min(far + margin + 2, volts.size)
        for start in range(first, last, LONGEST_STRETCH):
            yield start, min(start + LONGEST_STRETCH, last)


def _near(volts: Volts, rail: float, widest_gap: int) -> Iterator[tuple[int, int]]:
    """Yield first and last frame of each stretch that comes near the rail again and again."""
    runs: list[tuple[int, int]] = []
    for part in pieces(volts.size):
        near = part.start + np.flatnonzero(np.abs(volts[part]) * BETWEEN_SAMPLES > rail)
        if near.size == 0:
            continue
        gaps = np.flatnonzero(np.diff(near) > widest_gap)
        firsts, lasts = near[np.append(0, gaps + 1)], near[np.append(gaps, near.size - 1)]
        found = list(zip(firsts.tolist(), lasts.tolist(), strict=True))
        if runs and found[0][0] - runs[-1][1] <= widest_gap:
            found[0] = (runs.pop()[0], found[0][1])
        yield from runs
        runs = [found[-1]]
        yield from found[:-1]
    yield from runs


@kernel
def _to_mean_excess(wave: Volts, rail: float) -> None:
    """Replace each sample by the mean excess over the step that ends at it."""
    u0 = wave[0]
    e0 = max(u0 - rail, 0.0) + min(u0 + rail, 0.0)
    for i in range(wave.size):
        u1 = wave[i]
        e1 = max(u1 - rail, 0.0) + min(u1 + rail, 0.0)
        step = u1 - u0
        if e1 - e0 == step or step == 0.0:
            wave[i] = 0.5 * (e1 + e0)
        else:
            wave[i] = 0.5 * (e1 * e1 - e0 * e0) / step
        u0, e0 = u1, e1
