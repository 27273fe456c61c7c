"""The same board at 44.1, 48 and 96 kHz: every kind of block, found by its register, and the amp.

The sound is the same at every rate: a guitar clip with a little noise over it, both without
anything above 18 kHz. Asked for: third octaves from 63 Hz within 0.2 dB to 10 kHz (to 8 kHz at 44.1
kHz); reverb by its decay within 2 %, and 20 s of noise within 0.5 dB from 200 Hz.
"""

from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from simchain import clips
from simchain.amp import Amp, cabinet, power, preamp
from simchain.blocks import Block, Moment, kinds
from simchain.blocks.reverb import Reverb
from simchain.measure.bands import CENTRES_HZ, third_octaves_db
from simchain.signal import Signal, read_clip, resampled

RATES = (44_100, 48_000, 96_000)
SECONDS = 3
LOWEST_HZ, HIGHEST_HZ = 60.0, {44_100: 8100.0, 96_000: 10_100.0}
WITHIN_DB, REVERB_WITHIN_DB = 0.2, 0.5

# One more setting of a kind, or a few, beside its defaults.
MARKED: dict[str, tuple[dict[str, Any], ...]] = {
    "boost": ({"gain_db": 20, "low_cut_hz": 300, "high_cut_hz": 5000},),
    "compressor": ({"threshold_dbu": -40, "ratio": 10, "attack_ms": 2, "release_ms": 60},),
    "delay": (
        {"time_ms": 55.5, "feedback": 0.7, "mix": 0.5},
        {"voice": "bucket-brigade", "mix": 0.5},
        {"voice": "tape", "mix": 0.5},
    ),
    "drive": ({"clip": "shunt", "gain_db": 36}, {"gain_db": 40, "tone_hz": 0}),
    "equalizer": (
        {
            "bands": (
                {"shape": "low_cut", "hz": 100, "q": 0.7},
                {"shape": "peak", "hz": 800, "db": 6, "q": 2},
                {"shape": "high_shelf", "hz": 4000, "db": -9, "q": 0.7},
            )
        },
    ),
    "fuzz": ({"octave": 1.0}, {"gain_db": 60, "tone_hz": 8000}),
    "gate": ({"threshold_dbu": -25, "release_ms": 30, "hold_ms": 10},),
    "modulation": (
        {"shape": "flanger", "feedback": 0.7},
        {"shape": "phaser"},
        {"shape": "phaser", "stages": 8},
        {"shape": "vibrato"},
        {"shape": "tremolo"},
    ),
    "octave": ({"up_mix": 1.0, "down_mix": 0.0},),
    "piezo_preamp": ({"low_db": 6, "mid_db": -9, "high_db": 6, "notch_hz": 120},),
    "volume": ({"position": 0.5},),
    "wah": ({"position": 1.0, "q": 8}, {"position": 0.0}),
}

Case = tuple[str, dict[str, Any]]
CASES: list[Case] = [
    (name, settings)
    for name, kind in kinds().items()
    if name != "reverb" and kind.__module__.startswith("simchain.")
    for settings in ({}, *MARKED.get(name, ()))
]


