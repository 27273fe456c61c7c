"""Where free moves hold and where they stop holding, as JSON and as words."""

from collections.abc import Sequence
from typing import Any

from simchain.decide.conditions import CONDITIONS, Condition
from simchain.decide.holding import Held
from simchain.decide.judge import FREE_WORDS, VERDICTS
from simchain.report.numbers import number
from simchain.report.verdicts import louder
from simchain.report.wording import listed

_WHEN: dict[Condition, str] = {
    "picking_softer": "when picked 6 dB softer",
    "picking_harder": "when picked 6 dB harder",
    "volume_half": "with the guitar's volume at half",
    "volume_full": "with the guitar's volume full",
    "levels_up": "with levels 2 dB up",
    "levels_down": "with levels 2 dB down",
}
_TOGETHER: dict[tuple[Condition, Condition], str] = {
    ("picking_softer", "picking_harder"): "when picked 6 dB softer or harder",
    ("volume_half", "volume_full"): "with the guitar's volume at half or full",
    ("levels_up", "levels_down"): "with levels off by 2 dB",
}


def holding_document(held: Sequence[Held] | None) -> dict[str, Any] | None:
    """Return what JSON says of a move that was tried, None where it was not.

    `trim_lu` is the change in level that was measured, `left_lu` what the move's turn of the level
    leaves of it.
    """
    if held is None:
        return None
    conditions = [
        {
            "condition": one.condition,
            "passage": one.music,
            "verdict": one.judged.score.verdict,
            "score": number(one.judged.score.score),
            "borderline": one.judged.score.borderline,
            "trim_lu": number(one.judged.difference.trim_lu),
            "left_lu": number(one.left_lu),
            "holds": one.holds,
        }
        for one in held
    ]
    return {"holds": all(one.holds for one in held), "conditions": conditions}


def holding_words(held: Sequence[Held] | None, turn_db: float | None, *, named: bool = True) -> str:
    """Say where a move holds: "holds when picked 6 dB softer or harder", or where it stops.

    `turn_db` is the turn of the level that goes with the move, None where its level was said and
    not turned. `named` where passages are to be said. '' where nothing was tried.
    """
    if not held:
        return ""
    failed = [one for one in held if not one.holds]
    if not failed:
        return f"holds {listed(_whens({one.condition for one in held}))}"
    stops = []
    for condition in CONDITIONS:
        here = [one for one in failed if one.condition == condition]
        if here:
            where = f"in {listed([one.music for one in here])} " if named else ""
            stops.append(f"{where}{_WHEN[condition]} ({_why(here, turn_db)})")
    return f"stops holding {listed(stops)}"


def _whens(conditions: set[Condition]) -> list[str]:
    whens = []
    for pair, together in _TOGETHER.items():
        met = [condition for condition in pair if condition in conditions]
        whens += [together] if len(met) == len(pair) else [_WHEN[one] for one in met]
    return whens


def _why(failed: Sequence[Held], turn_db: float | None) -> str:
    """Say the strongest word, or how much level is left where no word is against the move."""
    score = max(
        (one.judged.score for one in failed),
        key=lambda score: (VERDICTS.index(score.verdict), score.score),
    )
    if score.verdict not in FREE_WORDS:
        return score.verdict + (", borderline" if score.borderline else "")
    left_lu = max((one.left_lu for one in failed), key=abs)
    beside = " than that" if turn_db is None else " after that turn" if turn_db != 0.0 else ""
    return louder(left_lu) + beside
