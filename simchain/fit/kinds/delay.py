"""A delay: the voice is named on the board; time, feedback, mix, tone and level are looked for."""

import math
from collections.abc import Iterable, Sequence
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block, _delay_voices
from simchain.fit import echoes
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.received import Received
from simchain.fit.sent import SWEEP_HZ, sent
from simchain.fit.squares import deviations

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Pair = tuple[float, float]
Three = tuple[float, float, float]

# Times are found to a part of a frame: the step is a ten-thousandth of them.
TIME = Free("time_ms", 1.0, 10_000.0, log=True, step=1e-4)
FEEDBACK = Free("feedback", 0.0, 1.05, step=0.02)
CLEAN_FEEDBACK = Free("feedback", 0.0, 0.98, step=0.02)
OTHERS = (
    Free("mix", 0.0, 1.0, step=0.02),
    Free("tone_hz", 100.0, 20_000.0, log=True, step=0.05),
    Free("level_db", -60.0, 40.0, step=0.2),
)
FLUTTER = Free("flutter", 0.0, 1.0, step=0.02)
# Bands of which the voice's own filters leave less tell nothing of the controls.
LEAST_PASSED = 0.3
SWEEPS = ("room", "loud1", "loud2")
_FURTHEST_S, _MOMENTS = 25e-3, 30
# The sweep in bands, counted from the first that is compared.
_WHOLE_BANDS = math.log2(SWEEP_HZ[1] / SWEEP_HZ[0]) * echoes.POINTS_AN_OCTAVE
_SOUNDING = tuple(math.log2(hz / echoes.BAND_HZ[0]) * echoes.POINTS_AN_OCTAVE for hz in SWEEP_HZ)


class DelayFit(KindFit):
    """How loud each repeat is, band by band, and when it comes, tells all but the last digits.

    A tape's waveform hangs on how its motor happened to run, so that levels have the last word;
    time and flutter are then read from the repeats of three sweeps.
    """

    kind: ClassVar[str] = "delay"
    coarse: ClassVar[Sequence[Stretch]] = (Stretch("lead", "silence", 0.0),)
    fine: ClassVar[Sequence[Stretch]] = (Stretch("lead", "bursts1", 0.0),)

    def stretches(
        self,
        block: Block,
        received: Received,  # noqa: ARG002
    ) -> tuple[Sequence[Stretch], Sequence[Stretch]]:
        """See `KindFit.stretches`."""
        return (self.coarse, ()) if _voice(block) == "tape" else (self.coarse, self.fine)

    def starts(self, block: Block, received: Received) -> Iterable[Start]:
        """See `KindFit.starts`: one."""
        repeats = echoes.repeats_of(received)
        voice, time_s = _voice(block), repeats.time_s
        (level, feedback, tone_hz), sure = _told(repeats, voice)
        found: dict[str, Any] = {
            "bpm": None,
            "note": None,
            "time_ms": 1e3 * time_s,
            "feedback": feedback,
            "mix": math.atan2(level, abs(repeats.dry)) * 2.0 / math.pi,
            "tone_hz": tone_hz,
            "level_db": 20.0 * math.log10(math.hypot(level, repeats.dry)),
        }
        if voice == "tape":
            wavering, spread = _wavering(received, time_s, tone_hz)
            found |= {"time_ms": 1e3 * wavering[0], "flutter": wavering[1]}
            told = (1e3 * spread[0], sure[1], found["mix"] * sure[0], tone_hz * sure[2])
            sizes = (
                *told,
                20.0 / math.log(10.0) * sure[0] * math.sin(0.5 * math.pi * found["mix"]) ** 2,
                spread[1],
            )
            read = zip((TIME, FEEDBACK, *OTHERS, FLUTTER), sizes, strict=True)
            yield Start(block.model_copy(update=found), (), read=tuple(read))
            return
        free = CLEAN_FEEDBACK if voice == "clean" else FEEDBACK
        yield Start(block.model_copy(update=found), (TIME, free, *OTHERS))


def _voice(block: Block) -> str:
    return str(getattr(block, "voice"))  # noqa: B009


def _passed(voice: str, time_s: float, hz: Floats) -> Complexes:
    """Return what a repeat passes once more but for tone and delay, each voice's own filters.

    For the buckets the magnitude alone, of a steady sweep: the expander doubles what is lost.
    """
    s = 1j * np.maximum(hz, 1e-3)
    if voice == "clean":
        return np.ones(hz.size, dtype=np.complex128)
    if voice == "tape":
        treble, bump = _delay_voices.TREBLE_HZ, _delay_voices.BUMP_HZ
        low_pass = treble**2 / (s * s + s * treble * math.sqrt(2.0) + treble**2)
        ahead = np.exp(1j * hz * math.sqrt(2.0) / treble)
        return np.asarray(low_pass * ahead * s * s / (s * s + s * bump + bump**2))
    corner, coupling = _delay_voices.bucket_corner_hz(time_s), _delay_voices.COUPLING_HZ
    return np.asarray(np.abs(s / (s + coupling)) / (1.0 + (hz / corner) ** 6) ** 2 + 0j)


