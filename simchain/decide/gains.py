"""At what gain each sound of a comparison is played, in three ways of listening."""

import math
from collections.abc import Sequence

from simchain.chain.walker import Output

AUDITION_LUFS = -20.0
CEILING_DBTP = -1.1
WAYS = ("passage", "order", "as_is")


def audition_gains_db(sounds: Sequence[tuple[str, Output]]) -> list[dict[str, float]]:
    """Return each sound's gain in dB for each way of listening; a sound has its order's name.

    ``passage``: all sounds are equally loud, the highest up to AUDITION_LUFS at which none passes
    CEILING_DBTP. ``order`` (one gain for the order, so that a solo's lift stays) and ``as_is`` (one
    gain for all) keep that loudness on average, or what the peaks allow. Silence has 0 dB.
    """
    silent = dict.fromkeys(WAYS, 0.0)
    sounding = [
        (place, order, output)
        for place, (order, output) in enumerate(sounds)
        if math.isfinite(output.integrated_lufs)
    ]
    found = [dict(silent) for _ in sounds]
    if not sounding:
        return found
    outputs = [output for _, _, output in sounding]
    target = min(AUDITION_LUFS, *(room_lufs(output) for output in outputs))
    overall = mean_lufs([output.integrated_lufs for output in outputs])
    by_order = {
        name: mean_lufs([o.integrated_lufs for _, order, o in sounding if order == name])
        for name in {order for _, order, _ in sounding}
    }
    gains = {
        "passage": [target - output.integrated_lufs for output in outputs],
        "order": [target - by_order[order] for _, order, _ in sounding],
        "as_is": [target - overall for _ in sounding],
    }
    for way in WAYS:
        lowered = _below_ceiling(gains[way], outputs)
        for (place, _, _), gain in zip(sounding, lowered, strict=True):
            found[place][way] = gain
    return found


def room_lufs(output: Output) -> float:
    """Return how loud `output` may be played before its true peak reaches CEILING_DBTP."""
    return output.integrated_lufs + CEILING_DBTP - output.true_peak_dbtp


def _below_ceiling(gains_db: list[float], outputs: Sequence[Output]) -> list[float]:
    """Lower all gains alike until no sound's true peak passes CEILING_DBTP."""
    peaks = (gain + output.true_peak_dbtp for gain, output in zip(gains_db, outputs, strict=True))
    over = max(0.0, max(peaks) - CEILING_DBTP)
    return [gain - over for gain in gains_db]


def mean_lufs(levels: Sequence[float]) -> float:
    """Mean of loudness levels by energy."""
    return 10.0 * math.log10(sum(10.0 ** (level / 10.0) for level in levels) / len(levels))
