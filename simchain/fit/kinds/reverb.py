"""A reverb: decay, damping, size, low cut, predelay, mix and level from the room's response."""

import math
from collections.abc import Iterable, Sequence
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block, reverb
from simchain.fit import echoes, rooms
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.received import Received
from simchain.fit.sent import RATE
from simchain.fit.squares import deviations

Floats = NDArray[np.float64]

DECAY = Free("decay_s", 0.05, 60.0, log=True)
DAMPING = Free("damping_hz", 200.0, 20_000.0, log=True)
SIZE = Free("size", 0.0, 1.0)
LOW_CUT = Free("low_cut_hz", 10.0, 2_000.0, log=True)
PREDELAY = Free("predelay_ms", 0.0, 1_000.0)
MIX = Free("mix", 0.0, 1.0)
LEVEL = Free("level_db", -60.0, 40.0)

# A band whose decay is shorter than a few cells, or told no better than so, is left out.
_SHORTEST_S, _LEAST_SURE = 0.03, 0.2
# Rooms differ from one another so far in what is not set, whatever a reading's own deviation.
_DECAYS_DIFFER, _LEVELS_DIFFER = 0.003, 0.05
# Above it a loss is less and less that of one first-order filter.
_FIRST_ORDER_HZ = 3_000.0
_SIZE_STEP, _SIZE_DIFFERS = 0.1, 0.5
_SIZES, _LINES = np.linspace(0.0, 1.0, 11), 16


class ReverbFit(KindFit):
    """Each figure is read from the response: no two rooms' waveforms agree, nor their cells.

    `size` is told by how the damping goes on above `damping_hz`: the longer the way from wall to
    wall, the more is lost at once, and a first-order loss flattens.
    """

    kind: ClassVar[str] = "reverb"
    coarse: ClassVar[Sequence[Stretch]] = (Stretch("room", "room", 2.0),)
    fine: ClassVar[Sequence[Stretch]] = ()
    blind_to: ClassVar[dict[str, str]] = {
        "shimmer": "not looked for: taken as 0",
        "motion": "not looked for: taken as 0",
    }

    def starts(self, block: Block, received: Received) -> Iterable[Start]:
        """See `KindFit.starts`: one, with nothing left to search."""
        if not isinstance(block, reverb.Reverb):
            raise TypeError(block.kind)
        still = block.model_copy(update={"shimmer": 0.0, "motion": 0.0})
        dry, wet = echoes.without_dry(echoes.pulses(received))
        begins_s = rooms.first_s(wet)
        found, sure = _dying(still, rooms.decays(wet, begins_s))
        found["predelay_ms"] = max(0.0, 1e3 * (begins_s - still.wet_latency_s))
        sure["predelay_ms"] = 1e3 / RATE
        still = still.model_copy(update=found)
        louder, more_sure = _sounding(still, rooms.energies(wet, begins_s, still.decay_s), abs(dry))
        found, sure = found | louder, sure | more_sure
        read = [(free, sure[free.control]) for free in _ALL]
        yield Start(
            still.model_copy(update=found), (), chosen=("shimmer", "motion"), read=tuple(read)
        )


_ALL = (DECAY, DAMPING, SIZE, LOW_CUT, PREDELAY, MIX, LEVEL)
Found = tuple[dict[str, Any], dict[str, float]]


def _lines(decay_s: float, damping_hz: float, size: float) -> reverb.Network:
    """Return the lines of such a room with their lengths as they are meant, not as primes."""
    longest_s = min(
        reverb.SHORTEST_ROOM_S * reverb.LARGEST_TO_SMALLEST**size,
        reverb.LONGEST_PART_OF_DECAY * decay_s,
    )
    place = np.linspace(0.0, 1.0, _LINES) - 0.5 * reverb.JITTER
    frames = RATE * longest_s * reverb.LONGEST_TO_SHORTEST_LINE ** (place - 1.0)
    gains = 10.0 ** (-3.0 * frames / (RATE * decay_s))
    poles = reverb._poles(gains, damping_hz, RATE)
    nowhere = np.zeros((2, _LINES))
    return reverb.Network(RATE, frames, gains, poles, nowhere, nowhere, ())


