"""The delay's voices that are not clean: what their filters, compander and motor are."""

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from simchain.signal import Volts

Floats = NDArray[np.float64]

BUCKETS = 8192
BUCKETS_CORNER_HZ = (1000.0, 10_000.0)
BUCKETS_CEILING_VOLTS = 2.0
COUPLING_HZ = 30.0
# A sine of -6 dBu has this mean of its absolute value: 2 sqrt(2) / pi times 0.388 V RMS.
COMPANDER_UNITY_VOLTS = 0.3495
COMPANDER_TAU_S = 0.02
COMPANDER_MOST_GAIN = math.sqrt(1000.0)

TAPE_CEILING_VOLTS = 2.084
TREBLE_HZ = 8000.0
BUMP_HZ, BUMP_Q = 64.0, 1.0

WOW_HZ, WOW_CENTS = 0.7, 25.0
FLUTTER_HZ, FLUTTER_CENTS = 6.5, 12.0
UNSTEADY_HZ, UNSTEADY_CENTS_RMS, UNSTEADY_PARTS = (1.0, 15.0), 5.0, 12
POINTS_HZ = 500.0
MOST_SWING = 0.5  # of the delay


def bucket_corner_hz(time_s: float) -> float:
    """Return where each of a bucket line's two low-passes is 3 dB down.

    A line of N buckets that holds time_s is clocked at N / (2 time_s): N = 8192. The corner is a
    third of the clock, 10 kHz at most; below 1 kHz a maker would take more buckets.
    """
    low, high = BUCKETS_CORNER_HZ
    return min(max(BUCKETS / (2 * time_s) / 3, low), high)


def bucket_brigade(
    rows: Volts, time_s: float, feedback: float, crossed: float, tone_hz: float, rate: int
) -> Iterator[tuple[slice, Volts]]:
    """Yield the repeats alone in pieces, each with its place; see `Delay`."""
    from simchain.filters import analogue_sections
    from simchain.kernels.delay_voices import Loop, bucket_repeats, loop_factor

    fast = rate * loop_factor(rate)
    corner = 2 * math.pi * bucket_corner_hz(time_s)
    poles = corner * np.exp(1j * math.pi * np.array((2, 3, 4)) / 3)
    low_pass = analogue_sections((), poles, corner**3, fast)
    coupling, tone = 2 * math.pi * COUPLING_HZ, 2 * math.pi * tone_hz
    after = (-coupling, -tone) if tone_hz > 0 else (-coupling,)
    toned = analogue_sections((0.0,), after, tone if tone_hz > 0 else 1.0, fast)
    # Third-order Butterworth: 2 / w of group delay at low frequencies, twice.
    late_s = time_s - 4 / corner
    return bucket_repeats(
        rows,
        Loop(rate, late_s, late_s, feedback, crossed),
        (low_pass, low_pass, toned),
        (COMPANDER_UNITY_VOLTS, COMPANDER_TAU_S, COMPANDER_UNITY_VOLTS / COMPANDER_MOST_GAIN),
        BUCKETS_CEILING_VOLTS,
    )


def tape(
    rows: Volts,
    time_s: float,
    feedback: float,
    crossed: float,
    tone_hz: float,
    rate: int,
    flutter: float,
    seed: int,
    turn: float,
) -> Iterator[tuple[slice, Volts]]:
    """Yield the repeats alone in pieces, each with its place; see `Delay`."""
    from simchain.filters import analogue_sections
    from simchain.kernels.delay_voices import Loop, loop_factor, tape_repeats

    treble, bump, tone = (2 * math.pi * hz for hz in (TREBLE_HZ, BUMP_HZ, tone_hz))
    poles = [*_pair(treble, math.sqrt(0.5)), *_pair(bump, BUMP_Q)]
    gain = treble**2
    if tone_hz > 0:
        poles.append(-tone)
        gain *= tone
    sections = analogue_sections((0.0, 0.0), poles, gain, rate * loop_factor(rate))
    # Second-order Butterworth: sqrt(2) / w of group delay at low frequencies.
    late_s = time_s - math.sqrt(2) / treble
    swing, most_s = tape_swing(rows.shape[1] / rate, time_s, flutter, seed, turn)
    loop = Loop(rate, late_s, late_s - most_s, feedback, crossed, swing, POINTS_HZ)
    return tape_repeats(rows, loop, sections, TAPE_CEILING_VOLTS)


def tape_parts(seed: int) -> tuple[Floats, Floats, Floats]:
    """Return frequencies in Hz, swings in s and phases in turns of all that makes pitch swing.

    A delay A sin(2 pi f t) bends the pitch by the ratio 2 pi f A. Wow and flutter, and twelve
    sines an even step apart on a log scale, each moved by up to half a step, with random phases:
    together they are noise between 1 and 15 Hz, the same at every rate.
    """
    rng = np.random.default_rng(seed)
    low, high = np.log(UNSTEADY_HZ)
    steps = np.arange(UNSTEADY_PARTS) + rng.random(UNSTEADY_PARTS)
    unsteady = np.exp(low + (high - low) / UNSTEADY_PARTS * steps)
    each = UNSTEADY_CENTS_RMS * math.sqrt(2 / UNSTEADY_PARTS)
    hz = np.concatenate(((WOW_HZ, FLUTTER_HZ), unsteady))
    cents = np.array((WOW_CENTS, FLUTTER_CENTS, *(each,) * UNSTEADY_PARTS))
    phases = np.concatenate(((0.0, 0.0), rng.random(UNSTEADY_PARTS)))
    return hz, (np.exp2(cents / 1200) - 1) / (2 * math.pi * hz), phases


def tape_swing(
    lasts_s: float, time_s: float, flutter: float, seed: int, turn: float
) -> tuple[Floats, float]:
    """Return what `Loop` calls swing, and how far it swings at most, in seconds.

    A delay too short to swing that far swings by half of itself.
    """
    hz, swings_s, phases = tape_parts(seed)
    swings_s *= min(flutter, MOST_SWING * time_s / swings_s.sum())
    t = (np.arange(math.ceil(lasts_s * POINTS_HZ) + 4) - 1) / POINTS_HZ
    swing = np.zeros((t.size, 2))
    for f, a, phase in zip(hz, swings_s, phases, strict=True):
        angle = 2 * math.pi * (f * t + phase + turn)
        swing[:, 0] += a * np.sin(angle)
        swing[:, 1] += a * 2 * math.pi * f / POINTS_HZ * np.cos(angle)
    return swing, float(swings_s.sum())


def _pair(w: float, q: float) -> list[complex]:
    """Return the roots of s^2 + s w / q + w^2, q above 1/2."""
    half = w / (2 * q)
    turned = math.sqrt(w * w - half * half)
    return [complex(-half, turned), complex(-half, -turned)]
