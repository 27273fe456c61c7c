"""What tones and an impulse tell of an order: distortion, and how long its echoes ring.

Tones go in at the guitar at the level at which the passage is played, down the path that it takes
when it begins: its settings, the blocks that are on at 0 s, nothing moved or switched after that.
No echoes, nothing that sways, no noise, so that whatever comes out beside the tones is distortion.
It is read at `out`, behind a speaker where there is one, as it is heard.

The impulse is a microvolt, below all that bends or clips, and meets the echoes. What it gives less
its direct sound, which is that of the same path without echoes, is what the echoes add. Gates are
left out: nothing that small would open them.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from threading import Event

import numpy as np

from simchain.blocks import Block
from simchain.board import Board, Order
from simchain.chain.path import path_of
from simchain.chain.source import Source, clip_in_volts, clip_name, key_of
from simchain.chain.timeline import Timeline, timeline_of_passage
from simchain.chain.walk import Rendering, walk
from simchain.decide.dirt import tone_peaks
from simchain.decide.still import dry_and_still, still
from simchain.measure.decay import Decay, decay_curve, decay_of
from simchain.measure.distortion import harmonic_distortion
from simchain.measure.intermodulation import difference_distortion, modulation_distortion
from simchain.measure.tones import Tones, difference_tones, single_tone, smpte_tones
from simchain.signal import Signal, Volts, resampled
from simchain.units import peak_volts_to_dbu

# Behind a speaker nothing is left of the usual pair; all that this one makes it lets pass.
PAIR_HZ, PAIR_BEHIND_SPEAKER_HZ = (19_000.0, 20_000.0), (3_000.0, 4_000.0)

IMPULSE_VOLTS = 1e-6
# T30 needs 45 dB of decay: the first shows 5 s for 60 dB, the second 21 s.
IMPULSE_S = (4.0, 16.0)
# Before it, so that filters that look ahead have begun.
_SILENCE_S = 0.01
_STEP_S, _STEP = 0.005, 10.0**-0.5

_TIMES = ("edt_s", "t20_s", "t30_s")
_NO_DECAY = (Decay(*(math.nan,) * 5),)


@dataclass(frozen=True)
class Distortion:
    """Distortion in percent of tones whose peak is that of a sine of `level_dbu` at the guitar.

    THD over the whole (IEC 60268-3), of a SMPTE pair (60 Hz and 7 kHz, 4 to 1) and of the
    difference-tone pair `pair_hz` both orders of intermodulation together; of two channels the
    dirtier. NaN for a silent clip and where nothing comes out.
    """

    level_dbu: float
    pair_hz: tuple[float, float]
    thd_220_hz_percent: float
    thd_1_khz_percent: float
    smpte_percent: float
    difference_tone_percent: float


@dataclass(frozen=True)
class Injected:
    """What tones and an impulse tell of one order.

    `edt_s`, `t20_s` and `t30_s` are those of ISO 3382-1 for what the order's echoes and rooms add,
    over all bands, of two channels the longer; NaN where nothing rings, where it does not die
    away, and where it falls in too few steps. A delay has no EDT where a repeat takes 5 dB and
    more; and as a line through n even stairs is 1 - 1/n^2 as steep as they are, T20 and T30 read a
    third too long where two repeats are in their range, an eighth where there are three. With a
    parallel loop what the loop does to the direct sound is counted too.
    """

    distortion: Distortion
    edt_s: float
    t20_s: float
    t30_s: float


def injected(
    board: Board, renderings: Sequence[Rendering], stop: Event | None = None
) -> list[Injected]:
    """Tell it of the orders of `renderings`, all of one passage or song on one amplifier.

    Of a song it is as in its first passage. Raises StoppedError once `stop` is set.
    """
    passage = renderings[0].path.timeline.parts[0].passage
    amp = renderings[0].amp
    orders = [one.path.order for one in renderings]
    distortions = _distortions(board, passage, amp, orders, stop)
    decays = _decays(board, passage, amp, orders, stop)
    return [
        Injected(distortion, *(_most(getattr(one, name) for one in decay) for name in _TIMES))
        for distortion, decay in zip(distortions, decays, strict=True)
    ]


def _distortions(
    board: Board, passage: str, amp: str | None, orders: Sequence[Order], stop: Event | None
) -> list[Distortion]:
    """Play four tones one after another down each order's path, dry and still."""
    rate = board.rate
    clip = resampled(clip_in_volts(board, clip_name(board, passage)), rate).volts
    level_dbu = peak_volts_to_dbu(tone_peaks(clip, rate)[1])
    pair_hz = PAIR_HZ if amp is None else PAIR_BEHIND_SPEAKER_HZ
    if level_dbu == -math.inf:
        return [Distortion(level_dbu, pair_hz, *(math.nan,) * 4)] * len(orders)
    tones = (
        single_tone(220.0, level_dbu, rate),
        single_tone(1000.0, level_dbu, rate),
        smpte_tones(level_dbu, rate),
        difference_tones(level_dbu, rate, *pair_hz),
    )
    parts = [each.volts() for each in tones]
    ends = np.cumsum([part.shape[1] for part in parts])
    dry = dry_and_still(board, list(board.blocks))
    timeline = timeline_of_passage(dry, passage).at_rest()
    outs = _played(timeline, amp, orders, np.concatenate(parts, axis=1), stop)
    return [
        Distortion(level_dbu, pair_hz, *_percents([out[:, :end] for end in ends], tones))
        for out in outs
    ]


