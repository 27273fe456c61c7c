"""The character of each order in a passage or song: what causes are told from.

Beside the sound itself it takes one without echoes and with what sways held still, and one more
with that held still alone where something sways. What is the same path is rendered once: nothing
for an order without echoes and modulators, one sound where there are no echoes.
"""

from collections.abc import Sequence

import numpy as np

from simchain.board import Board
from simchain.chain.path import path_from
from simchain.chain.source import source_of
from simchain.chain.walk import walk
from simchain.decide.causes import Character, hiss_db, movement_of, tail_of, touch_of, width_of
from simchain.decide.ear import Ear
from simchain.decide.judge import Cost, Judge, Sound
from simchain.decide.still import dry_and_still, still
from simchain.measure.excitation import frames_in
from simchain.measure.tail import Moments, moments_of
from simchain.signal import Volts


def characters(
    judge: Judge, sounds: Sequence[Sound], quiet: Sequence[Volts | None]
) -> list[Character]:
    """Return the character of each of the sounds that `judge` has judged.

    `quiet` is what stands at each order's end while nobody plays (`Rendering.quiet`), None where it
    was not measured. What is rendered for it is added to the judge's cost.
    """
    firsts = [judge.first_like(sound) for sound in sounds]
    source = source_of(judge.board, judge.music, song=judge.is_song)
    names = source.timeline.ever_on
    clip, rate = source.taken(), judge.board.rate
    moments = moments_of(clip[:, : source.clip_frames], rate, frames_in(clip.shape[1], rate))
    del clip
    ears: dict[bytes, Ear] = {}
    dry = _held(judge, dry_and_still(judge.board, names), firsts, ears)
    swaying = [sound for sound in firsts if sound.modulates]
    held = _held(judge, still(judge.board, names), swaying, ears) if swaying else {}
    return [
        _character(
            judge, sound, dry[id(sound)], held.get(id(sound)), silence, source.clip_frames, moments
        )
        for sound, silence in zip(firsts, quiet, strict=True)
    ]


def _character(
    judge: Judge,
    sound: Sound,
    dry: Ear,
    held: Ear | None,
    quiet: Volts | None,
    clip_frames: int,
    moments: Moments,
) -> Character:
    rate, live = judge.board.rate, judge.ears(sound)
    samples = sound.rendering.output.samples
    calm = np.asarray(dry.samples[:, dry.length - samples.shape[1] :], dtype=np.float64)
    gain = live[0].gain
    return Character(
        tone=dry.heard(),
        touch_lu=touch_of(calm[:, :clip_frames], rate),
        movement_db=movement_of(live, held) if held else 0.0,
        tail_db=tail_of(samples, calm, rate, moments),
        noise_db=None if quiet is None or gain == 0.0 else hiss_db(quiet, rate, gain),
        width_db=width_of(samples),
    )


def _held(
    judge: Judge, board: Board, sounds: Sequence[Sound], ears: dict[bytes, Ear]
) -> dict[int, Ear]:
    """Return each sound as it is on `board`, by its `id`.

    `ears` has those that were rendered before, by the keys of their last steps; others are added.
    """
    source = source_of(board, judge.music, song=judge.is_song)
    ends: dict[int, bytes] = {}
    wanted = {}
    for sound in sounds:
        path = path_from(source, board, sound.order, judge.amp)
        ends[id(sound)] = last = path.steps[-1].key
        if last == sound.rendering.path.steps[-1].key:
            ears[last] = judge.ears(sound)[0]
        elif last not in ears:
            wanted[last] = path
    rendered = walk(board, list(wanted.values()), source, stop=judge.stop) if wanted else []
    judge.cost += Cost(still=len(rendered))
    for last, one in zip(wanted, rendered, strict=True):
        ears[last] = judge.ear(one.output.samples)
    return {which: ears[last] for which, last in ends.items()}
