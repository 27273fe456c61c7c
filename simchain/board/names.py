"""Names on a board: what they may look like, and which are known."""

import re

from simchain.board.models import RESERVED
from simchain.board.wording import shown
from simchain.settings import NAME_PATTERN

NAMES_ALLOWED = "a small letter, then up to 31 small letters, digits, - or _"


class Names(dict[str, tuple[str, ...]]):
    """The names that a file gives to its blocks, amps, orders, passages and songs.

    Those with faults in them are here too, so that a fault is told once.
    """


def name_fault(name: str) -> str:
    """Say what is wrong with a name, or return ''."""
    if name in RESERVED:
        taken = ", ".join(RESERVED)
        return f"{name}: this name is taken for a test point (taken are: {taken})"
    if not re.fullmatch(NAME_PATTERN.removesuffix("$"), name):
        return f"the name {shown(name)} cannot be used; a name is {NAMES_ALLOWED}"
    return ""
