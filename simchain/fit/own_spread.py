"""The likeliest faults once more, each by how real boards with that very fault spread.

A room that should be off, or an echo before a compressor, makes readings vary that are sure on the
board as planned: by the plan's spread alone the right fault may look impossible.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

from simchain.fit.culprits import Suspect
from simchain.fit.tolerance import Expected, real_boards, spread
from simchain.fit.traits import Traits
from simchain.fit.wired import Simulation, Wired

Told = Callable[[str], None]

# How many real boards of each fault are played, and how many faults of either sort: those by which
# the path is another, and those that are a number on the same path.
REAL_BOARDS, OTHER_PATHS, SAME_PATHS = 12, 12, 6
_OTHER_PATH = ("off", "on", "exchanged")


def looked_at_again(
    simulation: Simulation,
    wired: Wired,
    found: Sequence[Suspect],
    heard: Traits,
    about: Expected,
    told: Told,
) -> list[Suspect]:
    """Return the likeliest of `found`, the likeliest first, by the spread of their own boards.

    A misfit is twice the negative logarithm of a likelihood, up to the plan's own constant, so that
    it stands beside the plan's misfit.
    """
    first = [one for one in found if one.fault.what in _OTHER_PATH][:OTHER_PATHS]
    first += [one for one in found if one.fault.what not in _OTHER_PATH][:SAME_PATHS]
    boards = [
        each
        for one in first
        for each in real_boards(one.fault.board(wired, one.number), wired, REAL_BOARDS)
    ]
    played = simulation.traits(
        boards, lambda done, total: told(f"{done} of {total} boards with the likeliest faults")
    )
    again = []
    for place, one in enumerate(first):
        real = played[place * REAL_BOARDS : (place + 1) * REAL_BOARDS]
        own = spread(one.traits, real, about.by_slopes, calibrated=about.calibrated)
        misfit = own.misfit(heard, own.still) + own.log_volume - about.log_volume
        again.append(replace(one, misfit=misfit))
    return sorted(again, key=lambda one: one.cost)
