"""Each cause by itself: how much single changes leak into the others (judging.md §3).

Medians over the project's clips. The table was made with a trial's clips, reverb and delay. Where
the change is told well enough to be made again, sizes are asserted within 15 or 25 % of it. Of the
tails only this: longer by half, within a third; 3 dB more or less of what is wet, between three
quarters of the table's figure and the 3 dB themselves, which no floor and no programme hides here.
Leaks are asserted below what judging.md §4, 10 allows. Noise is off but in its own probe, as it is
where a board is judged.
"""

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pytest

from simchain import clips
from simchain.decide.causes import (
    CAUSES,
    Character,
    causes,
    hiss_db,
    movement_of,
    tail_of,
    touch_of,
    width_of,
)
from simchain.decide.difference import difference
from simchain.decide.dirt import more_dirt_db
from simchain.decide.ear import Ear
from simchain.measure.excitation import frames_in
from simchain.measure.tail import moments_of
from tests.decide.test_must_hold_swaps import louder_mix, mix_changed
from tests.references.graded_pairs import (
    BEFORE_S,
    RATE,
    REVERB,
    TAKES,
    Chain,
    Sound,
    filtered,
    in_silence,
    played,
    shares,
    shelf,
    soft_clip,
    through,
)

LEAK_CEILINGS = {
    "tone": 0.3, "dirt": 0.5, "noise": 0.5, "tail": 0.2, "movement": 0.1, "touch": 0.5,
}  # fmt: skip


class Side(NamedTuple):
    """One sound: as it comes (takes), dry and still, still, silent with noise; what bends tones."""

    live: list[Sound]
    dry: Sound
    held: Sound
    quiet: Sound
    bends: Callable[[Sound], Sound]


def plain(sound: Sound, dry: Sound | None = None) -> Side:
    calm = sound if dry is None else dry
    return Side([sound], calm, calm, np.zeros((1, RATE)), lambda wave: wave)


def character(name: str, side: Side) -> Character:
    """What `decide.character` does, for sounds that no board made."""
    ends = round(BEFORE_S * RATE) + played(name).shape[1]
    clip = in_silence(played(name))
    moments = moments_of(clip, RATE, frames_in(clip.shape[1], RATE))
    ears = [Ear(take, RATE) for take in side.live]
    return Character(
        tone=Ear(side.dry, RATE).heard(),
        touch_lu=touch_of(side.dry[:, :ends], RATE),
        movement_db=movement_of(ears, Ear(side.held, RATE)) if len(ears) > 1 else 0.0,
        tail_db=tail_of(side.live[0], side.dry, RATE, moments),
        noise_db=hiss_db(side.quiet, RATE, ears[0].gain),
        width_db=width_of(side.live[0]),
    )


def found(name: str, a: Side, b: Side) -> dict[str, float]:
    trim_lu = difference(a.live[0], b.live[0], RATE).trim_lu
    dirt = more_dirt_db(shares(name, a.bends), shares(name, b.bends))
    one, other = character(name, a), character(name, b)
    told = causes(one, other, trim_lu=trim_lu, more_dirt_db=dirt)
    return {cause: abs(told[cause].difference or 0.0) for cause in CAUSES}


def swaying(sound: Sound, depth: float) -> Side:
    def made(turn: float = 0.0, **still: float) -> Sound:
        chain: Chain = [("modulation", {"shape": "tremolo", "depth": depth, **still})]
        return through(sound, chain, turn=turn)

    held = made(rate_hz=0.0)
    return plain(held)._replace(live=[made(k / TAKES) for k in range(TAKES)], held=held)


def sides(name: str, change: str) -> tuple[Side, Side]:
    sound = in_silence(played(name))
    room = through(sound, REVERB)

    def other(*chain: tuple[str, dict[str, float]]) -> Side:
        return plain(through(sound, list(chain)), sound)

    if change.startswith("soft clip"):
        bent, clipper = soft_clip(played(name), float(change.split()[2]) / 100.0)
        return plain(sound), plain(in_silence(bent))._replace(bends=clipper)
    if change == "noise at -50 dB":
        level = math.sqrt(np.mean(played(name) ** 2)) * 10 ** (-50 / 20)
        under = level * np.random.default_rng(1).standard_normal((1, RATE))
        return plain(sound), plain(sound)._replace(quiet=under)
    if change == "tremolo depth .6 to .7":
        return swaying(sound, 0.6), swaying(sound, 0.7)
    pairs = {
        "level +3 dB": (plain(sound), plain(10 ** (3 / 20) * sound)),
        "shelf +2 dB": (plain(sound), plain(filtered(shelf(1000, 0.707, 2))(sound))),
        "T60 +50 %": (plain(room, sound), other(("reverb", {"decay_s": 2.7}))),
        "reverb mix +3 dB": (plain(room, sound), other(("reverb", {"mix": louder_mix(3)}))),
        "repeats -3 dB": (other(("delay", {})), other(("delay", {"mix": mix_changed(0.25, -3)}))),
    }
    return pairs[change]


# Clipping that leaves 10 % beside the tone rounds off the loudest notes by 1 LU: that is evenness
# and tone, and no leak (judging.md excepts the tone).
BY_NATURE = {("soft clip 10 %", "tone"), ("soft clip 10 %", "touch")}


@pytest.mark.parametrize(
    ("change", "cause", "low", "high"),
    [
        ("level +3 dB", "level", 2.99, 3.01),
        ("shelf +2 dB", "tone", 0.85 * 0.85, 0.85 * 1.15),
        ("soft clip 3 %", "dirt", 8.9 * 0.75, 8.9 * 1.25),
        ("soft clip 10 %", "dirt", 18.8 * 0.75, 18.8 * 1.25),
        ("noise at -50 dB", "noise", 11.3 * 0.75, 11.3 * 1.25),
        ("T60 +50 %", "tail", 4.4 * 0.67, 4.4 * 1.33),
        ("reverb mix +3 dB", "tail", 1.15 * 0.75, 3.0),
        ("repeats -3 dB", "tail", 1.60 * 0.75, 3.0),
        ("tremolo depth .6 to .7", "movement", 0.75 * 0.75, 0.75 * 1.25),
    ],
)
def test_a_single_cause_is_told_and_leaks_little(
    change: str, cause: str, low: float, high: float
) -> None:
    each = [found(name, *sides(name, change)) for name in clips.names()]
    row = {name: float(np.median([one[name] for one in each])) for name in CAUSES}
    print(f"{change}: " + ", ".join(f"{name} {value:.2f}" for name, value in row.items()))
    assert low <= row[cause] <= high
    for other, ceiling in LEAK_CEILINGS.items():
        if other != cause and (change, other) not in BY_NATURE:
            assert row[other] < ceiling
