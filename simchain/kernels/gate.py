"""A gate's decision and its gain, frame by frame."""

from simchain.kernels.compile import kernel
from simchain.signal import Volts


@kernel
def peaks_to_reductions(
    peaks: Volts, levels: Volts, wait: int, range_db: float, kept: Volts, at_rest_db: float
) -> None:
    """Turn peaks |v|, shape (frames,), into reductions in decibels, 0 to `range_db`, in place.

    `levels` holds the peak at which the gate opens and the one below which it may close; `kept`
    what one frame keeps of the last while it opens and while it closes, 0 to below 1 (with
    levels[1] <= levels[0])::

        opens in a frame with |v| >= levels[0]
        closes once |v| < levels[1] for more than `wait` frames on end
        open:   y[n] = kept[0] y[n-1]
        closed: y[n] = range_db - kept[1] (range_db - y[n-1])

    It starts closed. Within `at_rest_db` of either end it has arrived, so that open is exactly
    nothing and closed exactly `range_db`, and no denormal numbers appear.
    """
    opens_at, closes_at = levels
    opening, closing = kept
    frames, n, to_closed_db = peaks.size, 0, 0.0
    while n < frames:
        first = n
        while n < frames and peaks[n] < opens_at:
            n += 1
        while first < n and to_closed_db > at_rest_db:
            to_closed_db *= closing
            peaks[first] = range_db - to_closed_db
            first += 1
        if first < n:
            to_closed_db = 0.0
            peaks[first:n] = range_db
        first, left, to_open_db = n, 0, range_db - to_closed_db
        while n < frames and (left > 0 or peaks[n] >= closes_at):
            left = wait if peaks[n] >= closes_at else left - 1
            n += 1
        while first < n and to_open_db > at_rest_db:
            to_open_db *= opening
            peaks[first] = to_open_db
            first += 1
        if first < n:
            to_open_db = 0.0
            peaks[first:n] = 0.0
        to_closed_db = range_db - to_open_db
