"""What the sheet of power is made from: outlets and their units, faults, higher voltages."""

from collections.abc import Sequence
from typing import Any

from simchain.patch.higher_volts import HigherVolts, Room
from simchain.patch.plugs import Fed, Plug
from simchain.patch.power import Assignment, higher_volts
from simchain.report.numbers import number


def power_facts(power: Assignment, gained: Sequence[HigherVolts]) -> dict[str, Any]:
    """Return outlets in use, what is wrong and to be known, and what higher voltages bring."""
    higher = higher_volts(power)
    return {
        "power": [_outlet(fed, fed in higher) for fed in power.outlets if fed.plugs],
        "free_outlets": [fed.outlet.name for fed in power.outlets if not fed.plugs],
        "unpowered": [_plug(plug) for plug in power.unpowered],
        "power_faults": [
            {
                "code": fault.code,
                "blocks": list(fault.blocks),
                "outlet": fault.outlet,
                "needed_ma": fault.needed_ma,
                "there_ma": fault.there_ma,
                "text": fault.text,
            }
            for fault in power.faults
        ],
        "power_notes": list(power.notes),
        "higher_volts": [_gained(each) for each in gained],
    }


def _outlet(fed: Fed, is_higher: bool) -> dict[str, Any]:
    outlet = fed.outlet
    return {
        "outlet": outlet.name,
        "blocks": [block for plug in fed.plugs for block in plug.blocks],
        "units": [_plug(plug) for plug in fed.plugs],
        "volts": outlet.volts,
        "ma": fed.needed_ma,
        "limit_ma": outlet.ma,
        "isolated": outlet.isolated,
        "polarity": outlet.polarity,
        "higher": is_higher,
    }


def _plug(plug: Plug) -> dict[str, Any]:
    return {
        "unit": plug.unit,
        "lowest_volts": plug.lowest_volts,
        "highest_volts": plug.highest_volts,
        "polarity": plug.polarity,
        "ma": plug.needed_ma,
        "digital": plug.is_digital,
    }


def _gained(each: HigherVolts) -> dict[str, Any]:
    return {
        "block": each.block,
        "outlets": list(each.outlets),
        "supply_volts": each.supply_volts,
        "higher_volts": each.higher_volts,
        "rail_volts": number(each.rail_volts),
        "higher_rail_volts": number(each.higher_rail_volts),
        "at_input": _room(each.at_input),
        "at_output": _room(each.at_output),
    }


def _room(room: Room | None) -> dict[str, Any] | None:
    if room is None:
        return None
    return {
        "passage": room.passage,
        "before_db": number(room.before_db),
        "after_db": number(room.after_db),
    }
