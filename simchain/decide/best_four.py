"""Which four blocks keep most of what all of them do.

What a block does in a passage is how much it is missed there, 0 to 1. What two blocks do for one
another's sake, so that neither is missed alone, is lost when both are gone.
"""

import itertools
from collections.abc import Mapping, Sequence

FOUR = 4

Lost = Mapping[tuple[str, frozenset[str]], float]


def kept_by_each_four(
    blocks: Sequence[str], weights: Mapping[str, float], lost: Lost
) -> list[tuple[tuple[str, ...], float]]:
    """Return every choice of four of `blocks`, and the share of what all do that it keeps.

    `lost` has how much is missed in a passage, 0 to 1, without one block, and without two where
    that is known; what is not there is nothing. With w the weight of a passage, c(b) what is missed
    there without b, and c(a, b) without a and b:

        d(b) = sum over passages of w c(b)
        d(a, b) = sum over passages of w max(0, c(a, b) - c(a) - c(b))

    and a choice keeps the d(b) of its blocks and the d(a, b) of which it has at least one block,
    over the sum of all. It is 1 where no block does anything. The best comes first; of equals that
    whose blocks come first in `blocks`.
    """
    duties = _duties(blocks, weights, lost)
    total = sum(duties.values())
    found = []
    for choice in itertools.combinations(blocks, FOUR):
        kept = sum(size for duty, size in duties.items() if not duty.isdisjoint(choice))
        found.append((choice, kept / total if total else 1.0))
    return sorted(found, key=lambda each: -each[1])


def _duties(
    blocks: Sequence[str], weights: Mapping[str, float], lost: Lost
) -> dict[frozenset[str], float]:
    """Return what each block does alone, and each two together that neither does alone."""
    duties = {frozenset((name,)): 0.0 for name in blocks}
    for (passage, without), size in lost.items():
        alone = sum(lost.get((passage, frozenset((name,))), 0.0) for name in without)
        more = size if len(without) == 1 else max(0.0, size - alone)
        duties[without] = duties.get(without, 0.0) + weights[passage] * more
    return duties
