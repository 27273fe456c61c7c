"""Power: which unit's plug goes into which outlet of the supply, and what is wrong with it.

An outlet that gives a voltage or a polarity that a unit does not take is never proposed for it; see
`plugs` for what a unit asks, `plugging` for how the best assignment is found.
"""

import math
from dataclasses import dataclass

from simchain.board import Board, Order
from simchain.patch.plugging import best_places, smallest_breaking
from simchain.patch.plugs import SAME_VOLTS, Fed, Plug, plugging, plugs_of
from simchain.patch.power_faults import Fault, faults_of, notes_of


@dataclass(frozen=True)
class Assignment:
    """Which plug goes where: every outlet in the supply's sequence, and the plugs left over.

    `breaking` are the fewest units that the supply cannot feed together, empty when it feeds all.
    `notes` say what is allowed and should be known.
    """

    outlets: tuple[Fed, ...]
    unpowered: tuple[Plug, ...]
    breaking: tuple[Plug, ...]
    faults: tuple[Fault, ...]
    notes: tuple[str, ...]


def assign(board: Board, order: str | Order) -> Assignment:
    """Return the best assignment of the units of `order` to the board's outlets.

    Best is, each before the next: fewest units without power; fewest digital units that share an
    outlet; fewest digital units on an outlet that is not isolated; fewest units fed another
    voltage than their `supply_volts`; fewest units that share an outlet at all. Of equal ones the
    first in the sequence of the board: its first unit has the earliest outlet, then its second.

    One digital unit alone on an outlet is quiet. A digital unit among two or more units on one
    outlet (a daisy chain) is the fault "shared_with_digital": what its clock draws, the others
    hear. Outlets that are not isolated have one return in common: that is told in `notes`, and
    avoided where there are isolated ones.

    Raises RequestError for names that the board does not have.
    """
    plugs = plugs_of(board, order)
    outlets = board.supply.outlets
    task = plugging(plugs, outlets)
    places = best_places(task)
    fed = tuple(
        Fed(outlet, tuple(plug for plug, at in zip(plugs, places, strict=True) if at == number))
        for number, outlet in enumerate(outlets)
    )
    unpowered = tuple(plug for plug, at in zip(plugs, places, strict=True) if at is None)
    broken = smallest_breaking(task, places) or ()
    breaking = tuple(plugs[number] for number in broken)
    return Assignment(
        fed, unpowered, breaking, faults_of(fed, plugs, unpowered), tuple(notes_of(fed))
    )


def higher_volts(assignment: Assignment) -> tuple[Fed, ...]:
    """Return the outlets in use that give more than the lowest voltage in use.

    Their plugs are to be marked: in the wrong unit they are the costly accident.
    """
    used = [fed for fed in assignment.outlets if fed.plugs]
    lowest = min((fed.outlet.volts for fed in used), default=math.inf)
    return tuple(fed for fed in used if fed.outlet.volts > lowest + SAME_VOLTS)
