"""What is wrong with the power of an order, and what is allowed but should be known: sentences."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from simchain.board.gear import Outlet
from simchain.board.wording import listed
from simchain.patch.plugging import smallest_breaking
from simchain.patch.plugs import SAME_VOLTS, Fed, Plug, fit_together, plugging

Wrong = Literal["wrong_voltage", "polarity", "overload", "shared_with_digital", "none_left"]

_READ = "read voltage and polarity on the unit itself, as the wrong ones can destroy it"


@dataclass(frozen=True)
class Fault:
    """Something that must be mended before the power goes on; `outlet` is None when about none."""

    code: Wrong
    blocks: tuple[str, ...]
    outlet: str | None
    needed_ma: float
    there_ma: float
    text: str

    def __str__(self) -> str:
        return self.text


def faults_of(
    fed: Sequence[Fed], plugs: Sequence[Plug], unpowered: Sequence[Plug]
) -> tuple[Fault, ...]:
    """Return what must be mended: units that stay without power, then outlets shared badly."""
    outlets = [each.outlet for each in fed]
    if unpowered and not outlets:
        return (_no_outlets(unpowered),)
    hopeless = [
        plug for plug in unpowered if not any(fit_together([plug], outlet) for outlet in outlets)
    ]
    faults = [_never_fed(plug, outlets) for plug in hopeless]
    for rivals in _rivals([plug for plug in plugs if plug not in hopeless], outlets):
        if left := [plug for plug in rivals if plug in unpowered]:
            at = {plug: number for number, each in enumerate(fed) for plug in each.plugs}
            places = tuple(at.get(plug) for plug in rivals)
            crowd = smallest_breaking(plugging(rivals, outlets), places) or ()
            faults.append(_none_left([rivals[number] for number in crowd], left, outlets))
    faults += [_shared(each) for each in fed if each.is_shared_with_digital]
    return tuple(faults)


def _rivals(plugs: Sequence[Plug], outlets: Sequence[Outlet]) -> list[list[Plug]]:
    """Part plugs into groups that have no outlet in common, each in the sequence given."""
    groups: list[list[Plug]] = []
    for outlet in outlets:
        wanting = [plug for plug in plugs if plug.suits(outlet)]
        met = [group for group in groups if any(plug in group for plug in wanting)]
        joined = [plug for plug in plugs if plug in wanting or any(plug in one for one in met)]
        groups = [group for group in groups if group not in met] + [joined]
    return [group for group in groups if group]


def _no_outlets(unpowered: Sequence[Plug]) -> Fault:
    needed = sum(plug.needed_ma for plug in unpowered)
    text = (
        f"no outlet for {_named(unpowered)} ({_ma(needed)} with a fifth to spare): the board lists "
        'none; write them as [supply] outlets = [{ name = "A", volts = 9, ma = 300 }]'
    )
    return Fault("none_left", _blocks(unpowered), None, needed, 0.0, text)


def _never_fed(plug: Plug, outlets: Sequence[Outlet]) -> Fault:
    """Say why no outlet, were all of them free, feeds this plug."""
    right_volts = [outlet for outlet in outlets if plug.takes(outlet.volts)]
    right = [outlet for outlet in right_volts if plug.suits(outlet)]
    if plug.lowest_volts > plug.highest_volts + SAME_VOLTS:
        text = (
            f"the blocks in {_named([plug])} have one plug, and take no voltage in common: the box "
            f"needs {_ma(plug.needed_ma)} at one voltage; {_READ}"
        )
        return _fault("wrong_voltage", plug, None, text)
    if not right_volts:
        given = listed((f"{volts:g}" for volts in sorted({each.volts for each in outlets})), "and")
        text = (
            f"{_named([plug])} takes {_range(plug)} and needs {_ma(plug.needed_ma)}; the outlets "
            f"give {given} V: an outlet with that voltage is wanted; {_READ}"
        )
        return _fault("wrong_voltage", plug, None, text)
    if not right:
        outlet = max(right_volts, key=lambda each: each.ma)
        asks = plug.polarity or "both polarities, in blocks that share one plug"
        text = (
            f"{_named([plug])} wants {asks}, and outlet {outlet.name} ({_volts_ma(outlet)}), like "
            f"every one with a voltage it takes, is {outlet.polarity}: it needs "
            f"{_ma(plug.needed_ma)} from a lead or an outlet with its own polarity; {_READ}"
        )
        return _fault("polarity", plug, outlet, text)
    outlet = max(right, key=lambda each: each.ma)
    text = (
        f"{_named([plug])} needs {_ma(plug.needed_ma)} with a fifth to spare, and outlet "
        f"{outlet.name}, the strongest that suits it, gives {_ma(outlet.ma)}: an outlet of at "
        f"least {_ma(plug.needed_ma)} at {_range(plug)} is wanted"
    )
    return _fault("overload", plug, outlet, text)


def _fault(code: Wrong, plug: Plug, outlet: Outlet | None, text: str) -> Fault:
    name, there = (outlet.name, outlet.ma) if outlet else (None, 0.0)
    return Fault(code, plug.blocks, name, plug.needed_ma, there, text)


def _none_left(crowd: Sequence[Plug], left: Sequence[Plug], outlets: Sequence[Outlet]) -> Fault:
    """Name the fewest units that are too many, and which ones stay without."""
    there = [outlet for outlet in outlets if any(plug.suits(outlet) for plug in crowd)]
    needed, given = sum(plug.needed_ma for plug in crowd), sum(outlet.ma for outlet in there)
    if _each_wants_its_own(crowd, there):
        few = listed((f"{outlet.name} ({_volts_ma(outlet)})" for outlet in there), "and")
        text = (
            f"{_named(crowd)} need {len(crowd)} outlets of {_ranges(crowd)}, as no two of them fit "
            f"into one, and of those that suit there {'is' if len(there) == 1 else 'are'} "
            f"{len(there)}: {few}"
        )
    else:
        each = listed((f"'{plug.unit}' ({_ma(plug.needed_ma)})" for plug in crowd), "and")
        few = listed((f"{outlet.name} ({_volts_ma(outlet)})" for outlet in there), "and")
        text = (
            f"{each} need {_ma(needed)} together, with a fifth to spare, and "
            f"{'the outlet' if len(there) == 1 else 'the outlets'} for them, {few}, cannot feed "
            "them all"
        )
    text += (
        f"; {_named(left)} {'stays' if len(left) == 1 else 'stay'} without power: one more outlet, "
        "a stronger one, or one of these units less"
    )
    return Fault("none_left", _blocks(crowd), None, needed, given, text)


def _each_wants_its_own(crowd: Sequence[Plug], outlets: Sequence[Outlet]) -> bool:
    """Whether no outlet feeds two of them, and there are fewer outlets than plugs."""
    return len(outlets) < len(crowd) and not any(
        fit_together([one, other], outlet)
        for outlet in outlets
        for number, one in enumerate(crowd)
        for other in crowd[:number]
    )


def _shared(fed: Fed) -> Fault:
    digital = [plug for plug in fed.plugs if plug.is_digital]
    others = [plug for plug in fed.plugs if not plug.is_digital]
    what = (
        f"{_named(digital)} {'is' if len(digital) == 1 else 'are'} digital, and "
        f"{_named(others)} may whine with {'its clock' if len(digital) == 1 else 'their clocks'}"
        if others
        else "all of them are digital, and each may whine with the clock of another"
    )
    text = (
        f"outlet {fed.outlet.name} feeds {_named(fed.plugs)}: {what}; they need "
        f"{_ma(fed.needed_ma)} of the {_ma(fed.outlet.ma)} there, and a digital unit wants an "
        "outlet of its own"
    )
    name, there = fed.outlet.name, fed.outlet.ma
    return Fault("shared_with_digital", _blocks(fed.plugs), name, fed.needed_ma, there, text)


def notes_of(fed: Sequence[Fed]) -> Iterator[str]:
    """Yield what is allowed: another voltage than the rendered one, a return that is joined."""
    used = [each for each in fed if each.plugs]
    for each in used:
        for plug in each.plugs:
            if not plug.is_rendered_with(each.outlet.volts):
                yield (
                    f"{_named([plug])} is fed {each.outlet.volts:g} V by outlet "
                    f"{each.outlet.name} and rendered with {plug.supply_volts:g} V: it takes "
                    f"{_range(plug)}; to hear it so, set its supply_volts = {each.outlet.volts:g}"
                )
    joined = [each for each in used if not each.outlet.isolated]
    digital = [plug for each in joined for plug in each.plugs if plug.is_digital]
    if digital and len(joined) > 1:
        names = listed((each.outlet.name for each in joined), "and")
        yield (
            f"{_named(digital)} {'is' if len(digital) == 1 else 'are'} digital and on an outlet "
            f"whose return is joined with others ({names} are not isolated): where it whines, an "
            "isolated outlet is the cure"
        )


def _named(plugs: Iterable[Plug]) -> str:
    return listed((f"'{plug.unit}'" for plug in plugs), "and")


def _blocks(plugs: Iterable[Plug]) -> tuple[str, ...]:
    return tuple(block for plug in plugs for block in plug.blocks)


def _range(plug: Plug) -> str:
    if plug.highest_volts - plug.lowest_volts <= SAME_VOLTS:
        return f"{plug.lowest_volts:g} V"
    return f"{plug.lowest_volts:g} to {plug.highest_volts:g} V"


def _ranges(plugs: Iterable[Plug]) -> str:
    return listed(dict.fromkeys(map(_range, plugs)), "or")


def _volts_ma(outlet: Outlet) -> str:
    return f"{outlet.volts:g} V, {_ma(outlet.ma)}"


def _ma(ma: float) -> str:
    return f"{round(ma, 2):g} mA"
