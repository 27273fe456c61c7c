"""What the sheets of a plan tell: steps, cautions and rules, in sentences of our own."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from simchain.report.wording import capital, listed, spoken

KINDS = {
    "instrument": "instrument",
    "patch": "patch lead",
    "send": "send",
    "return": "return",
    "amplifier": "amplifier",
}

GROUND_LOOP = (
    "Hum with the split and not in series: the screens of the cables form a loop between board and "
    "amplifier. Lay the four cables together, side by side, all the way.",
    "Power board and amplifier from one outlet of the wall.",
    "Feed the units from isolated outlets of the supply.",
    "Still there: an isolating transformer in the send or in the return, one of them, not both.",
)
NEVER_LIFT = (
    "Never lift the protective earth: not at the plug, not with an adapter, not for one song."
)

CAUTIONS = (
    "Local codes and licensed practice go first; what is printed here comes after them.",
    "Mains: whole plugs and leads, no drinks on the floor, an outlet with a residual-current "
    "device. Mains wiring, also inside the supply, is for licensed people.",
    "Valve amplifiers: never run one without its speaker or a load in place of it. Inside are "
    "lethal voltages, also long after it was unplugged: leave it shut.",
    "Polarity and voltage: read both on the unit and on the lead, and measure the lead, before the "
    "first switch-on. The wrong ones can destroy a unit at once.",
    "Hearing: first sound with the volume down, then up slowly; a loud rehearsal wants ear plugs "
    "and rests.",
)

SWAYS_SAY = "Two figures: the reading sways between them, and a slow meter shows something between."
ROUGH_SAY = (
    "In italics with ~: behind an echo or a room that is on, the tone meets its own echoes and a "
    "meter may read several dB off. To check those jacks, switch the echo or room off; then they "
    "read about what its input reads."
)
STEREO_SAY = "Where there are two channels, the figure is that of the louder one."

AFTER_BUILD = (
    "Shake and listen: volume low, everything on, no playing. Press each plug sideways, bend each "
    "lead where it leaves its plug, tap each unit. What crackles is opened now, not on stage.",
    "Strain relief: every lead that leaves the board is held at the board's edge, with a loop of "
    "slack before it. A tie holds and does not squeeze: two fingers can still turn the lead.",
    "Felt between a plug and what stands beside it: metal on metal buzzes, and joins two housings.",
    "Power leads cross signal leads at a right angle, and do not run along them.",
)
COUNT_RULE = (
    "One tie for each patch lead and each power lead; four dots of hook and loop under each unit, "
    "six under one wider than 100 mm, six for the supply (common practice, no source)."
)

PACK_UP = "Packing up: volume down, standby or channel muted, all off, then the cables."


def feeding(document: Mapping[str, Any]) -> Iterator[str]:
    """Yield how the tone is fed in and read, a step each."""
    yield (
        "Play the tone in a loop from a phone or an interface, through an adapter to a plain plug, "
        "into the guitar's cable; equalizers and loudness helpers of the phone off."
    )
    yield (
        "Meter on AC millivolts, tip against sleeve. At the far end of the guitar's cable, not "
        f"plugged in yet, turn the tone up until it reads {document['tones']['fed_mv']:g} mV; then "
        "plug in. Many meters are right up to some 400 Hz only: read both tones at this point, and "
        "take the difference off."
    )
    yield (
        f"{'Amplifier on standby' if document['amps'] else 'Channel of the mixer muted'}. Set what "
        "the passage has on, then go from jack to jack: a plug half out, or a patch lead pulled at "
        "its far end, shows the tip. What is read with a lead pulled is a little higher than here, "
        "where every input loads the one before."
    )
    if document["in_loop"]:
        yield (
            "For the amplifier's send, and all behind it, the amplifier must be on: speaker "
            "connected, its volume behind the loop at zero. What the send reads hangs on its gain "
            "and tone controls."
        )
    yield (
        "Within 2 dB (a fifth less, a quarter more) all is well: controls are not that exact. A "
        "jack that is far off, while the one before it is right, names the unit or the lead "
        "between."
    )
    if document["amps"]:
        yield "Do not measure at the speaker of a valve amplifier."


def set_up(document: Mapping[str, Any]) -> Iterator[str]:
    """Yield what is done on stage before the first note, a step each."""
    amps = len(document["amps"])
    end = ("Amplifier" if amps == 1 else "Amplifiers") if amps else "Mixer's channel"
    if amps:
        yield f"{end} on standby, volume down, speaker connected."
        yield f"Board and {end.lower()} to the same outlet of the wall."
    else:
        yield f"{end} muted, its fader down."
    if any(outlet["higher"] for outlet in document["power"]):
        yield "Leads of a higher voltage where they belong (sheet 3)."
    yield "Supply on: every lamp lit."
    loop = ", send, return" if document["in_loop"] else ""
    yield f"Cables by their numbers: guitar{loop}, {end.lower()}."
    if any(block["kind"] == "tuner" for block in document["controls"].values()):
        yield "Tuner on: silent. Tune."
    if amps:
        yield "Off standby after a minute of warming up; volume up slowly."
    else:
        yield "Channel open, fader up slowly; agree on the level with who mixes."
    yield "Step through the passages once: what is on, and each level against the first."


def jack_words(jack: str, side: str | None) -> str:
    """Return a jack and the side it sits on: "grit.in (right)"."""
    return f"{jack} ({side})" if side else jack


def length_words(metres: float) -> str:
    """Return a length as it is measured: centimetres below one metre."""
    if metres < 0.9995:
        return f"{math.ceil(round(metres * 100.0, 3))} cm"
    return f"{metres:.2f} m"


def buy_words(metres: float) -> str:
    """Return a length as it is sold."""
    return f"{metres * 100.0:.0f} cm" if metres < 1.0 else f"{metres:g} m"


def plugs_words(plugs: Sequence[str]) -> str:
    """Return the plugs of a cable to buy: "both angled", "angled and straight"."""
    return f"both {plugs[0]}" if len(set(plugs)) == 1 else listed(plugs)


def kind_words(cable: Mapping[str, Any]) -> str:
    """Return what a cable is for, and that it is one of a pair."""
    kind = "mixer" if cable["to"].startswith("mixer.") else KINDS[cable["kind"]]
    return kind + (", stereo pair" if cable["stereo"] else "")


def way_sentences(way: Mapping[str, Any]) -> Iterator[str]:
    """Yield what is done to get from one patching to the other, a step each."""
    for cable in way["pulled"]:
        yield f"Unplug {_lead(cable)}, and lay it aside."
    for cable in way["moved"]:
        kept = "new_from" if cable["from"] == cable["new_from"] else "new_to"
        old, new = ("to", "new_to") if kept == "new_from" else ("from", "new_from")
        yield (
            f"The cable in {cable[kept]} stays there; its other end moves from {cable[old]} to "
            f"{cable[new]}."
        )
    for cable in way["added"]:
        yield f"Plug in {_lead(cable)} ({KINDS[cable['kind']]})."


def _lead(cable: Mapping[str, Any]) -> str:
    """Name a lead by its ends, and by its number where it is on the sheet of cables."""
    ends = f"from {cable['from']} to {cable['to']}"
    return f"lead {cable['number']}, {ends}" if cable["number"] else f"a lead {ends}"


def bag_sentence(facts: Mapping[str, Any]) -> str:
    """Say which patch leads to keep in the bag for a loop that is dead."""
    bag = facts["bag"]
    if not bag:
        return "No further lead is needed for it."
    leads = listed([f"{one['from']} to {one['to']} ({buy_words(one['buy_m'])})" for one in bag])
    few = "one patch lead" if len(bag) == 1 else f"{len(bag)} patch leads"
    return f"Keep in the bag: {few}, {leads}."


def power_leads(document: Mapping[str, Any]) -> str:
    """Say how many power leads are wanted, and where one lead feeds several units."""
    fed = {outlet["outlet"]: len(outlet["units"]) for outlet in document["power"]}
    splits = [f"outlet {name}: one that splits into {n}" for name, n in fed.items() if n > 1]
    own = sum(n == 1 for n in fed.values())
    told = f"Power leads: {own} with one plug each and one spare" if own else "Power leads"
    return f"{told}; {listed(splits)}." if splits else f"{told}."


def marks(outlet: Mapping[str, Any]) -> Iterator[str]:
    """Yield what is marked on a lead that harms other units: a higher voltage, another polarity."""
    units = listed([unit["unit"] for unit in outlet["units"]])
    harm = "In any other unit it is the costly accident."
    if outlet["higher"]:
        yield f"{outlet['volts']:g} V: only into {units}. {harm}"
    if outlet["polarity"] != "centre-negative":
        yield f"{capital(outlet['polarity'])}: only into {units}. {harm}"


def higher_sentence(each: Mapping[str, Any]) -> str:
    """Say what a higher voltage brings a block, in headroom."""
    block, volts = each["block"], f"{each['higher_volts']:g} V"
    offer = f"{capital(block)} takes {volts} too (outlet {listed(each['outlets'])})"
    if not each["higher_rail_volts"] or each["higher_rail_volts"] <= (each["rail_volts"] or 0.0):
        return f"{offer}: it gains nothing by it."
    rooms = [
        f"at its {jack} from {room['before_db']:.1f} to {room['after_db']:.1f} dB "
        f"({spoken(room['passage'])})"
        for jack, room in (("input", each["at_input"]), ("output", each["at_output"]))
        if room and room["before_db"] is not None and room["after_db"] is not None
    ]
    rails = f"clips at {each['higher_rail_volts']:g} V peak in place of {each['rail_volts']:g}"
    return f"{offer}: it {rails}" + (f"; least headroom {listed(rooms)}." if rooms else ".")


def level_words(passage: Mapping[str, Any], *, is_first: bool) -> str:
    """Return a passage's level on the stage card: against the first, and what was wanted."""
    lu = passage["lu_against_first"]
    if is_first:
        return "0 LU, the first" if lu is not None else "silent"
    told = "silent" if lu is None else f"{round(lu, 1) + 0.0:+.1f} LU".replace("-", "−")
    above = passage["above"]
    if above is None:
        return told
    wanted = f"{above['lu']:+g}".replace("-", "−") if above["lu"] else "as loud"
    if passage["lu_above"] is None:
        return told
    reached = f"{round(passage['lu_above'], 1) + 0.0:+.1f}".replace("-", "−")
    return f"{told}; {reached} against {spoken(above['passage'])}, wanted {wanted}"


def reading_words(reading: Mapping[str, Any]) -> str:
    """Return what a meter reads in mV: one figure, or a range where it sways."""
    low, high = reading["low_mv"], reading["high_mv"]
    told = f"{_mv(low)}–{_mv(high)}" if reading["sways"] else _mv(reading["mv"])
    return f"~ {told}" if reading["rough"] else told


def _mv(millivolts: float) -> str:
    if millivolts < 0.05:
        return "0"
    millivolts = float(f"{millivolts:.3g}")
    return f"{millivolts:.0f}" if millivolts >= 100.0 else f"{millivolts:.1f}"
