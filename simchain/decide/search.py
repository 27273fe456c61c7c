"""Every order that the rules allow: how many sound apart, which sound alike, which is best.

All orders are listened to in a coarse pass (`decide.runs`), ranked by the goals of the board, and
put into groups that are expected to sound alike, best first. The best of them are listened to again
at full quality; what the full pass has heard is ranked and grouped by it.
"""

import hashlib
import time
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from threading import Event
from typing import Any

import numpy as np

from simchain.board import Allowed, Board
from simchain.chain.render import amp_name
from simchain.chain.source import clip_in_volts, clip_name
from simchain.chain.unchanged import of_unchanged_sounds
from simchain.decide.checkpoint import Checkpoint
from simchain.decide.climb import climbed
from simchain.decide.engine import engine
from simchain.decide.found import Found
from simchain.decide.goals import weights_of
from simchain.decide.library import Library
from simchain.decide.listen import Progress
from simchain.decide.places import Places
from simchain.decide.runs import COARSE, FULL
from simchain.decide.targets import with_held_against
from simchain.decide.trial import Asked, Trial
from simchain.errors import RequestError

LIMIT = 400_000

# What a passage's table says of what is wanted, not of what is heard.
_ONLY_WISHED = {"passages": {"__all__": {"above", "target_lufs", "weight"}}}


@of_unchanged_sounds
def search(
    board: Board,
    *,
    blocks: Sequence[str] | None = None,
    passages: Sequence[str] | None = None,
    amp: str | None = None,
    coarse: bool = True,
    full: bool = True,
    beam: int | None = None,
    limit: int = LIMIT,
    scheduler: str | None = None,
    local_workers: int | None = None,
    checkpoint: Path | None = None,
    progress: Progress | None = None,
    stop: Event | None = None,
) -> Found:
    """Listen to every order of `blocks` (default all of the board) that its rules allow.

    Over `passages` (default all), on `amp` (default the board's). With `coarse` all are listened to
    at a lower rate and for the first seconds, and with `full` the best of them again as they are;
    with `full` alone all are listened to at full quality. With `beam` only so many at a time are
    followed to neighbours that are better. `limit` is the most orders that are listened to without
    one. `scheduler` and `local_workers` are those of `decide.engine`. With `checkpoint` what is
    found is kept in that file, and a search that was stopped goes on from there.

    Raises RequestError for names that the board does not have, rules that allow nothing, more
    orders than the limit, a scheduler that does not answer, and a checkpoint of another search;
    ClipError for clips; StoppedError once `stop` is set.
    """
    begun = time.perf_counter()
    if not (coarse or full):
        raise RequestError("neither the coarse pass nor the full one is asked for: one is wanted")
    end = amp_name(board, amp)
    played = with_held_against(board, passages or tuple(board.passages))
    if not played:
        raise RequestError("the board has no passages to listen to; write one in [passages]")
    allowed = allowed_orders(board, blocks, has_amplifier=end is not None)
    weights, warnings = weights_of(board, played, has_amplifier=end is not None)
    with ExitStack() as stack:
        kept = None
        if checkpoint is not None:
            fingerprint = _fingerprint(board, allowed, played, end)
            kept = stack.enter_context(Checkpoint(checkpoint, fingerprint))
        workers = stack.enter_context(engine(scheduler=scheduler, local_workers=local_workers))
        asked = Asked(board, end, played, weights, allowed, workers, kept, progress, stop)
        if beam is None:
            refuse_too_many(asked, limit)
            words, rendered = allowed.words(), 0
        else:
            asked = replace(asked, library=Library())
            words, rendered = climbed(asked, beam)
        first = Trial(asked, COARSE if coarse else FULL, words)
        rendered += sum(each.tally.units for each in first.music)
        found = Places(asked, first, again=coarse and full).found(warnings)
    return replace(
        found,
        orders_visited=len(words),
        blocks_rendered=rendered,
        beam=beam,
        seconds=time.perf_counter() - begun,
    )