def _percents(outs: Sequence[Volts], tones: Sequence[Tones]) -> Iterable[float]:
    """Return THD of the two single tones, and the intermodulation of the two pairs, in percent."""
    low, high, smpte, pair = zip(outs, tones, strict=True)
    for each in (low, high):
        yield 100.0 * _most(one.thd_r for one in harmonic_distortion(*each))
    yield 100.0 * _most(one.total for one in modulation_distortion(*smpte))
    yield 100.0 * _most(one.total for one in difference_distortion(*pair))


def _decays(
    board: Board, passage: str, amp: str | None, orders: Sequence[Order], stop: Event | None
) -> list[tuple[Decay, ...]]:
    """Return the decay of what each order's echoes add, channel by channel."""
    names = list(board.blocks)
    wet = timeline_of_passage(still(board, names), passage).at_rest()
    dry = timeline_of_passage(dry_and_still(board, names), passage).at_rest()
    found: list[tuple[Decay, ...]] = [_NO_DECAY] * len(orders)
    ringing = [place for place, order in enumerate(orders) if _echoing(wet, order)]
    for seconds in IMPULSE_S:
        if not ringing:
            break
        impulse = np.zeros((1, round(seconds * board.rate)))
        impulse[0, round(_SILENCE_S * board.rate)] = IMPULSE_VOLTS
        tried = [_without_gates(wet, orders[place]) for place in ringing]
        whole = _played(wet, amp, tried, impulse, stop)
        direct = _played(dry, amp, tried, impulse, stop)
        for place, all_of_it, plain in zip(ringing, whole, direct, strict=True):
            share = math.prod(block.direct_share() for block in _echoing(wet, orders[place]))
            found[place] = _decay(all_of_it - share * plain, board.rate)
        # What has not fallen far enough is given longer.
        ringing = [place for place in ringing if any(math.isnan(d.t30_s) for d in found[place])]
    return found


def _decay(response: Volts, rate: int) -> tuple[Decay, ...]:
    """Return the decay of each channel, without EDT where its 10 dB are no line but steps."""
    return tuple(
        replace(decay, edt_s=math.nan) if _falls_in_steps(line, rate) else decay
        for line, decay in zip(response, decay_of(response, rate), strict=True)
    )


def _falls_in_steps(line: Volts, rate: int) -> bool:
    """Whether half of the first 10 dB go within 5 ms, as after a single repeat."""
    energy, _ = decay_curve(line, rate)
    later = energy[round(_STEP_S * rate) :]
    now = energy[: later.size]
    return bool(np.any((now > 0.1 * energy[:1]) & (later < _STEP * now)))


def _echoing(timeline: Timeline, order: Order) -> list[Block]:
    """Return the blocks of `order` that are on and have echoes or a room."""
    blocks = (timeline.block(name) for name in order.blocks if name in timeline.first.on)
    return [block for block in blocks if block.dry() != block]


def _without_gates(timeline: Timeline, order: Order) -> Order:
    def kept(names: Sequence[str]) -> tuple[str, ...]:
        return tuple(name for name in names if not timeline.block(name).works_on_noise)

    return Order(front=kept(order.front), loop=kept(order.loop))


def _played(
    timeline: Timeline,
    amp: str | None,
    orders: Sequence[Order],
    volts: Volts,
    stop: Event | None,
) -> list[Volts]:
    """Return what is at `out` in each order, shape (2, frames), when `volts` are at the guitar."""
    board = timeline.board
    key = key_of(volts)
    signal = Signal(volts.copy(), board.rate)
    source = Source(signal, timeline, 1, volts.shape[1], noisy=False, key=key)
    paths = [path_of(board, order, timeline, amp, source_key=key) for order in orders]
    return [one.output.samples for one in walk(board, paths, source, stop=stop)]


def _most(values: Iterable[float]) -> float:
    """Return the largest that is known, NaN if none is."""
    return max((value for value in values if not math.isnan(value)), default=math.nan)
