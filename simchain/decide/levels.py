"""The level at every test point of one order, in every passage, and what its loop meets."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from simchain import units
from simchain.blocks import Block
from simchain.board import Board, Order
from simchain.chain.loop import Loop, parallel_loop
from simchain.chain.render import amp_name, render
from simchain.chain.stereo import HeardStereo, may_fold, stereo_heard
from simchain.chain.unchanged import of_unchanged_sounds
from simchain.chain.walk import Rendering
from simchain.decide.parallel import in_parallel
from simchain.electrics import Hiss

# How far noise must stay below what is played (common practice, no source).
NEAR_NOISE_DB = 40.0


@dataclass(frozen=True, eq=False)
class Levels:
    """One order in every passage, on one amplifier or into the mixer.

    `loops` maps a passage to its parallel loop, where there is one, `stereo` to its stretches of
    stereo. `warnings` say what is unlikely, first what the renderings say.
    """

    renderings: tuple[Rendering, ...]
    loops: dict[str, Loop]
    stereo: dict[str, tuple[HeardStereo, ...]]
    warnings: tuple[str, ...]


@of_unchanged_sounds
def levels(
    board: Board,
    order: str | Order,
    *,
    passages: Sequence[str] | None = None,
    amp: str | None = None,
) -> Levels:
    """Render `order` in `passages` (default all); keep levels and noise floors at test points.

    `amp` puts an amplifier of the board in place of the one in [output].

    Raises RequestError for names that the board does not have, ClipError for its clips.
    """
    chosen = tuple(passages or board.passages)
    for passage in chosen:
        board.passage(passage)
    end = amp_name(board, amp)

    def found(passage: str) -> tuple[Rendering, Loop | None, tuple[HeardStereo, ...]]:
        rendering = render(board, order, passage, amp=end, points=may_fold(board), floors=True)
        loop = parallel_loop(board, order, passage, end)
        return rendering.without_sounds(), loop, stereo_heard(rendering)

    made = in_parallel(found, chosen)
    renderings = tuple(rendering for rendering, _, _ in made)
    loops = {one.passage: loop for one, loop, _ in made if loop is not None}
    stereo = {one.passage: stretches for one, _, stretches in made}
    warnings = [text for one in renderings for text in one.warnings]
    warnings += [text for one in renderings for text in loop_warnings(one)]
    return Levels(renderings, loops, stereo, tuple(dict.fromkeys(warnings)))


def loop_warnings(rendering: Rendering) -> Iterator[str]:
    """Say which blocks in the loop meet more than they take, or less than their own noise.

    More: the peak at a block's input passes its rail or converters. Less: its own noise (that of
    its input over 20 kHz, or what it makes at its output) is within `NEAR_NOISE_DB` of the
    passage's RMS there.
    """
    units_on = {
        step.name: step.unit
        for step in rendering.path.steps
        if isinstance(step.unit, Block) and not step.gate.is_never_on
    }
    for name in rendering.path.order.loop:
        entry = rendering.points[f"{name}.in"]
        if entry.headroom is not None and entry.headroom.db < 0.0:
            yield (
                f"{name} in the loop meets more than it takes in {rendering.passage}: what reaches "
                f"it peaks {-entry.headroom.db:.1f} dB over its ceiling; set the amplifier's loop "
                f"to a lower level (loop_level_dbu), or put {name} in front of the amplifier"
            )
        if name in units_on:
            yield from _too_little(rendering, name, units_on[name])


def _too_little(rendering: Rendering, name: str, block: Block) -> Iterator[str]:
    left_db = min(
        _above_db(
            rendering.points[f"{name}.in"].level.rms_volts,
            Hiss.white(block.noise_nv).rms_volts(),
        ),
        _above_db(
            rendering.points[f"{name}.out"].level.rms_volts,
            Hiss.of_total(block.noise_out_uv).rms_volts() * units.db_to_ratio(block.level_db),
        ),
    )
    if left_db >= NEAR_NOISE_DB or not math.isfinite(left_db):
        return
    where = f"only {left_db:.0f} dB above" if left_db >= 0.0 else f"{-left_db:.0f} dB below"
    yield (
        f"{name} in the loop meets too little in {rendering.passage}: the music there is {where} "
        f"the hiss of {name} itself; set the amplifier's loop to a higher level (loop_level_dbu), "
        f"or put {name} in front of the amplifier"
    )


def _above_db(rms_volts: float, noise_volts: float) -> float:
    """Return how far music stands above noise: infinite without noise, minus so without music."""
    if noise_volts == 0.0:
        return math.inf
    return units.ratio_to_db(rms_volts / noise_volts)
