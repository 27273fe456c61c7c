"""Orders too many to listen to all: the best so far are followed to their neighbours.

A beam search over whole orders: the best `beam` of all that were listened to so far are taken, each
order that one of them becomes when one token moves elsewhere is listened to, in the coarse pass,
and so on until nothing better comes. (Local beam search; Russell and Norvig, Artificial
Intelligence, ch. 4, from memory.) What it misses of the best is measured in
`tests/benchmarks/search.py`.
"""

from collections.abc import Iterator
from contextlib import suppress
from typing import NamedTuple

import numpy as np

from simchain.decide.moves import ascending, is_allowed, neighbours
from simchain.decide.plan import Words
from simchain.decide.runs import COARSE
from simchain.decide.trial import Asked, Trial
from simchain.errors import RequestError

_ROUNDS = 50


class Climb(NamedTuple):
    """The orders that were listened to, ascending, and how many units were run for it."""

    words: Words
    blocks_rendered: int


def climbed(asked: Asked, beam: int) -> Climb:
    """Return the orders that a search `beam` wide listens to; what it hears is in the library."""
    known: set[bytes] = set()
    new = {bytes(asked.allowed.first_word()), *_given(asked)}
    best: list[bytes] = []
    units = 0
    for _ in range(_ROUNDS):
        known |= new
        trial = Trial(asked, COARSE, ascending(known))
        units += sum(each.tally.units for each in trial.music)
        score = trial.table().score[trial.counted]
        order = trial.counted[np.argsort(score, kind="stable")][:beam]
        now = [trial.words[number].tobytes() for number in order]
        new = {near for word in now for near in neighbours(asked.allowed, word)} - known
        if now == best or not new:
            break
        best = now
    return Climb(ascending(known), units)


def _given(asked: Asked) -> Iterator[bytes]:
    """Yield the board's own orders, as far as they are among those that are searched."""
    for order in asked.board.orders.values():
        with suppress(RequestError):
            word = bytes(asked.allowed.word(order))
            if is_allowed(asked.allowed, word):
                yield word
