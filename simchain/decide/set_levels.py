"""The settings of level controls that put every passage where it should sit in one order."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from threading import Event

import numpy as np

from simchain.board import Board, Order
from simchain.chain.path import named_order
from simchain.chain.render import amp_name
from simchain.chain.unchanged import of_unchanged_sounds
from simchain.decide.approach import DEAR, FREE, WITHIN_LU, Approach
from simchain.decide.limits import Limit, limit_of
from simchain.decide.meter import SILENT_LUFS, Floats, Heard, Meter
from simchain.decide.targets import LevelControl, Target, controls_of, targets_of, turned
from simchain.errors import RequestError

# A meter of another make may read a little else, so a rounded setting keeps this much clear.
ROUNDED_WITHIN_LU = 0.08
FINENESSES = (1, 2, 10)
# How far down the ranges a search begins again, and how many renders a control it may take.
LOWER_DOWN = ((0.25, 5), (0.5, 3))
MOVES_LITTLE_LU, MOVES_NOTHING_LU = 0.005, 0.05

# A control turned this far that gives less than this share of it as level is said to be dear.
FAR_DB, DEAR_SHARE = 3.0, 0.5


@dataclass(frozen=True)
class PassageLevel:
    """Where one passage should sit and where it does, by a render with the settings as returned.

    Held against another passage (`above`), `target_lu` and `reached_lu` are LU above it. With
    `target_lufs` they are that target and the loudness, in LUFS. Without a target they are None.
    `reached_lufs` is the loudness at `out` in either case. `before_lu` and `before_lufs` are the
    same two figures with the board as it stands.
    """

    above: str | None
    target_lu: float | None
    before_lu: float | None
    reached_lu: float | None
    target_lufs: float | None
    before_lufs: float
    reached_lufs: float

    @property
    def is_met(self) -> bool:
        """Whether it sits within 0.1 LU of its target, or has none."""
        if self.target_lu is None or self.reached_lu is None:
            return True
        return abs(self.reached_lu - self.target_lu) <= WITHIN_LU


@dataclass(frozen=True, eq=False)
class LevelSettings:
    """Settings found for one order on one amplifier.

    `settings` and `before` map blocks to their controls' values: as found, and as the board has
    them. `board` is the board with the settings in it. `renders` counts the renders of each
    passage until the settings were found, the last one included; `curve_renders` those that were
    made on top to say why a target cannot be met. `limits` has an entry for each such passage.
    """

    board: Board
    order: str
    amp: str | None
    settings: Mapping[str, Mapping[str, float]]
    before: Mapping[str, Mapping[str, float]]
    passages: Mapping[str, PassageLevel]
    renders: Mapping[str, int]
    curve_renders: Mapping[str, int]
    limits: Mapping[str, Limit]
    warnings: tuple[str, ...]

    @property
    def changes(self) -> dict[tuple[str, ...], float]:
        """What `simchain.board.write.save` has to change in the board's file."""
        return {
            ("blocks", block, name): value
            for block, controls in self.settings.items()
            for name, value in controls.items()
            if value != self.before[block][name]
        }


