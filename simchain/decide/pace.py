"""How long it takes until all parts of a piece of work are done."""

from collections.abc import Callable
from time import monotonic

# By then the parts done may stand for those to come; what takes less is not told.
SOON_S = 3.0


class Pace:
    """Tells from how many parts are done how long the others take.

    `now` is the clock, in seconds.
    """

    def __init__(self, now: Callable[[], float] = monotonic) -> None:
        self._now = now
        self._begun, self._last = now(), 0

    def left_s(self, done: int, total: int) -> float | None:
        """Return about how many seconds are left when `done` of `total` parts are done.

        None as long as that cannot be told, or is not worth it. Where parts are fewer than before
        they are those of something else, which has just begun.
        """
        if done <= self._last:
            self._begun = self._now()
        self._last = done
        spent = self._now() - self._begun
        left = spent * (total - done) / max(done, 1)
        return left if spent > SOON_S and left > SOON_S else None