def allowed_orders(board: Board, blocks: Sequence[str] | None, *, has_amplifier: bool) -> Allowed:
    """Return what the rules of a board allow; raises RequestError where that is nothing."""
    allowed = Allowed(board, blocks, has_amplifier=has_amplifier)
    if allowed.count == 0:
        against = allowed.contradiction()
        if len(against) == 1:
            raise RequestError(f"no order keeps to the rule {against[0]}: loosen it in [rules]")
        raise RequestError(
            f"these rules contradict each other, no order keeps to all of them: "
            f"{'; '.join(against)}. Loosen one in [rules]"
        )
    return allowed


def refuse_too_many(asked: Asked, limit: int) -> None:
    """Raise RequestError where there are more orders than the limit: how many, and how long."""
    allowed = asked.allowed
    if allowed.count <= limit:
        return
    hours = _seconds_of_all(asked) / 3600.0 / asked.engine.workers
    raise RequestError(
        f"{allowed.count:,} orders are left by the rules, more than the limit of {limit:,}; to "
        f"listen to all would take about {_told(hours)} here. Write [rules] (first, last, before, "
        "front_only, together), name fewer blocks with --blocks, follow the best with --beam 20, "
        "or raise --limit"
    )


def _seconds_of_all(asked: Asked) -> float:
    """Return about how long one core listens to all orders in the coarse pass: one is tried.

    Not counted is what commuting neighbours save, nor what the tests of some goals take.
    """
    one = np.array([asked.allowed.first_word()], dtype=np.uint8)
    asked = replace(asked, checkpoint=None, progress=None)
    Trial(asked, COARSE, one)  # kernels load
    seconds = 0.0
    for name, tried in zip(asked.passages, Trial(asked, COARSE, one).music, strict=True):
        takes = COARSE.takes if asked.modulates(name) else 1
        a_unit = tried.tally.seconds / max(tried.tally.units, 1)
        of_all = asked.allowed.prefixes * a_unit + asked.allowed.count * tried.reading_s
        seconds += takes * of_all
    return seconds


def _told(hours: float) -> str:
    if hours < 1.0:
        minutes = max(round(hours * 60.0), 1)
        return f"{minutes} minute{'s' * (minutes > 1)}"
    if hours < 72.0:
        return f"{hours:.0f} hour{'s' * (hours >= 1.5)}"
    days = hours / 24.0
    return f"{days:,.0f} days" if days < 1000.0 else f"{days / 365.25:,.0f} years"


def _fingerprint(
    board: Board, allowed: Allowed, passages: Sequence[str], amp: str | None
) -> dict[str, Any]:
    """Return what must be the same for a checkpoint to fit, each under the name that people read.

    Rules, goals, targets and weights of passages are not in it: what was heard holds under others.
    """
    told: dict[str, Any] = {
        name if name in ("rate", "links", "tail_s") else f"[{name}]": _hash(
            board.model_dump_json(include={name}, exclude=_ONLY_WISHED)
        )
        for name in (
            "rate", "links", "tail_s", "source", "cables", "blocks", "amps", "output", "passages",
        )
    }  # fmt: skip
    clips = sorted({clip_name(board, passage) for passage in passages})
    tables = [*board.blocks.values(), *board.amps.values()]
    files = [Path(file).read_bytes() for table in tables for file in table.named_files().values()]
    return {
        **told,
        "sound of a clip": [_hash(clip_in_volts(board, name).volts.tobytes()) for name in clips],
        "content of a file beside the board": [_hash(content) for content in files],
        "choice of blocks": [list(names) for names in allowed.tokens],
        "choice of passages": list(passages),
        "choice of amplifier": amp,
        "listening_db_spl": board.judging.listening_db_spl,
    }


def _hash(what: str | bytes) -> str:
    data = what.encode() if isinstance(what, str) else what
    return hashlib.blake2b(data, digest_size=8).hexdigest()
