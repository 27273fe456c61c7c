"""Orders that one order becomes when one block, or box, or the split stands elsewhere."""

from collections.abc import Collection, Iterator

import numpy as np

from simchain.board import Allowed
from simchain.decide.plan import Words


def neighbours(allowed: Allowed, word: bytes) -> Iterator[bytes]:
    """Yield what a word becomes when one of its tokens stands elsewhere, as far as allowed."""
    for token in word:
        others = word.replace(bytes((token,)), b"")
        for place in range(len(word)):
            near = others[:place] + bytes((token,)) + others[place:]
            if near != word and is_allowed(allowed, near):
                yield near


def is_allowed(allowed: Allowed, word: bytes) -> bool:
    """Whether the rules allow a word of all tokens."""
    placed = 0
    for token in word:
        if token not in allowed.following(placed):
            return False
        placed |= 1 << token
    return True


def ascending(words: Collection[bytes]) -> Words:
    """Return words, of equal length, in ascending sequence."""
    joined = b"".join(sorted(words))
    return np.frombuffer(joined, dtype=np.uint8).reshape(len(words), -1)
