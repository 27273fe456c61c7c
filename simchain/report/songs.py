"""What happens in a passage or a song, in words at their times, and a song's steps in loudness."""

from collections.abc import Mapping, Sequence
from typing import Any

from simchain.report.sentences import sounds_in
from simchain.report.wording import letter, listed


def moments(data: Mapping[str, Any], passage: str, amp: str | None) -> list[dict[str, Any]]:
    """Return what happens in a passage or song: `at` in seconds, and a `text`.

    `data` is what the audition page is built from. Where a song's passages begin it is said how
    much louder that is in each order, and what the board wants.
    """
    timeline = next(one["timeline"] for one in data["passages"] if one["name"] == passage)
    found = [] if timeline["parts"] else [{"at": 0.0, "text": timeline["begins"]}]
    for number, part in enumerate(timeline["parts"]):
        step = step_words(data, passage, amp, number)
        found.append({"at": part["at"], "text": ". ".join(filter(None, (part["text"], step)))})
    found += [{"at": event["at"], "text": event["text"]} for event in timeline["events"]]
    return sorted(found, key=lambda moment: moment["at"])


def step_words(data: Mapping[str, Any], song: str, amp: str | None, number: int) -> str:
    """Say how far passage `number` of a song lies above the one before it: "+4.2 LU in each order;
    +3.5 is wanted"; '' for the first, and where there is silence.
    """
    heard = sounds_in(data, song, amp)
    steps = [(letter(place), sound["steps"][number]) for place, _, sound in heard]
    changes = [(name, step["change_lu"]) for name, step in steps]
    told = _in_each([(name, f"{lu:+.1f}") for name, lu in changes if lu is not None], len(changes))
    if not told:
        return ""
    wanted = steps[0][1]["wanted_lu"]
    return told if wanted is None else f"{told}; {wanted:+.1f} is wanted"


def song_step_text(step: Mapping[str, Any]) -> str:
    """Say of one order's step what became of it: "+4.2 LU against what went before; ..."."""
    lufs = step["integrated_lufs"]
    text = "silent" if lufs is None else f"{lufs:.1f} LUFS"
    if step["change_lu"] is not None:
        text += f", {step['change_lu']:+.1f} LU against what went before"
    if step["wanted_lu"] is not None:
        text += f"; {step['wanted_lu']:+.1f} is wanted"
    return text


def clock(seconds: float) -> str:
    """Write a time as minutes and seconds: 1:05.2."""
    tenths = round(10.0 * seconds)
    return f"{tenths // 600}:{tenths % 600 / 10.0:04.1f}"


def _in_each(changes: Sequence[tuple[str, str]], orders: int) -> str:
    """Say each order's change; those of all `orders` are said once where they are the same."""
    if len(changes) == orders and len({change for _, change in changes}) == 1:
        return f"{changes[0][1]} LU" + (" in each order" if orders > 1 else "")
    told = [f"{change} LU in {name}" for name, change in changes[:1]]
    return listed(told + [f"{change} in {name}" for name, change in changes[1:]])
