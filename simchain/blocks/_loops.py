"""The loop of a looper, and of a delay, which has one after its repeats.

What is done to it is a row of `Take`s in time order:

- `record` begins a take in place of what the loop held, at once and from any state.
- `play` ends a take and plays the loop from its start; at rest it plays from its start; while
  overdubbing it ends that and plays on; while playing it changes nothing.
- `overdub` does as `play` and adds the live sound to the loop from then on.
- `stop` ends a take; what plays fades out. The loop then rests, rewound.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simchain import units
from simchain.blocks.base import Moment, Take
from simchain.signal import Volts

SEAM_MS = 5.0
STOP_MS = 10.0
LONGEST_PIECE = 32_768


@dataclass(frozen=True)
class Loop:
    """What a loop does with `feedback` (0 to 1), `loop_db`, `max_s`, and playing `late_s` late.

    Of a take x of L frames, F = 5 ms beyond its end are recorded too (L when it is shorter), and
    faded linearly into its start::

        loop[n] = (1 - w) x[L + n] + w x[n],   w = (n + 1) / (F + 1),   n = 0 .. F - 1

    Where the two sides agree, as they do for a phrase that goes round, linear weights keep the
    level; those of equal power would add 3 dB. Each frame comes back every L frames exactly.

    A pass of overdub leaves a x + (1 - (1 - feedback) a) loop[n] where loop[n] was, and loop[n] is
    what is heard meanwhile; a is 1, and fades linearly in 5 ms when overdub comes and goes.
    Playing fades in over 5 ms from rest and out over 10 ms. All of this is common practice, no
    source. A take ends by itself at `max_s`, and the loop then rests.

    A layer is recorded where it was heard against the loop: `late_s` moves only the first round.
    """

    feedback: float
    loop_db: float
    max_s: float
    late_s: float = 0.0

    def played(self, volts: Volts, now: Moment) -> Volts:
        """Return `volts`, shape (channels, frames), and what the loop plays under `now.takes`.

        Each channel has a line of its own. Takes behind the last frame do nothing. Besides the
        result, memory is needed for the loop itself and 0.3 MB a channel.
        """
        machine = _Machine(self, volts, now.rate)
        for take in now.takes:
            if take.frame >= volts.shape[1]:
                break
            machine.does(take)
        machine.runs_to(volts.shape[1])
        return machine.out

    def problems(self, takes: Sequence[Take], rate: int) -> list[str]:
        """Return what is asked of the loop and cannot be, a sentence each with its time."""
        return take_problems(takes, self.max_s, rate)


def take_problems(takes: Sequence[Take], max_s: float, rate: int) -> list[str]:
    """Return what is wrong with `takes`, in time order and frames of `rate`, a sentence each.

    That is playing or overdubbing what was never recorded, and a take longer than `max_s`. A stop
    where nothing runs is in order, and so is a take without an end: it is never heard.
    """
    found: list[str] = []
    began: int | None = None
    holds = False
    for take in takes:
        if take.do == "record":
            began, holds = take.frame, False
            continue
        at = f"{take.do} at {_seconds(take.frame, rate)} s"
        if began is not None:
            length, holds = take.frame - began, take.frame > began
            if length > longest_take(max_s, rate):
                found.append(
                    f"{at} ends a take of {_seconds(length, rate)} s that began at "
                    f"{_seconds(began, rate)} s: the loop holds {max_s:g} s"
                )
            began = None
        if take.do != "stop" and not holds:
            found.append(f"{at}: nothing is recorded yet")
    return found


def longest_take(max_s: float, rate: int) -> int:
    """Return how many frames a loop of `max_s` holds."""
    return max(1, round(max_s * rate))


def _seconds(frames: int, rate: int) -> str:
    return f"{round(frames / rate, 3):g}"


class _Fade:
    """A gain that rests at `before` and goes to 0 or 1 in a straight line from `frame` on.

    From 0 to 1 or back takes it `length` frames; those are the ones between the ends.
    """

    def __init__(self, frame: int, before: float, towards: float, length: int) -> None:
        self.frame, self.before, self.towards = frame, before, towards
        self.slope = (1.0 if towards > before else -1.0) / (length + 1)
        self.arrives = frame + int(abs(towards - before) * (length + 1) + 0.5)

    def at(self, start: int, stop: int) -> Volts | float:
        """Return the gains of frames `start` to `stop`: one number where all are the same."""
        if start >= self.arrives:
            return self.towards
        steps = np.arange(start + 1 - self.frame, stop + 1 - self.frame)
        gains: Volts = np.clip(self.before + self.slope * steps, 0.0, 1.0)
        return gains

    def turned(self, frame: int, towards: float, length: int) -> "_Fade":
        """Return the fade that goes on from `frame` to `towards`."""
        reached = np.clip(self.before + self.slope * (frame - self.frame), 0.0, 1.0)
        before = self.towards if frame >= self.arrives else float(reached)
        return _Fade(frame, before, towards, length)


class _Machine:
    """One loop on its way through a passage; `out` is the live sound and what the loop played."""

    def __init__(self, loop: Loop, volts: Volts, rate: int) -> None:
        self.volts, self.out = volts, volts.copy()
        self.kept, self.gain = loop.feedback, units.db_to_ratio(loop.loop_db)
        self.late, self.longest = round(loop.late_s * rate), longest_take(loop.max_s, rate)
        self.seam, self.stopping = round(SEAM_MS / 1e3 * rate), round(STOP_MS / 1e3 * rate)
        self.held: Volts | None = None
        self.recorded_from: int | None = None
        self.played_from: int | None = None
        self.level = self.added = _Fade(0, 0.0, 0.0, self.seam)
        self.reached = 0

    def does(self, take: Take) -> None:
        """Run to the take's frame, and do it."""
        self.runs_to(take.frame)
        if take.do == "record":
            self._fade_out()
            self.held, self.recorded_from = None, take.frame
            return
        self._end_take()
        if take.do == "stop":
            self._fade_out()
        elif self.held is not None:
            self._start()
            wanted = 1.0 if take.do == "overdub" else 0.0
            frame = max(self.reached, self.played_from or 0)
            self.added = self.added.turned(frame, wanted, self.seam)

    def runs_to(self, frame: int) -> None:
        """Play what the loop plays until `frame`."""
        if self.held is not None and self.played_from is not None:
            self._play(self.held, self.played_from, self.reached, frame)
        self.reached = frame

    def _end_take(self) -> None:
        if self.recorded_from is None:
            return
        first, self.recorded_from = self.recorded_from, None
        last = min(self.reached, first + self.longest)
        if last > first:
            self.held = self.volts[:, first:last].copy()
            self._close_seam(self.held, last)

    def _close_seam(self, held: Volts, last: int) -> None:
        """Fade what was played after frame `last` into the loop's start."""
        seam = min(self.seam, held.shape[1])
        beyond = self.volts[:, last : last + seam]
        weights = np.arange(1, seam + 1) / (seam + 1)
        held[:, :seam] *= weights
        held[:, : beyond.shape[1]] += (1.0 - weights)[: beyond.shape[1]] * beyond

    def _start(self) -> None:
        if self.played_from is None:
            self.played_from = self.reached + self.late
            self.level = _Fade(self.played_from, 0.0, 1.0, self.seam)
            self.added = _Fade(self.played_from, 0.0, 0.0, self.seam)

    def _fade_out(self) -> None:
        """Let what plays fade out from here on, and rewind; what comes next sounds over it.

        The fade is written at once. Whoever plays again within these 10 ms may already hear what
        overdub, fading out in them, has yet to write: at most 5 ms of the loop.
        """
        if self.held is not None and self.played_from is not None:
            start, stop = self.reached, min(self.reached + self.stopping, self.out.shape[1])
            self.level = self.level.turned(start, 0.0, self.stopping)
            self.added = self.added.turned(start, 0.0, self.seam)
            self._play(self.held, self.played_from, start, stop)
        self.played_from = None

    def _play(self, held: Volts, origin: int, start: int, stop: int) -> None:
        """Add to frames `start` to `stop` of `out` a loop whose start is at frame `origin`."""
        start = max(start, origin)
        settled = stop if self.added.towards else min(max(start, self.added.arrives), stop)
        self._play_rounds(held, origin, start, settled)
        if held.shape[1] < LONGEST_PIECE and settled < stop:
            held = np.tile(held, LONGEST_PIECE // held.shape[1])
        self._play_rounds(held, origin, settled, stop)

    def _play_rounds(self, held: Volts, origin: int, start: int, stop: int) -> None:
        """Play and overdub, in pieces that do not cross the loop's end."""
        while start < stop:
            place = (start - origin) % held.shape[1]
            end = start + min(stop - start, held.shape[1] - place, LONGEST_PIECE)
            heard = held[:, place : place + end - start]
            self.out[:, start:end] += (self.gain * self.level.at(start, end)) * heard
            if start < self.added.arrives or self.added.towards:
                share = self.added.at(start, end)
                heard *= 1.0 - (1.0 - self.kept) * share
                heard += share * self.volts[:, start:end]
            start = end
