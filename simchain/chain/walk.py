"""The walk along one or more paths: the sound at `out` and what each test point reads."""

import copy
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from threading import Event
from typing import Any, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from simchain import units
from simchain.board import Board, broken_rules
from simchain.chain.source import Source
from simchain.chain.step import Headroom, reach, run
from simchain.chain.steps import PAIR, Path, Place, Step
from simchain.chain.wires import Reading, Wires
from simchain.measure.level import Level
from simchain.measure.loudness import loudness_or_rms
from simchain.measure.true_peak import true_peak_dbtp
from simchain.signal import Volts

Sound = TypeVar("Sound", bound=NDArray[Any])

MIXER_FULL_SCALE_DBU = 18.0


class StoppedError(Exception):
    """The walk was told to stop."""


@dataclass(frozen=True, eq=False)
class Point:
    """What one test point reads.

    `channels` holds the level of each channel; `level` is that of the louder one. `headroom` is
    None where there is no ceiling. `volts` has shape (channels, frames), or is None when the sound
    was not kept. `floor_volts` is the RMS of hum and hiss while nobody plays, of the louder
    channel; None when it was not asked for.
    """

    name: str
    channels: tuple[Level, ...]
    headroom: Headroom | None
    volts: Volts | None
    floor_volts: float | None = None

    @property
    def level(self) -> Level:
        """Level of the louder channel."""
        return max(self.channels, key=lambda level: level.rms_volts)


@dataclass(frozen=True, eq=False)
class Output:
    """The sound at `out` against digital full scale: always two channels.

    `samples` has shape (2, frames), full scale 1.0; a mono end is the same signal twice.
    `integrated_lufs` is BS.1770's integrated loudness, or the level by RMS where the sound is too
    short or too quiet for it (`loudness_is_rms`); `true_peak_dbtp` is BS.1770 Annex 2's.
    """

    samples: Volts
    rate: int
    integrated_lufs: float
    loudness_is_rms: bool
    true_peak_dbtp: float


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

    Steps with equal keys are run once: the paths are walked depth-first along what they share.
    Raises StoppedError before the next step once `stop` is set.
    """
    found: dict[int, Rendering] = {}
    needs_dry = any(step.joins_dry for path in paths for step in path.steps)

    def descend(group: list[int], depth: int, here: _Walker) -> None:
        branches = _branches(paths, group, depth)
        while len(branches) == 1 and None not in branches:
            _stop_if_told(stop)
            here.pass_through(paths[group[0]].steps[depth])
            depth += 1
            branches = _branches(paths, group, depth)
        if len(branches) > 1 or len(group) > 1:
            here.share()
        for index in branches.pop(None, []):
            found[index] = _rendering(board, paths[index], here, source)
        for branch in branches.values():
            _stop_if_told(stop)
            ahead = here.fork()
            ahead.pass_through(paths[branch[0]].steps[depth])
            descend(branch, depth + 1, ahead)

    descend(list(range(len(paths))), 0, _Walker(source.taken(), points, needs_dry))
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


def _stop_if_told(stop: Event | None) -> None:
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


class _Walker:
    """How far the walk has come: the wires, all readings so far, and the last step's volts.

    `dry` is what stands at the amplifier's send, where it is needed. What is no longer needed is
    written over, so that long sounds cost little memory.
    """

    def __init__(self, volts: Volts, keep: bool, needs_dry: bool):
        self.keep, self.needs_dry = keep, needs_dry
        self.wires = Wires({0: volts}, frozenset(() if keep else (0,)))
        self.read = {Place(0, 0): Reading.of(volts, keep)}
        self.headroom: dict[Place, Headroom | None] = {}
        self.dry: Volts | None = None

    def fork(self) -> "_Walker":
        """Return another one that stands here."""
        other = copy.copy(self)
        other.read, other.headroom = dict(self.read), dict(self.headroom)
        return other

    def share(self) -> None:
        """Write over nothing any more that stands here: several go on from here."""
        self.wires = self.wires.shared()

    def pass_through(self, step: Step) -> None:
        """Go on to behind `step`."""
        volts, free = self._arriving(step)
        passed = run(step, volts, free=free)
        self.headroom |= {step.input: passed.headroom_in, step.out: passed.headroom_out}
        free = free or not np.may_share_memory(volts, passed.volts)
        if step.ends:
            self.read[step.out] = Reading.of(passed.volts, self.keep)
        if step.out_is_send and self.needs_dry:
            self.dry, free = passed.volts, False
        self.wires = self.wires.behind(step, passed.volts, free=free and not self.keep)

    def _arriving(self, step: Step) -> tuple[Volts, bool]:
        """Return what reaches the unit, and whether it may be written over."""
        arrival = self.wires.arriving(step, self.read, self.keep)
        volts = reach(step, arrival.volts, self.dry)
        free = arrival.free or not np.may_share_memory(volts, arrival.volts)
        if not step.ends:
            self.wires = self.wires if step.noisy else self.wires.waiting()
            return volts, not self.wires.holds(volts)
        self.read |= arrival.readings
        if volts is not arrival.volts:
            self.read[step.input] = Reading.of(volts, self.keep)
        self.wires = Wires({})
        return volts, free and not self.keep

    def point(self, name: str, place: Place) -> Point:
        """Return what a test point at `place` reads."""
        reading = self.read[place]
        return Point(name, reading.channels, self.headroom.get(place), reading.volts)

    def output(self, full_scale: float, rate: int) -> Output:
        """Return what stands behind the last step, full scale 1."""
        (number,) = self.wires.outputs
        volts = self.wires.output(number)
        room = volts if number in self.wires.free else np.empty(volts.shape)
        samples = twice(np.divide(volts, full_scale, out=room))
        loudness, is_rms = loudness_or_rms(samples, rate)
        return Output(samples, rate, loudness, is_rms, true_peak_dbtp(samples, rate))


def _rendering(board: Board, path: Path, here: _Walker, source: Source) -> Rendering:
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


def twice(sound: Sound) -> Sound:
    """Return one channel as two without copying it; two channels stay as they are."""
    return cast(Sound, np.broadcast_to(sound, (2, sound.shape[1])))


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
