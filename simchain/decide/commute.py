"""Whether two neighbours may change places at some point of a path that is still being laid."""

from typing import NamedTuple

from simchain.chain.path import Laying
from simchain.decide.proof import watched, why_not_alike

Blocks = tuple[str, ...]


class Commuting(NamedTuple):
    """Two neighbours commute as long as `watched` stay 1 dB below their rails in either order."""

    watched: Blocks


class Commutes:
    """Remembers which neighbours commute, by what drives the wire they stand on.

    `frames` is the length of the sound. Nothing is rendered: see `decide.proof.why_not_alike`,
    which is asked of both ways to lay the two. What drives the wire behind them may differ: a link
    that follows tells it, if it is no wire.
    """

    def __init__(self, frames: int) -> None:
        self._frames = frames
        self._known: dict[object, Commuting | None] = {}

    def at(self, here: Laying, first: Blocks, then: Blocks) -> Commuting | None:
        """Return under which condition `first then` and `then first` do the same from `here` on."""
        driven = here.driven_by
        if driven is None:
            return None
        key = (driven, first, then)
        if key not in self._known:
            self._known[key] = self._tried(here, first, then)
        return self._known[key]

    def _tried(self, here: Laying, first: Blocks, then: Blocks) -> Commuting | None:
        one, other = here.fork(), here.fork()
        for name in (*first, *then):
            one.add(name)
        for name in (*then, *first):
            other.add(name)
        if why_not_alike(one.steps, other.steps, self._frames) is not None:
            return None
        return Commuting(tuple(watched(one.steps, other.steps)))