def _told(repeats: echoes.Repeats, voice: str) -> tuple[Three, Three]:
    """Return the first repeat's level before its filters, the feedback and the tone's corner.

    And their standard deviations, as shares of them.
    """
    from scipy.optimize import least_squares

    hz = echoes.bands_hz()
    passed = np.abs(_passed(voice, repeats.time_s, hz))
    told = passed > LEAST_PASSED
    heard = np.square(repeats.levels[:, told])
    floor = np.square(3.0 * repeats.noise[:, told]) + 1e-8 * heard.max()
    share = repeats.peak_volts / _delay_voices.TAPE_CEILING_VOLTS if voice == "tape" else 0.0
    shift = repeats.time_s / sent().parts["room"].seconds * _WHOLE_BANDS

    def off(at: Floats) -> Floats:
        level, feedback, tone_hz = np.exp(at)
        once = passed[told] / np.hypot(1.0, hz[told] / tone_hz)
        made = level * _passes(once, feedback, len(heard), share, shift)
        return np.asarray(np.log((np.square(made) + floor) / (heard + floor)).ravel())

    low, high = np.log((1e-4, 1e-3, 100.0)), np.log((1e3, 1.05, 20e3))
    ends = [
        least_squares(
            off,
            np.log((repeats.levels[0].max(), feedback, 3e3)),
            bounds=(low, high),
            loss="soft_l1",
            f_scale=0.1,
        )
        for feedback in (0.05, 0.5)
    ]
    end = min(ends, key=lambda end: float(end.cost))
    level, feedback, tone_hz = np.exp(end.x)
    shares = _deviations(end.jac, end.fun)
    return (level, feedback, tone_hz), (shares[0], shares[1], shares[2])


def _passes(once: Floats, feedback: float, count: int, share: float, shift: float) -> Floats:
    """Return the first repeats' levels, (count, bands), for a sweep of `share` of the ceiling.

    A soft ceiling x / sqrt(1 + x^2) takes 3/8 a^2 of a tone of its own and twice that of a tone
    beside it (its series' third power). What goes over the head beside a tone is the same sweep
    `shift` bands further for each repeat that it is younger, if it sounds there at all.
    """
    number = np.arange(count)[:, np.newaxis]
    squares = np.square(share * (feedback * once) ** number)
    places = np.arange(once.size)
    taken = -0.75 * squares
    for mine in range(count):
        for other, square in enumerate(squares):
            at = places + (mine - other) * shift
            first, last = _SOUNDING
            there = (at > first) & (at < last)
            taken[mine] += np.where(there, 1.5 * np.interp(at, places, square), 0.0)
    bent = 1.0 / np.sqrt(1.0 + taken)
    return np.asarray(feedback**number * np.cumprod(once * bent, axis=0))


def _deviations(slopes: Floats, left: Floats) -> Floats:
    """Return standard deviations as what is left of each point has them."""
    points, count = slopes.shape
    return np.asarray(deviations(slopes) * np.sqrt(np.square(left).sum() / max(1, points - count)))


def _wavering(received: Received, time_s: float, tone_hz: float) -> tuple[Pair, Pair]:
    """Return a tape's time on average, in seconds, and its flutter, and how sure both are.

    Sweeps pass every pitch at one moment: what their repeats' delays are over pitch, they are over
    time. Least squares find in them a mean and the two sines that a motor's speed sways by.
    """
    from scipy.optimize import least_squares

    hz = np.linspace(0.0, 24e3, 4801)
    passed = _passed("tape", time_s, hz) / (1.0 + 1j * hz / tone_hz)
    sway_hz, depths_s, _ = (part[:2] for part in _delay_voices.tape_parts(0))
    rows, late = [], []
    for name in SWEEPS:
        dry, wet = echoes.without_dry(echoes.pulses(received, name, 1.1 * time_s))
        pitches, strays = echoes.strays(wet, time_s, np.sign(dry) * passed, hz)
        part = sent().parts[name]
        turns = part.seconds / math.log(SWEEP_HZ[1] / SWEEP_HZ[0])
        times = part.start_s + time_s + turns * np.log(pitches / SWEEP_HZ[0])
        angles = 2.0 * np.pi * np.outer(times, sway_hz)
        columns = np.column_stack((np.ones(times.size), np.sin(angles), np.cos(angles)))
        # Evenly over time: there are as many points in an octave as it has hertz.
        rows.append(columns / np.sqrt(pitches)[:, np.newaxis])
        late.append(np.clip(strays, -_FURTHEST_S, _FURTHEST_S) / np.sqrt(pitches))
    matrix, heard = np.concatenate(rows), np.concatenate(late)
    scale = float(np.median(np.abs(heard))) + 1e-9
    end = least_squares(lambda at: matrix @ at - heard, np.zeros(5), loss="soft_l1", f_scale=scale)
    amplitudes = np.hypot(end.x[1:3], end.x[3:5])
    flutter = float(np.sum(amplitudes * depths_s) / np.sum(np.square(depths_s)))
    # Points of one moment of the swing are not independent: it has some two in a second.
    unsure = _deviations(end.jac, end.fun) * math.sqrt(heard.size / _MOMENTS)
    sure = (float(unsure[0]), float(unsure[1] / depths_s[0]))
    return (time_s + float(end.x[0]), min(flutter, 1.0)), sure
