"""A compressor: its curve, its times, what it makes up and blends."""

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar, cast

import numpy as np
from numpy.typing import NDArray

from simchain import units
from simchain.blocks import Block
from simchain.blocks.compressor import Compressor
from simchain.fit.comparing import Comparison
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.reading import Steps, steps_of
from simchain.fit.received import Received

Floats = NDArray[np.float64]

CURVE = (
    Free("threshold_dbu", -80.0, 40.0, step=0.2),
    Free("ratio", 1.05, 200.0, log=True, step=0.03),
    Free("knee_db", 0.0, 60.0, step=0.5),
    Free("attack_ms", 0.05, 500.0, log=True, step=0.03),
    Free("release_ms", 1.0, 10_000.0, log=True, step=0.03),
    Free("makeup_db", -60.0, 80.0),
    Free("blend", 0.0, 1.0, step=0.01),
)
LEVEL = Free("level_db", -60.0, 40.0)
# Curves and times from which the search begins; the nearest end of each is taken.
_AT = ("threshold_dbu", "ratio", "knee_db", "makeup_db", "blend")
_LEAST = np.array([-60.0, 1.1, 0.0, -60.0, 0.05])
_MOST = np.array([10.0, 100.0, 40.0, 60.0, 1.0])
_BEGINS = [
    np.array([threshold_dbu, 4.0, 6.0, 6.0, blend])
    for threshold_dbu in (-40.0, -25.0, -10.0)
    for blend in (0.95, 0.5)
]
_BEGINS_MS = [(attack, release) for attack in (1.0, 6.0, 40.0) for release in (50.0, 200.0, 800.0)]
# A detector takes seconds to forget what was before.
_SINCE_S = 4.0
_TIMES = Stretch("bursts1", "bursts1", _SINCE_S)
# One such detector is like another: what is left is noise.
_OFF_BY = 0.003
_STEADY = Stretch("bursts1", "steps2", _SINCE_S, times=4, off_by=_OFF_BY)
# Rails cut a sine's tops to so much of a sine as loud, or what comes out to so much of what would.
_CUT_CREST, _CUT_SHARE = 0.95, 0.97
_NO_RAILS_VOLTS = 200.0


class CompressorFit(KindFit):
    """Its curve is read from the growing tone, its times from what follows a sudden change.

    Make-up, before the rails, and level, after them, are two figures only where the rails were
    reached; else level is taken as 0. At four times the rate, since an attack may be over within
    some twenty frames.
    """

    kind: ClassVar[str] = "compressor"
    coarse: ClassVar = ()
    fine: ClassVar = (
        _STEADY,
        Stretch("clicks", "clicks", times=4, off_by=_OFF_BY),
    )

    def starts(self, block: Block, received: Received) -> Iterator[Start]:
        """See `KindFit.starts`: the curve of steady tones, and times that suit it."""
        block = cast(Compressor, block)
        steps = steps_of(received)
        cut = steps.crests < _CUT_CREST
        at = _curve(steps, ~cut)
        peak_volts = float(np.abs(received.line).max())
        level_db = units.ratio_to_db(peak_volts / block.ceiling_volts)
        unrailed = block.model_copy(
            update={**at, "level_db": 0.0, "rail_volts": _NO_RAILS_VOLTS, "max_dbu": None}
        )
        railed = block.model_copy(
            update={**at, "level_db": level_db, "makeup_db": at["makeup_db"] - level_db}
        )
        began = _timed(railed if cut.any() else unrailed, received)
        near = _nearer(began, received)
        if cut.any():
            yield Start(near, (*CURVE, LEVEL))
        elif _peak(near, received) > peak_volts / _CUT_SHARE:
            level = {"level_db": level_db, "makeup_db": near.makeup_db - level_db}
            yield Start(_railed_as(block, near.model_copy(update=level)), (*CURVE, LEVEL))
        else:
            yield Start(_railed_as(block, near), CURVE, chosen=("level_db",))


def _curve(steps: Steps, which: NDArray[np.bool_]) -> dict[str, float]:
    """Return the curve that is nearest to the gains of steady tones, and what follows it."""
    from scipy.optimize import least_squares

    levels_dbu, gains_db = steps.levels_dbu[which], steps.gains_db[which]
    ends = [
        least_squares(
            lambda at: _gains_db(levels_dbu, at) - gains_db, begin, bounds=(_LEAST, _MOST)
        )
        for begin in _BEGINS
    ]
    best = min(ends, key=lambda end: float(end.cost))
    return dict(zip(_AT, (float(value) for value in best.x), strict=True))


