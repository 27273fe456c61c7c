"""One walk along a path: the sound as far as it has come, and what each test point read."""

import copy
from dataclasses import dataclass
from typing import Any, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from simchain.chain.step import Headroom, Passed, Tally, reach, run
from simchain.chain.steps import Place, Step
from simchain.chain.wires import Reading, Wires
from simchain.measure.level import Level
from simchain.measure.loudness import loudness_or_rms
from simchain.measure.true_peak import true_peak_dbtp
from simchain.signal import Volts

Sound = TypeVar("Sound", bound=NDArray[Any])


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


class Walker:
    """How far the walk has come: the wires, all readings so far, and the last step's volts.

    `dry` is what stands at the amplifier's send, where it is needed. What is no longer needed is
    written over, so that long sounds cost little memory. One that is not `metered` reads no test
    points. `tally` counts what is run.
    """

    def __init__(
        self,
        volts: Volts,
        *,
        needs_dry: bool,
        keep: bool = False,
        metered: bool = True,
        tally: Tally | None = None,
    ):
        self.keep, self.needs_dry, self.metered, self.tally = keep, needs_dry, metered, tally
        self.wires = Wires({0: volts}, frozenset(() if keep else (0,)))
        self.read = {Place(0, 0): Reading.of(volts, keep)} if metered else {}
        self.headroom: dict[Place, Headroom | None] = {}
        self.dry: Volts | None = None

    def fork(self) -> "Walker":
        """Return another one that stands here."""
        other = copy.copy(self)
        other.read, other.headroom = dict(self.read), dict(self.headroom)
        return other

    def share(self) -> None:
        """Write over nothing any more that stands here: several go on from here."""
        self.wires = self.wires.shared()

    def pass_through(self, step: Step) -> Passed:
        """Go on to behind `step`; return what it made."""
        volts, free = self._arriving(step)
        passed = run(step, volts, free=free, tally=self.tally)
        self.headroom |= {step.input: passed.headroom_in, step.out: passed.headroom_out}
        free = free or not np.may_share_memory(volts, passed.volts)
        if step.ends and self.metered:
            self.read[step.out] = Reading.of(passed.volts, self.keep)
        if step.out_is_send and self.needs_dry:
            self.dry, free = passed.volts, False
        self.wires = self.wires.behind(step, passed.volts, free=free and not self.keep)
        return passed

    def at_input(self, step: Step) -> tuple[Volts, dict[Place, Reading]]:
        """Return what stands on the input of the next step, and what the wire to it has read.

        With the sounds, which are not to be written to. It stays where it is.
        """
        ahead = self.fork()
        ahead.share()
        # Nothing read so far: what was is known without its sound.
        ahead.keep, ahead.metered, ahead.read = True, True, {}
        volts, _ = ahead._arriving(step)
        return volts, ahead.read

    def _arriving(self, step: Step) -> tuple[Volts, bool]:
        """Return what reaches the unit, and whether it may be written over."""
        read = self.read if self.metered else None
        arrival = self.wires.arriving(step, read, self.keep)
        volts = reach(step, arrival.volts, self.dry)
        free = arrival.free or not np.may_share_memory(volts, arrival.volts)
        if not step.ends:
            self.wires = self.wires if step.noisy else self.wires.waiting()
            return volts, not self.wires.holds(volts)
        self.read |= arrival.readings
        if volts is not arrival.volts and self.metered:
            self.read[step.input] = Reading.of(volts, self.keep)
        self.wires = Wires({})
        return volts, free and not self.keep

    def point(self, name: str, place: Place) -> Point:
        """Return what a test point at `place` reads."""
        reading = self.read[place]
        return Point(name, reading.channels, self.headroom.get(place), reading.volts)

    def samples(self, full_scale: float) -> Volts:
        """Return what stands behind the last step, shape (2, frames), full scale 1."""
        (number,) = self.wires.outputs
        volts = self.wires.output(number)
        room = volts if number in self.wires.free else np.empty(volts.shape)
        return twice(np.divide(volts, full_scale, out=room))

    def output(self, full_scale: float, rate: int) -> Output:
        """Return what stands behind the last step, full scale 1."""
        samples = self.samples(full_scale)
        loudness, is_rms = loudness_or_rms(samples, rate)
        return Output(samples, rate, loudness, is_rms, true_peak_dbtp(samples, rate))


def twice(sound: Sound) -> Sound:
    """Return one channel as two without copying it; two channels stay as they are."""
    return cast(Sound, np.broadcast_to(sound, (2, sound.shape[1])))