def _dying(block: reverb.Reverb, decays: rooms.Bands) -> Found:
    """Return decay, damping and size whose lines lose what the bands do, and how sure they are."""
    from scipy.optimize import least_squares

    told = (decays.value > _SHORTEST_S) & (decays.share < _LEAST_SURE)
    hz, value = decays.hz[told], np.log(decays.value[told])
    differ = _DECAYS_DIFFER * (1.0 + np.square(hz / _FIRST_ORDER_HZ))
    spread = np.hypot(decays.share[told], differ)
    lowest = float(
        np.clip(np.median(value[: max(1, value.size // 4)]), math.log(0.06), math.log(50.0))
    )

    def off(at: Floats, size: float) -> Floats:
        curve = np.log(_lines(math.exp(at[0]), math.exp(at[1]), size).decay_curve_s(hz))
        # What the bands do not tell of the size stays as the board has it.
        return np.append((curve - value) / spread, (size - block.size) / _SIZE_DIFFERS)

    low, high = np.log(((DECAY.low, DAMPING.low), (DECAY.high, DAMPING.high)))

    def at(size: float) -> Any:
        firsts = [(lowest, damping) for damping in np.linspace(low[1] + 0.1, high[1] - 0.1, 20)]
        first = min(firsts, key=lambda one: float(np.abs(off(np.array(one), size)).sum()))
        return least_squares(
            off, first, args=(size,), bounds=(low, high), loss="soft_l1", f_scale=2.0, x_scale=0.1
        )

    ends = [at(size) for size in _SIZES]
    best = min(range(len(ends)), key=lambda number: float(ends[number].cost))
    size = float(_SIZES[best])
    if 0 < best < len(ends) - 1:
        less, least, more = (float(ends[best + way].cost) for way in (-1, 0, 1))
        bend = less - 2.0 * least + more
        size += float(0.5 * (less - more) / bend * _SIZE_STEP) if bend > 0.0 else 0.0
    end = at(size)
    step = 0.5 * _SIZE_STEP
    slopes = np.column_stack((end.jac, (off(end.x, size + step) - off(end.x, size)) / step))
    spread = deviations(slopes)
    decay_s, damping_hz = (float(one) for one in np.exp(end.x))
    found = {"decay_s": decay_s, "damping_hz": damping_hz, "size": size}
    sizes = (decay_s * spread[0], damping_hz * spread[1], spread[2])
    return found, dict(zip(found, map(float, sizes), strict=True))


def _sounding(block: reverb.Reverb, energies: rooms.Bands, dry: float) -> Found:
    """Return mix, level and low cut that make the room as loud as it is, and how sure they are."""
    from scipy.optimize import least_squares

    told = energies.hz < max(2e3, min(5e3, block.damping_hz))
    hz = energies.hz[told]
    # A steady sound is as loud in a room as it is long in dying away, at 700 Hz as loud as itself.
    lines = _lines(block.decay_s, block.damping_hz, block.size)
    even = lines.decay_curve_s(np.array([reverb.EVEN_AT_HZ]))
    heard = np.log(energies.value[told]) - np.log(lines.decay_curve_s(hz) / even)
    spread = np.hypot(energies.share[told], _LEVELS_DIFFER)

    def off(at: Floats) -> Floats:
        made = 2.0 * at[0] - np.log1p(np.square(np.exp(at[1]) / hz))
        return rooms.deviances(np.exp(heard - made), 1.0 / np.square(spread))

    low, high = math.log(LOW_CUT.low), math.log(LOW_CUT.high)
    end = least_squares(
        off,
        (0.5 * float(np.median(heard)), math.log(100.0)),
        bounds=((-20.0, low), (20.0, high)),
        loss="soft_l1",
        f_scale=2.0,
    )
    share, cut = deviations(end.jac)
    wet, low_cut_hz = (float(one) for one in np.exp(end.x))
    turn = math.atan2(wet, dry)
    found = {
        "mix": 2.0 * turn / math.pi,
        "level_db": 20.0 * math.log10(math.hypot(wet, dry)),
        "low_cut_hz": low_cut_hz,
    }
    in_mix = share * math.sin(2.0 * turn) / math.pi
    in_level = 20.0 / math.log(10.0) * share * math.sin(turn) ** 2
    sizes = (in_mix, in_level, cut * low_cut_hz)
    return found, dict(zip(found, map(float, sizes), strict=True))
