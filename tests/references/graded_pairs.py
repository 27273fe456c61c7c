"""Pairs of sounds with an expectation written down first: what judging.md grades.

The expectations are literature and judgement, not listeners. Sounds are volts of the project's
clips: 0.3 s of silence, the clip, two seconds for tails; 48 kHz, one channel.
"""

import math
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path

import numpy as np
from scipy.signal import sosfilt

from simchain import clips
from simchain.blocks.base import Moment, kinds
from simchain.decide.difference import difference
from simchain.decide.dirt import TONES_HZ, more_dirt_db, residual_share, tone_peaks
from simchain.decide.ear import Ear
from simchain.decide.score import Score, scored
from simchain.signal import read_clip, tone
from simchain.units import dbu_to_peak_volts

RATE = 48_000
BEFORE_S, TAIL_S = 0.3, 2.0
TAKES = 5
FULL_SCALE_DBU = 12.0
# Recordings of real guitars, normalised ones: see recorded/README.md.
RECORDINGS = Path(__file__).parent / "recorded"
RECORDED = ("minor_ninth", "fifths")
RECORDED_PEAK_VOLTS = 0.5

Sound = np.ndarray


@cache
def played(name: str) -> Sound:
    """The clip alone, shape (1, frames): one of the project's, or one of `RECORDED`."""
    if name in RECORDED:
        volts = read_clip(RECORDINGS / f"{name}.flac").volts
        volts *= RECORDED_PEAK_VOLTS / np.abs(volts).max()
    else:
        volts = read_clip(clips.path(name)).volts * dbu_to_peak_volts(FULL_SCALE_DBU)
    volts.flags.writeable = False
    return volts


def in_silence(clip: Sound) -> Sound:
    return np.pad(clip, ((0, 0), (round(BEFORE_S * RATE), round(TAIL_S * RATE))))


@cache
def ear_of(name: str, listening_db_spl: float = 75.0) -> Ear:
    return Ear(in_silence(played(name)), RATE, listening_db_spl)


def ears(takes: Iterable[Sound]) -> list[Ear]:
    return [Ear(take, RATE) for take in takes]


def judged(a: list[Ear], b: list[Ear], dirt: float = 0.0) -> Score:
    """The score of takes."""
    return scored(a, b, difference(a[0].samples, b[0].samples, RATE), dirt_db=dirt)


def against_dry(name: str, changed: Sound, dirt: float = 0.0, spl: float = 75.0) -> Score:
    return judged([ear_of(name, spl)], [Ear(changed, RATE, spl)], dirt)


def each_clip(
    change: Callable[[Sound], Sound], spl: float = 75.0, names: Iterable[str] | None = None
) -> list[Score]:
    """Every clip (the project's) against what `change` makes of it in its silence."""
    chosen = clips.names() if names is None else names
    return [against_dry(name, change(in_silence(played(name))), spl=spl) for name in chosen]


def median(scores: Iterable[Score], part: str = "score") -> float:
    return float(np.median([getattr(score, part) for score in scores]))


WORDS = ("same", "free", "subtle", "clear")