@of_unchanged_sounds
def set_levels(
    board: Board,
    order: str | Order,
    *,
    amp: str | None = None,
    passages: Sequence[str] | None = None,
    progress: Callable[[str], None] | None = None,
    stop: Event | None = None,
) -> LevelSettings:
    """Find the settings of level controls that put every passage where it should sit in `order`.

    Targets are each passage's `above` and `target_lufs`; a passage that has none and that others
    are held against keeps its loudness unless that stands in the way. `passages` (default all)
    take along what they are held against. Which controls are turned says [set_levels] controls,
    or see `simchain.decide.targets.controls_of`; each stays in its usual range and is turned no
    more than needed, and a passage's own `set` of a control stays in force. Every figure returned
    was measured on a render with the settings returned. `progress` is told what is done.

    Raises RequestError for names that the board does not have, when no passage has a target, and
    for a control that cannot be turned or moves no target; ClipError for the board's clips;
    StoppedError once `stop` is set.
    """
    name, sequence = named_order(board, order)
    amp = amp_name(board, amp)
    chosen, targets = targets_of(board, passages)
    controls, warnings = controls_of(board, sequence, targets)
    meter = Meter(board, order, amp, chosen, controls, progress, stop)
    values, moving = _found(meter, targets, insists=not passages)
    used = [control for control, moves in zip(controls, moving, strict=True) if moves]
    placed = dict(zip(controls, (float(value) for value in values), strict=True))
    final_board = turned(board, {control: placed[control] for control in used})
    final = Meter(final_board, order, amp, chosen, (), progress, stop)
    heard = final.heard([np.zeros(0)])[0]
    renders = {p: meter.renders[p] + final.renders[p] for p in chosen}
    start = np.array([control.start for control in controls])
    before = meter.heard([start])[0]
    levels = _levels(targets, before, heard)
    turned_by = {control: placed[control] - control.start for control in used}
    told = [*warnings, *_dear(meter, turned_by, levels), *_clipping(before, heard)]
    limits = {
        target.passage: limit_of(meter, values, target, targets)
        for target in targets
        if not levels[target.passage].is_met
    }
    return LevelSettings(
        board=final_board,
        order=name,
        amp=amp,
        settings=_by_block({control: placed[control] for control in used}),
        before=_by_block({control: control.start for control in used}),
        passages=levels,
        renders=renders,
        curve_renders={p: meter.renders[p] + final.renders[p] - renders[p] for p in chosen},
        limits=limits,
        warnings=(*told, *dict.fromkeys(w for one in heard.values() for w in one.warnings)),
    )


def _dear(
    meter: Meter,
    turned_by: Mapping[LevelControl, float],
    levels: Mapping[str, PassageLevel],
) -> Iterator[str]:
    """Say where a control was turned far for little level: what follows it takes the rest."""
    for control, change in turned_by.items():
        if not control.unit.startswith("dB") or abs(change) < FAR_DB:
            continue
        for passage, level in levels.items():
            acting = [each for each in turned_by if _acts(meter, each, passage)]
            others = [each for each in acting if each != control and turned_by[each] != 0.0]
            gained = level.reached_lufs - level.before_lufs
            if control not in acting or others or abs(gained) >= DEAR_SHARE * abs(change):
                continue
            yield (
                f"{control} is turned by {change:+.1f} {control.unit} and makes {passage} only "
                f"{gained:+.1f} LU louder: what follows {control.block} takes the rest, as dirt or "
                f"evened out; behind it, about {gained:+.1f} dB would do"
            )
            break


def _acts(meter: Meter, control: LevelControl, passage: str) -> bool:
    return bool(meter.acting[meter.passages.index(passage), meter.controls.index(control)])


def _clipping(before: Mapping[str, Heard], after: Mapping[str, Heard]) -> Iterator[str]:
    """Say what clips with the settings found, and did not, or by 1 dB less, before."""
    for passage, heard in after.items():
        for point, over_db in heard.over_db.items():
            if over_db > before[passage].over_db.get(point, 0.0) + 1.0:
                yield f"with these settings {point} clips in {passage}, {over_db:.1f} dB over"


def _found(meter: Meter, targets: Sequence[Target], *, insists: bool) -> tuple[Floats, list[bool]]:
    """Return the controls' values, rounded, and which controls move a target at all.

    Raises RequestError when a passage is silent, and for a control that the board names and that
    moves no target, unless it does not insist.
    """
    search = Approach(meter, targets)
    _refuse_silence(meter, targets, search.lufs)
    moving = [True] * len(meter.controls)
    if not meter.controls or np.abs(search.missed).max() <= ROUNDED_WITHIN_LU:
        return search.start, moving
    search.probe()
    moving = [_moves(search, place) for place in range(len(meter.controls))]
    if meter.board.set_levels.controls and insists and not all(moving):
        raise RequestError(_moves_nothing(search, moving.index(False)))
    search.hold(np.array(moving))
    if any(moving):
        search = _searched(search)
    return _rounded(search), moving