def _gains_db(levels_dbu: Floats, at: Floats) -> Floats:
    threshold_dbu, ratio, knee_db, makeup_db, blend = at
    slope, knee_db = 1.0 - 1.0 / ratio, max(knee_db, 1e-6)
    over = levels_dbu - threshold_dbu
    bent = slope * np.square(np.clip(over + knee_db / 2.0, 0.0, knee_db)) / (2.0 * knee_db)
    reduction_db = np.where(over >= knee_db / 2.0, slope * over, bent)
    gain = blend * 10.0 ** ((makeup_db - reduction_db) / 20.0) + 1.0 - blend
    return np.asarray(20.0 * np.log10(gain + 1e-12))


def _timed(block: Compressor, received: Received) -> Compressor:
    """Return `block` with the times that bring it nearest to a sudden loud note and its end."""
    from scipy.optimize import least_squares

    compared = Comparison(received, [_TIMES])

    def timed(logs: Floats) -> Compressor:
        attack_ms, release_ms = (math.exp(value) for value in logs)
        return block.model_copy(update={"attack_ms": attack_ms, "release_ms": release_ms})

    def errors(logs: Floats) -> Floats:
        return compared.wave_errors(compared.rendered(timed(logs)), 0.0)

    begins = [np.log(begin) for begin in _BEGINS_MS]
    nearest = min(begins, key=lambda begin: float(np.square(errors(begin)).sum()))
    low, high = np.log([0.1, 5.0]), np.log([300.0, 6_000.0])
    end = least_squares(errors, nearest, bounds=(low, high), diff_step=0.02, xtol=1e-3, max_nfev=12)
    return timed(end.x)


def _nearer(block: Compressor, received: Received) -> Compressor:
    """Return `block` with all but its level brought near, at the recording's rate.

    What is looked for is the curve, the times, and how loud the compressed sound and the dry one
    are: these hang on one another less than make-up and blend.
    """
    from scipy.optimize import least_squares

    compared = Comparison(received, [replace(_STEADY, times=1)])
    level = units.db_to_ratio(block.level_db)

    def at(numbers: Floats) -> Compressor:
        threshold_dbu, compressed_db, dry = numbers[[0, 4, 5]]
        ratio, knee_db, attack_ms, release_ms = (math.exp(one) for one in numbers[[1, 2, 3, 6]])
        blend = 1.0 - dry / level
        makeup_db = compressed_db - units.ratio_to_db(level * blend)
        return block.model_copy(
            update={
                "threshold_dbu": float(threshold_dbu),
                "ratio": ratio,
                "knee_db": knee_db,
                "attack_ms": attack_ms,
                "release_ms": release_ms,
                "makeup_db": float(makeup_db),
                "blend": float(blend),
            }
        )

    def errors(numbers: Floats) -> Floats:
        return compared.wave_errors(compared.rendered(at(numbers)), 0.0)

    logs = np.log([block.ratio, max(block.knee_db, 1.0), block.attack_ms, block.release_ms])
    blend = min(max(block.blend, 0.05), 0.95)
    compressed_db = block.makeup_db + units.ratio_to_db(level * blend)
    first = np.array([block.threshold_dbu, *logs[:3], compressed_db, level * (1 - blend), logs[3]])
    low = np.array([-80.0, *np.log([1.05, 0.1, 0.05]), -80.0, 0.0, np.log(1.0)])
    high = np.array([20.0, *np.log([200.0, 60.0, 500.0]), 80.0, 0.97 * level, np.log(10_000.0)])
    first = np.clip(first, low + 1e-3, high - 1e-3)
    scale = np.array([0.2, 0.03, 0.2, 0.03, 0.1, 0.01, 0.03])
    end = least_squares(
        errors, first, bounds=(low, high), x_scale=scale, diff_step=1e-3, ftol=1e-6, max_nfev=25
    )
    return at(end.x)


def _railed_as(block: Compressor, near: Compressor) -> Compressor:
    """Return `near` with the rails that stand on the board."""
    return near.model_copy(update={key: getattr(block, key) for key in ("rail_volts", "max_dbu")})


def _peak(block: Compressor, received: Received) -> float:
    """Return the highest peak of what `block` makes of all that was sent."""
    compared = Comparison(received, [Stretch("lead", "marker2", 0.0)])
    return float(np.abs(compared.rendered(block)[0]).max())