def noise(seconds: int, rate: int, seed: int = 3) -> np.ndarray:
    """Return pink noise from 20 Hz to 18 kHz of 1 V RMS, the same waves at every rate."""
    hz = np.arange(rate * seconds // 2 + 1) / seconds
    turns = np.random.default_rng(seed).random(18_000 * seconds)
    spectrum = np.zeros(hz.size, dtype=np.complex128)
    inside = slice(20 * seconds, 18_000 * seconds)
    spectrum[inside] = np.exp(2j * np.pi * turns[inside]) / np.sqrt(hz[inside])
    wave = np.fft.irfft(spectrum) * rate
    return wave / (seconds * np.sqrt(np.sum(np.abs(spectrum) ** 2) / 2)) * seconds


@cache
def sound(rate: int) -> np.ndarray:
    """Return a riff with noise 40 dB below it, shape (1, frames), about a guitar's volts."""
    riff = resampled(read_clip(clips.path("riff")), rate).volts[0, : SECONDS * rate]
    return faded((2.0 * riff + 0.001 * noise(SECONDS, rate))[np.newaxis], rate)


def faded(volts: np.ndarray, rate: int) -> np.ndarray:
    """Return `volts` with soft ends: where a sound is cut off, the cut itself has a spectrum."""
    turn = np.linspace(0.0, np.pi, rate // 20)
    fade = np.concatenate((0.5 - 0.5 * np.cos(turn), np.ones(volts.shape[1] - 2 * turn.size)))
    return volts * np.concatenate((fade, 0.5 + 0.5 * np.cos(turn)))


def bands_db(made: np.ndarray, rate: int) -> np.ndarray:
    return third_octaves_db(Signal(faded(made, rate), rate))[1]


def levels_of(unit: Block) -> dict[int, np.ndarray]:
    return {
        rate: bands_db(
            unit.process(np.repeat(sound(rate), unit.inputs, axis=0), Moment(rate, seed=7)), rate
        )
        for rate in RATES
    }


def worst_db(levels: dict[int, np.ndarray], lowest_hz: float) -> tuple[float, int, float]:
    """Return the largest difference from 48 kHz, at which rate, and in which band."""
    found = (0.0, 0, 0.0)
    for rate, highest in HIGHEST_HZ.items():
        asked = (lowest_hz <= CENTRES_HZ) & (highest >= CENTRES_HZ)
        apart = np.abs(levels[rate] - levels[48_000])[asked]
        place = int(np.argmax(apart))
        found = max(found, (float(apart[place]), rate, float(CENTRES_HZ[asked][place])))
    return found


def label(case: Case) -> str:
    return "-".join([case[0], *(f"{v}" for v in case[1].values() if not isinstance(v, tuple))])


def test_the_sound_is_the_same_at_every_rate() -> None:
    levels = {rate: third_octaves_db(Signal(sound(rate), rate))[1] for rate in RATES}
    apart, rate, hz = worst_db(levels, LOWEST_HZ)
    print(f"the sound itself: within {apart:.4f} dB ({rate} Hz, band {hz:.0f} Hz)")
    assert apart < 0.1 * WITHIN_DB


@pytest.mark.parametrize("case", CASES, ids=label)
def test_a_kind_sounds_the_same_at_every_rate(case: Case) -> None:
    unit = kinds()[case[0]].model_validate(case[1])
    apart, rate, hz = worst_db(levels_of(unit), LOWEST_HZ)
    print(f"{label(case)}: within {apart:.3f} dB (worst at {rate} Hz, band {hz:.0f} Hz)")
    assert apart < WITHIN_DB


@pytest.mark.parametrize("gain_db", [12, 30])
def test_the_amplifier_sounds_the_same_at_every_rate(gain_db: float) -> None:
    amp = Amp(gain_db=gain_db)
    levels = {}
    for rate in RATES:
        spoken = cabinet(amp, power(amp, preamp(amp, sound(rate), rate), rate), rate)
        levels[rate] = bands_db(spoken, rate)
    apart, rate, hz = worst_db(levels, LOWEST_HZ)
    print(f"amplifier, gain {gain_db} dB: within {apart:.3f} dB ({rate} Hz, band {hz:.0f} Hz)")
    assert apart < WITHIN_DB


def t30_s(answers: list[np.ndarray], rate: int) -> float:
    """Return the time of 60 dB from -5 to -35 dB by backward integration (ISO 3382-1).

    From 200 Hz to 8 kHz, the energies of several answers added: one answer's decay has a spread of
    its own (ISO 3382-2, from memory: 0.55 sqrt((1 + 1.52 / N) / (N B T)), 0.3 % here for 0.5 s).
    """
    band = butter(4, (200, 8000), "bandpass", fs=rate, output="sos")
    power = sum(sosfilt(band, answer) ** 2 for answer in answers)
    energy = np.cumsum(power[::-1])[::-1]
    level = 10 * np.log10(energy / energy[0])
    used = np.flatnonzero((level <= -5) & (level >= -35))
    return -60.0 / np.polyfit(used / rate, level[used], 1)[0]


REVERBS = ({}, {"decay_s": 0.5, "size": 0.1}, {"decay_s": 4.0, "size": 1.0, "damping_hz": 0})


@pytest.mark.parametrize("settings", REVERBS)
def test_a_reverb_decays_alike_at_every_rate(settings: dict[str, float]) -> None:
    unit, found = Reverb(mix=1.0, **settings), {}
    for rate in RATES:
        pulse = np.zeros((1, round(0.8 * unit.decay_s * rate)))
        pulse[0, 0] = 1.0
        answers = [unit.process(pulse, Moment(rate, seed=seed))[0] for seed in range(8)]
        found[rate] = t30_s(answers, rate)
    worst = max(abs(found[rate] / found[48_000] - 1) for rate in HIGHEST_HZ)
    print(f"reverb {settings}: T30 {found[48_000]:.3f} s, within {100 * worst:.2f} %")
    assert worst < 0.02


@pytest.mark.parametrize("settings", REVERBS)
def test_noise_in_a_reverb_is_as_loud_at_every_rate(settings: dict[str, float]) -> None:
    unit, levels = Reverb(**settings), {}
    for rate in RATES:
        volts = 0.1 * noise(20, rate)[np.newaxis]
        levels[rate] = bands_db(unit.process(volts, Moment(rate, seed=7)), rate)
    apart, rate, hz = worst_db(levels, 190.0)
    print(f"reverb {settings}: noise within {apart:.2f} dB ({rate} Hz, band {hz:.0f} Hz)")
    assert apart < REVERB_WITHIN_DB
