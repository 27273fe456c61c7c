"""Measures of each sound of a comparison: loudness over time, its range, signal to noise.

They are taken from what was rendered. What tones and an impulse tell needs renders of its own: see
`decide.injected`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from threading import Event

import numpy as np

from simchain.board import Board
from simchain.chain.walk import Rendering
from simchain.decide.injected import Injected, injected
from simchain.measure.loudness_over_time import loudness_over_time
from simchain.measure.loudness_range import loudness_range_lu
from simchain.measure.noise import SignalToNoise, signal_to_noise
from simchain.signal import Signal, twins


@dataclass(frozen=True)
class Measured:
    """Measures of one order in one passage or song, of the sound at `out` as it comes.

    Momentary (0.4 s) and short-term (3 s) loudness, each at its highest, in LUFS (EBU Tech 3341),
    and the loudness range in LU (EBU Tech 3342); NaN for sounds that are too short.
    `signal_to_noise` is the level of the whole sound over what is there while nobody plays, of the
    louder channel; None where that was not rendered. `injected` is None unless it was asked for.
    """

    most_momentary_lufs: float
    most_short_term_lufs: float
    range_lu: float
    signal_to_noise: SignalToNoise | None
    injected: Injected | None


def measured(
    board: Board, renderings: Sequence[Rendering], *, tones: bool, stop: Event | None = None
) -> list[Measured]:
    """Measure `renderings`, all of one passage or song on one amplifier.

    With `tones` also what tones and an impulse tell, which renders each order again.
    Raises StoppedError once `stop` is set.
    """
    told = injected(board, renderings, stop) if tones else [None] * len(renderings)
    return [_measured(one, also) for one, also in zip(renderings, told, strict=True)]


def _measured(rendering: Rendering, told: Injected | None) -> Measured:
    loudness = loudness_over_time(rendering.output.samples, rendering.rate)
    return Measured(
        loudness.most_momentary_lufs,
        loudness.most_short_term_lufs,
        loudness_range_lu(loudness),
        _signal_to_noise(rendering),
        told,
    )


def _signal_to_noise(rendering: Rendering) -> SignalToNoise | None:
    """Return that of the louder channel."""
    played, quiet, rate = rendering.output.samples, rendering.quiet, rendering.rate
    if quiet is None:
        return None
    if twins(played) and twins(quiet):
        played, quiet = played[:1], quiet[:1]
    louder = int(np.argmax(np.einsum("cf,cf->c", played, played)))
    (found,) = signal_to_noise(Signal(played[louder], rate), Signal(quiet[louder], rate))
    return found
