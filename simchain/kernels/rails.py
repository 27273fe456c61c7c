"""Hard rails without aliases: what stands above the rail is taken off at a higher rate.

    y = x - down(mean excess of up(x))     excess e(u) = u - clip(u, -rail, rail)

The mean over each oversampled step, the wave running straight from one sample to the next, is
first-order antiderivative anti-aliasing (Parker, Zavalishin and Le Bivic, DAFx-16, from memory):

    mean e = (E(u1) - E(u0)) / (u1 - u0),   E = e^2 / 2

Because only the excess goes through the filters, a stretch that no sample touches comes back as
it was, value for value, and nothing but touched stretches costs time.
"""

import numpy as np

from simchain.kernels.compile import kernel
from simchain.kernels.oversample import down_window, factor_for, reach, up_stretch
from simchain.signal import Volts

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


def _touched(volts: Volts, rail: float, margin: int) -> list[tuple[int, int]]:
    """Return stretches (start, stop), apart and in order, outside which nothing is clipped."""
    near = np.flatnonzero(np.abs(volts) * BETWEEN_SAMPLES > rail)
    if near.size == 0:
        return []
    gaps = np.flatnonzero(np.diff(near) > 2 * margin + 2)
    firsts = near[np.concatenate(([0], gaps + 1))] - margin - 1
    lasts = near[np.concatenate((gaps, [near.size - 1]))] + margin + 2
    stretches = []
    for first, last in zip(firsts.clip(0), lasts.clip(max=volts.size), strict=True):
        stretches += [
            (start, min(start + LONGEST_STRETCH, int(last)))
            for start in range(int(first), int(last), LONGEST_STRETCH)
        ]
    return stretches


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