def _searched(search: Approach) -> Approach:
    """Turn the controls: from where they are, then from lower down, then with less where in vain.

    All together render no passage 15 times a control, the rounding and the last render included.
    """
    count = search.at.size
    most, limit = 14 * count - 4, 4 + 3 * count
    search.run(FREE, limit)
    tried = [search]
    for share, renders in LOWER_DOWN if count > 1 else ():
        if tried[-1].meets_all_targets:
            break
        tried.append(search.from_lower_down(share))
        limit = min(limit + renders * count, most - 8)
        tried[-1].run(FREE, limit)
    best = min(tried, key=lambda one: float(np.abs(one.missed).sum()))
    if best.meets_all_targets:
        return best
    modest = best.going_home_to(search)
    modest.run(DEAR, most if count == 1 else most - 4)
    chosen = modest if modest.meets_all_of(best) else best
    others = chosen.giving_up_what_it_misses()
    others.run(FREE, most)
    return others


def _rounded(search: Approach) -> Floats:
    """Return the values as they go into the file: as coarse as the targets allow."""
    exact, controls = search.values(search.at), search.meter.controls
    met = np.abs(search.missed) <= WITHIN_LU
    values = exact
    for fineness in FINENESSES:
        values = np.array(
            [
                control.start if step == 0.0 else control.rounded(float(value), fineness)
                for control, value, step in zip(controls, exact, search.at, strict=True)
            ]
        )
        missed = np.abs(search.missed_with(values))
        if (missed[met] <= ROUNDED_WITHIN_LU).all():
            break
    return values


def _moves(search: Approach, place: int) -> bool:
    """Tell whether a control moves a target: where it stands, or else far from there."""
    count = len(search.targets)
    if np.abs(search.wishes.rows[:count] @ search.slopes[:, place]).max() > MOVES_LITTLE_LU:
        return True
    missed = np.array([search.wishes.missed(lufs)[:count] for lufs in search.heard_far(place)])
    return bool(np.abs(missed - search.missed).max() > MOVES_NOTHING_LU)


def _moves_nothing(search: Approach, place: int) -> str:
    control, meter = search.meter.controls[place], search.meter
    start = f"[set_levels] controls: '{control}' moves no target"
    tied = [name in {p for t in search.targets for p in t.passages} for name in meter.passages]
    if not meter.acting[tied, place].any():
        return (
            f"{start}: in every passage that has one, and what it is held against, "
            f"{control.block} is off or has its own {control.name}; name another control"
        )
    low, high = search.far(place)
    span = f"turned from {low:g} to {high:g} {control.unit}".strip()
    if np.abs(search.heard_far(place) - search.lufs)[:, tied].max() > MOVES_NOTHING_LU:
        return (
            f"{start}: {span}, it moves passages and what they are held against alike; name one "
            "of a block that is on in only one of them"
        )
    return f"{start}: {span}, it changes the loudness of no passage; name another control"


def _refuse_silence(meter: Meter, targets: Sequence[Target], lufs: Floats) -> None:
    for target in targets:
        for passage in target.passages:
            if lufs[meter.passages.index(passage)] <= SILENT_LUFS:
                raise RequestError(
                    f"passage '{passage}' is silent in this order, so nothing can be set by its "
                    "loudness; look for a tuner that is on, a volume at 0 or a silent clip"
                )


def _levels(
    targets: Sequence[Target], before: Mapping[str, Heard], after: Mapping[str, Heard]
) -> dict[str, PassageLevel]:
    old = {name: one.lufs for name, one in before.items()}
    new = {name: one.lufs for name, one in after.items()}
    of = {target.passage: target for target in targets}
    return {
        name: PassageLevel(
            above=of[name].against if name in of else None,
            target_lu=of[name].lu if name in of else None,
            before_lu=of[name].reached(old) if name in of else None,
            reached_lu=of[name].reached(new) if name in of else None,
            target_lufs=of[name].lu if name in of and of[name].against is None else None,
            before_lufs=old[name],
            reached_lufs=new[name],
        )
        for name in new
    }


def _by_block(settings: Mapping[LevelControl, float]) -> dict[str, dict[str, float]]:
    found: dict[str, dict[str, float]] = {}
    for control, value in settings.items():
        found.setdefault(control.block, {})[control.name] = value
    return found
