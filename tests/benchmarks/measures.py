"""How long the measures take over ten seconds: python -m tests.benchmarks.measures"""

import argparse
from collections.abc import Callable, Iterator

import numpy as np
from scipy.signal import butter, sosfilt

from simchain.decide.causes import touch_of
from simchain.decide.difference import difference
from simchain.decide.ear import Ear
from simchain.decide.score import scored
from simchain.measure.bands import third_octaves_db
from simchain.measure.excitation import frames_in
from simchain.measure.level import level_of
from simchain.measure.loudness import integrated_lufs
from simchain.measure.tail import moments_of, tail_db
from simchain.measure.true_peak import true_peak_dbtp
from simchain.signal import Signal, flac_16_bit, resampled
from tests.benchmarks.table import Row, main
from tests.benchmarks.timing import RATE, against_six_sections


def stereo(seed: int) -> np.ndarray:
    """Driven noise of guitar's bandwidth: many samples lie near the largest, the hard case."""
    noise = np.random.default_rng(seed).standard_normal((2, 10 * RATE))
    band = butter(2, [100.0, 2000.0], "bandpass", fs=RATE, output="sos")
    return 0.8 * np.tanh(8.0 * sosfilt(band, noise, axis=1))


def jobs() -> dict[str, Callable[[], object]]:
    a, b = stereo(1), stereo(2)
    mono_a, mono_b = (np.broadcast_to(one[0], one.shape) for one in (a, b))
    related = a + 1e-3 * b
    heard, others = ([Ear(each[:1], RATE) for _ in range(5)] for each in (a, b))
    apart = difference(a[:1], b[:1], RATE)
    gated = a[:1] * (np.arange(a.shape[1]) % RATE < RATE // 2)
    moments = moments_of(gated, RATE, frames_in(a.shape[1], RATE))
    return {
        "level, stereo": lambda: level_of(a),
        "loudness, stereo": lambda: integrated_lufs(a, RATE),
        "loudness, the same twice": lambda: integrated_lufs(mono_a, RATE),
        "true peak, stereo": lambda: true_peak_dbtp(a, RATE),
        "true peak, the same twice": lambda: true_peak_dbtp(mono_a, RATE),
        "third octaves, stereo": lambda: third_octaves_db(Signal(a, RATE)),
        "third octaves, mono": lambda: third_octaves_db(Signal(a[:1], RATE)),
        "difference, stereo": lambda: difference(a, related, RATE),
        "difference, unrelated": lambda: difference(a, b, RATE),
        "difference, the same twice": lambda: difference(mono_a, mono_b, RATE),
        "difference, only gain": lambda: difference(a, 0.5 * a, RATE),
        "what the ear has, mono": lambda: Ear(a[:1], RATE).heard(),
        "what the ear has, stereo": lambda: Ear(a, RATE).heard(),
        "score of a pair of five takes": lambda: scored(heard, others, apart),
        "tail, mono": lambda: tail_db(a[:1], RATE, moments),
        "momentary loudness, mono": lambda: touch_of(a[:1], RATE),
        "44.1 to 48 kHz, mono": lambda: resampled(Signal(a[:1], 44_100), RATE),
        "16-bit FLAC, the same twice": lambda: flac_16_bit(mono_a, RATE),
    }


def rows(_: argparse.Namespace) -> Iterator[Row]:
    yield from against_six_sections(jobs())


if __name__ == "__main__":
    main(__doc__, rows)
