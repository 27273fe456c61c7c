"""The walk along one or more paths: the sound at `out` and what each test point reads."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from threading import Event
from typing import TypeVar

from simchain import units
from simchain.board import Board, broken_rules
from simchain.chain.source import Source
from simchain.chain.steps import PAIR, Path
from simchain.chain.walker import Output, Point, Walker, twice
from simchain.signal import Volts

Read = TypeVar("Read")

MIXER_FULL_SCALE_DBU = 18.0


class StoppedError(Exception):
    """The walk was told to stop."""


@dataclass(frozen=True, eq=False)
class Rendering:
    """One passage or song rendered in one order, on one amplifier or into the mixer.

    `quiet` is what is at `out` while nobody plays, shape (2, frames), full scale 1.0; None when it
    was not asked for.
    """

    path: Path
    rate: int
    points: dict[str, Point]
    output: Output
    warnings: tuple[str, ...]
    quiet: Volts | None = None

    def without_sounds(self) -> "Rendering":
        """Return it without the sounds of its test points, which are large."""
        bare = {name: replace(point, volts=None) for name, point in self.points.items()}
        return replace(self, points=bare)

    @property
    def order(self) -> str:
        """Name of the order."""
        return self.path.order_name

    @property
    def passage(self) -> str:
        """Name of the passage, or of the song."""
        return self.path.timeline.name

    @property
    def amp(self) -> str | None:
        """Name of the amplifier, or None at a mixer input."""
        return self.path.amp_name

    @property
    def left_out(self) -> tuple[str, ...]:
        """Blocks that the passage switches on and the order does not have."""
        return self.path.left_out


def walk(
    board: Board,
    paths: Sequence[Path],
    source: Source,
    *,
    points: bool = False,
    stop: Event | None = None,
) -> list[Rendering]:
    """Render `paths`, all of one passage and so of one source, in the order given.

    Raises StoppedError before the next step once `stop` is set.
    """
    needs_dry = any(step.joins_dry for path in paths for step in path.steps)
    walker = Walker(source.taken(), keep=points, needs_dry=needs_dry)
    return at_ends(paths, walker, lambda path, here: rendering_of(board, path, here, source), stop)


def at_ends(
    paths: Sequence[Path],
    walker: Walker,
    read: Callable[[Path, Walker], Read],
    stop: Event | None = None,
) -> list[Read]:
    """Return what is read at the end of each path, all of which start where `walker` stands.

    Steps with equal keys are run once: the paths are walked depth-first along what they share.
    Raises StoppedError before the next step once `stop` is set.
    """
    found: dict[int, Read] = {}

    def descend(group: list[int], depth: int, here: Walker) -> None:
        branches = _branches(paths, group, depth)
        while len(branches) == 1 and None not in branches:
            stop_if_told(stop)
            here.pass_through(paths[group[0]].steps[depth])
            depth += 1
            branches = _branches(paths, group, depth)
        if len(branches) > 1 or len(group) > 1:
            here.share()
        for index in branches.pop(None, []):
            found[index] = read(paths[index], here)
        for branch in branches.values():
            stop_if_told(stop)
            ahead = here.fork()
            ahead.pass_through(paths[branch[0]].steps[depth])
            descend(branch, depth + 1, ahead)

    descend(list(range(len(paths))), 0, walker)
    return [found[index] for index in range(len(paths))]


def _branches(
    paths: Sequence[Path], group: Sequence[int], depth: int
) -> dict[bytes | None, list[int]]:
    """Group paths by the key of their step at `depth`; None are those that end there."""
    branches: dict[bytes | None, list[int]] = {}
    for index in group:
        steps = paths[index].steps
        branches.setdefault(steps[depth].key if depth < len(steps) else None, []).append(index)
    return branches


def stop_if_told(stop: Event | None) -> None:
    """Raise StoppedError once `stop` is set."""
    if stop is not None and stop.is_set():
        raise StoppedError


def full_scale_volts(board: Board, amp: str | None) -> float:
    """Return the peak volts at `out` that are digital full scale, one figure for every order."""
    from simchain.amp import full_scale_dbu

    level = board.output.full_scale_dbu
    if level is None:
        names = amp.split(PAIR) if amp else []
        levels = [full_scale_dbu(board.amps[name]) for name in names]
        level = max(levels, default=MIXER_FULL_SCALE_DBU)
    return units.dbu_to_peak_volts(level)


def rendering_of(board: Board, path: Path, here: Walker, source: Source) -> Rendering:
    """Return what a walker that stands at the end of a path has read."""
    points = {name: here.point(name, place) for name, place in path.points.items()}
    if path.amp_name and PAIR in path.amp_name:
        points = _with_second_amplifier(points)
    points["out"] = _in_two_channels(points["out"])
    output = here.output(full_scale_volts(board, path.amp_name), board.rate)
    warnings = (*_warnings(board, path, source), *_no_loudness(path, output))
    return Rendering(path, board.rate, points, output, warnings)


def _with_second_amplifier(points: dict[str, Point]) -> dict[str, Point]:
    """Give each amplifier of a pair its own points: amp.in and amp2.in, speaker and speaker2."""
    split: dict[str, Point] = {}
    for name, point in points.items():
        stem, dot, rest = name.partition(".")
        if stem not in ("amp", "speaker"):
            split[name] = point
            continue
        for place, own in enumerate((name, f"{stem}2{dot}{rest}")):
            volts = None if point.volts is None else point.volts[place : place + 1]
            split[own] = replace(point, name=own, channels=(point.channels[place],), volts=volts)
    return split


def _in_two_channels(point: Point) -> Point:
    volts = None if point.volts is None else twice(point.volts)
    return replace(point, channels=(point.channels * 2)[:2], volts=volts)


def _no_loudness(path: Path, output: Output) -> Iterator[str]:
    """Say where a sound has no loudness, and what stands in for it."""
    if not math.isfinite(output.integrated_lufs):
        yield f"'{path.timeline.name}' is silent in order '{path.order_name}'"
    elif output.loudness_is_rms:
        yield (
            f"'{path.timeline.name}' is too short or too quiet to have a loudness (ITU-R BS.1770 "
            "takes 400 ms, above -70 LUFS): it is matched and judged by its RMS"
        )


def _warnings(board: Board, path: Path, source: Source) -> tuple[str, ...]:
    found = list(source.warnings)
    found += [
        f"order '{path.order_name}' breaks a rule; {sentence}"
        for sentence in broken_rules(board, path.order)
    ]
    if path.left_out:
        found.append(
            f"order '{path.order_name}' has no {', '.join(path.left_out)}: "
            f"left out of '{path.timeline.name}'"
        )
    return tuple(found)