def word(scores: list[Score]) -> str:
    """The middle verdict, the further one of two."""
    ranks = sorted(WORDS.index(score.verdict) for score in scores)
    return WORDS[ranks[len(ranks) // 2]]


def says(what: str, asked: object, scores: list[Score]) -> None:
    parts = ("distribution_db", "movement_db", "event_phon", "dirt_db")
    figures = ", ".join(f"{name} {median(scores, name):.3f}" for name in parts)
    each = " ".join(f"{score.score:.2f}" for score in scores)
    print(
        f"{what}: asked {asked}; S {median(scores):.2f}, {word(scores)} ({figures}); clips {each}"
    )


# Changes of a sound.


def filtered(sections: np.ndarray) -> Callable[[Sound], Sound]:
    return lambda sound: sosfilt(sections, sound, axis=1)


def shelf(hz: float, q: float, db: float) -> np.ndarray:
    """High shelf (Audio EQ Cookbook, W3C note 2021)."""
    A, w = 10 ** (db / 40), 2 * math.pi * hz / RATE
    c, r = math.cos(w), math.sqrt(A) * math.sin(w) / q
    b = [A * (A + 1 + (A - 1) * c + r), -2 * A * (A - 1 + (A + 1) * c)]
    b += [A * (A + 1 + (A - 1) * c - r)]
    a = [A + 1 - (A - 1) * c + r, 2 * (A - 1 - (A + 1) * c), A + 1 - (A - 1) * c - r]
    return np.array([b + a]) / a[0]


def peak(hz: float, q: float, db: float) -> np.ndarray:
    """Peak (Audio EQ Cookbook, W3C note 2021)."""
    A, w = 10 ** (db / 40), 2 * math.pi * hz / RATE
    c, alpha = math.cos(w), math.sin(w) / (2 * q)
    b = [1 + alpha * A, -2 * c, 1 - alpha * A]
    a = [1 + alpha / A, -2 * c, 1 - alpha / A]
    return np.array([b + a]) / a[0]


def hiss(clip: Sound, db: float, seed: int = 1) -> Sound:
    """White noise while the clip plays, `db` against the clip's RMS."""
    noise = np.random.default_rng(seed).standard_normal(clip.shape)
    return clip + math.sqrt(np.mean(clip**2)) * 10 ** (db / 20) * noise


def soft_clip(clip: Sound, residual: float) -> tuple[Sound, Callable[[Sound], Sound]]:
    """The clip through tanh, driven so that `residual` is left of its RMS beside the best-fitting
    copy of the clip; and the clipper itself."""
    low, high = 1e-4, 1e4
    for _ in range(50):
        drive = math.sqrt(low * high)
        bent = np.tanh(drive * clip) / drive
        fit = np.sum(bent * clip) / np.sum(clip**2)
        left = math.sqrt(np.mean((bent - fit * clip) ** 2) / np.mean(bent**2))
        low, high = (drive, high) if left < residual else (low, drive)
    return bent, lambda volts: np.tanh(drive * volts) / drive


def turned_down(sound: Sound, gain: float, seconds: float, fade_s: float) -> Sound:
    """`gain` from 3.2 s on for so long, its edges half a cosine long."""
    times = np.arange(sound.shape[1]) / RATE - 3.2
    inside = np.minimum(times, seconds - times)
    if fade_s == 0:
        weight = (inside >= 0).astype(float)
    else:
        weight = 0.5 - 0.5 * np.cos(math.pi * np.clip(inside / fade_s, 0, 1))
    return sound * (1 + (gain - 1) * weight)


# Blocks in a row.

Chain = list[tuple[str, dict]]


def through(sound: Sound, chain: Chain, turn: float = 0.0, seed: int = 0) -> Sound:
    """Blocks one after another, each with its level; wires between, no rails."""
    for kind, settings in chain:
        block = kinds()[kind](**settings)
        sound = block.process(sound, Moment(RATE, seed=seed, turn=turn))[:1]
        sound = np.ascontiguousarray(sound * 10 ** (block.level_db / 20))
    return sound


def takes(name: str, chain: Chain, moved: float = 0.0) -> list[Ear]:
    """The clip through the chain with modulators at phases of k / 5 turns, moved by `moved`."""
    sound = in_silence(played(name))
    return ears(through(sound, chain, turn=(k / TAKES + moved) % 1.0) for k in range(TAKES))


def shares(name: str, process: Callable[[Sound], Sound]) -> list[float]:
    """Residual of the nine tones at the clip's levels; half a second to settle, one to measure."""
    levels = tone_peaks(played(name), RATE)
    return [
        residual_share(process(tone(hz, volts, 3 * RATE // 2, RATE)), RATE, hz)
        for hz in TONES_HZ
        for volts in levels
    ]


def swapped(name: str, first: Chain, second: Chain, probe: bool = True) -> Score:
    """First before second against second before first; one take."""
    sound = in_silence(played(name))
    orders = (first + second, second + first)
    dirt = 0.0
    if probe:
        dry = [[unit for unit in order if unit[0] not in ("reverb", "delay")] for order in orders]
        dirt = abs(more_dirt_db(*(shares(name, lambda t, d=d: through(t, d)) for d in dry)))
    return judged(*(ears([through(sound, order)]) for order in orders), dirt)


# Chains that several tests use.

CHORUS: Chain = [("modulation", {"shape": "chorus"})]
TREMOLO: Chain = [("modulation", {"shape": "tremolo", "depth": 0.6})]
EQUALIZER: Chain = [("equalizer", {"bands": [{"shape": "peak", "hz": 800, "db": 6, "q": 1}]})]
REVERB: Chain = [("reverb", {})]
