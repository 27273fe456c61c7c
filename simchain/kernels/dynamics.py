"""Gain that follows level: static curve and detector, frame by frame.

Equations: D. Giannoulis, M. Massberg, J. D. Reiss, "Digital Dynamic Range Compressor Design",
J. Audio Eng. Soc. 60(6), 2012, pp. 399-408 (formulas from memory, so their numbers are not given).
"""

from simchain.kernels.compile import kernel
from simchain.signal import Volts


@kernel
def reduction_db(level_db: float, threshold_db: float, slope: float, knee_db: float) -> float:
    """Return by how many decibels the static curve turns a level down, 0 or more.

    With `slope` = 1 - 1/ratio and d = level - threshold: 0 for 2 d <= -knee; slope d for
    2 d >= knee; between, slope (d + knee/2)^2 / (2 knee).
    """
    over = level_db - threshold_db
    if 2.0 * over <= -knee_db:
        return 0.0
    if 2.0 * over >= knee_db:
        return slope * over
    into = over + 0.5 * knee_db
    return slope * into * into / (2.0 * knee_db)


@kernel
def levels_to_reductions(
    levels_db: Volts, curve: Volts, attack: float, release: float, nothing_db: float
) -> None:
    """Turn levels, shape (frames,), into smoothed reductions in decibels, in place.

    `curve` holds threshold, slope and knee of `reduction_db`, which makes x of a level. Then the
    smooth decoupled peak detector::

        y1[n] = max(x[n], release y1[n-1] + (1 - release) x[n])
        y[n]  = attack y[n-1] + (1 - attack) y1[n]

    with `attack` and `release` = exp(-1 / (seconds rate)). A step up reaches 1 - 1/e of itself
    after the attack time; a step down passes release and attack one after the other.
    Below `nothing_db` the detector is at rest: long silences would end in denormal numbers.
    """
    threshold_db, slope, knee_db = curve
    held = 0.0
    smooth = 0.0
    for n in range(levels_db.size):
        x = reduction_db(levels_db[n], threshold_db, slope, knee_db)
        held = max(x, release * held + (1.0 - release) * x)
        held = held if held > nothing_db else 0.0
        smooth = attack * smooth + (1.0 - attack) * held
        smooth = smooth if smooth > nothing_db else 0.0
        levels_db[n] = smooth
