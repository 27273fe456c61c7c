"""The amplifier: preamp up to the send, power stage from the return, cabinet.

    in - triode - tone network - gain - triode - small capacitor - follower - triode -
    attenuator - send
    return - attenuator's inverse - volume - speaker's lift - push-pull stage - speaker - cabinet

Three triode stages stand in the preamp at every setting. The gain control lies behind the first
one and the tone network: what drives the first stage is the guitar alone. The first and the
third have a capacitor at the cathode, the second has none. The third is fed through a coupling
capacitor and a divider: it clips first, and its grid current biases it off after a hard hit, to
come back over some 20 ms. Above a `gain_db` of about 43 the control gives more than the circuit
has, as a clean booster in its place would. All filters are the circuits' own.

The stages are tables with their antiderivative at half of the drive's oversampling; what their
capacitors hold moves once a frame, and so does the supply of the push-pull stage. That supply
sets the stage's ceiling: sag acts on how much it can give, not on the gain of small signals.

Every function takes volts of shape (1 or 2, frames) and returns the same shape, each channel for
itself, from rest, without delay; none writes to its input; silence stays silence.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from math import prod
from pathlib import Path

import numpy as np

from simchain import units
from simchain.amp import speaker, triode
from simchain.amp.settings import CABINETS, Amp
from simchain.amp.tone import ToneNetwork, tone_response
from simchain.filters.analogue import run_sections
from simchain.filters.impulse import convolved
from simchain.filters.rational import Rational, chained, from_polynomials, high_cut, low_cut
from simchain.filters.sections import Sections, response
from simchain.signal import Volts, pieces

NETWORK = ToneNetwork()

# Invented. The first stage takes the input as it is; the second is behind the gain control, whose
# capacitors are the tone network's; the third behind a divider of 12 dB, whose 68 kohm stand in
# for a stopper.
FIRST = triode.Stage()
SECOND = triode.Stage(cathode_farad=0.0)
THIRD = triode.Stage(stopper_ohm=0.0, coupling_farad=47e-9, coupling_ohm=270e3, leak_ohm=91e3)
STAGES = (FIRST, SECOND, THIRD)

# A grid behind its stopper: input capacitance with the plate's coming back amplified, as for small
# signals. In a stage that clips hard it comes and goes: against the circuit harmonics below 7 kHz
# are then off by 0.3 dB at most, those near 20 kHz, 45 dB and more down, by up to 6 dB.
GRID_CATHODE_FARAD = 1.6e-12
GRID_PLATE_FARAD = 1.7e-12

# Invented: the small capacitor ahead of the follower (taken as ideal) that feeds the third stage,
# which takes back what the tone network lifts below 200 Hz; the send's capacitor, and its
# attenuator at the loop level's default, so that a preamp that clips gives about the loop's level
# and 14 dB.
COUPLING_HZ = 230.0
SEND_COUPLING_HZ = 7.0
SEND_ATTENUATOR_DB = -35.0
DEFAULT_LOOP_LEVEL_DBU = float(Amp.model_fields["loop_level_dbu"].default)
CALIBRATED_HZ = 1000.0

# Above this three clipping stages in a row alias too much at half of the drive's oversampling.
HOT_GAIN_DB = 36.0

# Full power at the return: this much above the loop's level (common practice, no source: 0 to 12).
# The stage's ceiling in units of the rated peak and the sharpness of its knee, the share of the
# supply that full power costs at `sag` 1, and the transformer's lower corner are invented.
FULL_POWER_ABOVE_LOOP_DB = 6.0
CEILING = 1.1
KNEE = 5.0
SAG_AT_FULL_POWER = 0.25
SAG_RECOVERY_MS = 60.0
TRANSFORMER_HZ = 10.0
FULL_SCALE_HEADROOM_DB = 6.0


@dataclass(frozen=True, eq=False)
class _Preamp:
    """Sections ahead of each of the three stages, at their rate, and behind the last."""

    ahead: tuple[Sections, ...]
    behind: Sections


@dataclass(frozen=True, eq=False)
class _PushPull:
    """The push-pull stage's curve: its table, first point, cells a volt."""

    rows: Volts
    first: float
    per_volt: float


def preamp(amp: Amp, volts: Volts, rate: int) -> Volts:
    """Return the volts at the unloaded send for `volts` at the input, both (channels, frames).

    Small signals at 1 kHz with the tone controls at the middle come out `gain_db` larger, and
    the loop level's distance from its default on top.
    """
    plan = _preamp_plan(amp, rate)
    factor = _factor(rate, amp.gain_db > HOT_GAIN_DB)
    sent = _through_stages(volts, STAGES, plan.ahead, rate, factor)
    return run_sections(plan.behind, sent, out=sent)


def power(amp: Amp, volts: Volts, rate: int) -> Volts:
    """Return the volts across the speaker for `volts` at the return, both (channels, frames).

    A steady sine of 1 kHz, `FULL_POWER_ABOVE_LOOP_DB` above the loop's level, gives the rated
    power at `volume_db` 0. The lift of the speaker's impedance stands ahead of the ceiling:
    a stage that clips holds its voltage, whatever the impedance.
    """
    ahead, behind = _power_plan(amp, rate)
    given = _push_pull(run_sections(ahead, volts), amp.sag, rate)
    return run_sections(behind, given, out=given)


def cabinet(amp: Amp, volts: Volts, rate: int) -> Volts:
    """Return what a microphone hears of `volts` across the speaker, 0 dB at 1 kHz.

    Raises ClipError for an impulse response file that cannot be used.
    """
    if amp.cabinet in CABINETS:
        return run_sections(_cabinet_sections(amp.cabinet, rate), volts)
    return convolved(speaker.cabinet_taps(Path(amp.cabinet), rate), volts)


def full_scale_dbu(amp: Amp) -> float:
    """Return the level a recording of the speaker is scaled to: rated power and 6 dB, in dBu."""
    rated = np.sqrt(amp.watts * amp.speaker_ohm)
    return units.volts_to_dbu(float(rated)) + FULL_SCALE_HEADROOM_DB


def _through_stages(
    volts: Volts,
    stages: tuple[triode.Stage, ...],
    ahead: tuple[Sections, ...],
    rate: int,
    factor: int,
) -> Volts:
    """Return `volts` behind `stages`, each with its sections `ahead`, in one oversampled go."""

    def fresh() -> Callable[[Volts], None]:
        lines = [
            triode.Line(stage, sections, rate, factor)
            for stage, sections in zip(stages, ahead, strict=True)
        ]

        def shape(stretch: Volts) -> None:
            for line in lines:
                line.shape(stretch)

        return shape

    return _oversampled(np.array(volts), rate, factor, fresh)


def _push_pull(volts: Volts, sag: float, rate: int) -> Volts:
    """Return `volts`, rated peak 1, behind the push-pull stage and its supply, in their place."""
    from simchain.kernels import tables

    curve = _push_pull_curve()
    # At rated power, where |y| is 2 / pi on average, the supply is at 1 whatever `sag`.
    given = sag * SAG_AT_FULL_POWER
    rest = 1.0 / (1.0 - given)
    drop = (rest - 1.0) * np.pi / 2
    move = -np.expm1(-1e3 / (SAG_RECOVERY_MS * rate))
    numbers = np.array((curve.first, curve.per_volt, rest, drop, move))
    factor = _factor(rate)

    def stage() -> Callable[[Volts], None]:
        state = np.array((-curve.first * curve.per_volt, rest, rest, rest))

        def shape(stretch: Volts) -> None:
            frames = stretch.reshape(-1, factor)
            tables.shape_under_sag(frames, curve.rows, numbers, state)

        return shape

    return _oversampled(volts, rate, factor, stage)


def _oversampled(
    volts: Volts, rate: int, factor: int, stage: Callable[[], Callable[[Volts], None]]
) -> Volts:
    """Run a fresh `stage` on each channel of `volts` in place, at `factor` times the rate."""
    from simchain.kernels import oversample

    taps = _straight_line_lift(rate, factor)
    for line in volts:
        _in_place(line, lambda window: np.convolve(window, taps, "valid"))
        oversample.through(line, factor, stage(), half_sample_late=True, out=line)
        _in_place(line, lambda window: 2.0 * window[2:-2] - np.convolve(window, taps, "valid"))
    return volts


def _in_place(line: Volts, filtered: Callable[[Volts], Volts]) -> None:
    """Filter `line` by pieces; `filtered` gets two frames more at both ends than it returns."""
    before = np.zeros(2)
    for part in pieces(line.size):
        ahead = line[part.stop : part.stop + 2]
        window = np.concatenate((before, line[part], ahead, np.zeros(2 - ahead.size)))
        before = window[-4:-2]
        line[part] = filtered(window)


@lru_cache(maxsize=16)
def _straight_line_lift(rate: int, factor: int) -> Volts:
    """Return 5 taps, zero phase, that lift the input by what straight lines between frames lose.

    A table with its antiderivative takes its input to go straight from one fast frame to the next,
    which falls as sinc^2(w / 2) = 1 - w^2 / 12 + ..., and gives means over a frame, which fall as
    sinc(w / 2) = 1 - w^2 / 24 + .... Downwards both, 1 - w^2 / 8, are taken back together; a
    harmonic that the table made has only the second. So the first is taken back ahead of the
    table, 1 + w^2 / 12, and given again behind it, 1 - w^2 / 12. In powers of 1 - cos w, fitted
    from 0 to 20 kHz.
    """
    w = np.linspace(0.0, 2 * np.pi * 20_000 / rate, 200)[1:]
    c = 1.0 - np.cos(w)
    lift = w * w / (12.0 * factor**2)
    one, two = np.linalg.lstsq(np.stack((c, c * c), axis=1), lift)[0]
    near, far = np.array((-0.5, 1.0, -0.5)) * one, np.convolve((-0.5, 1, -0.5), (-0.5, 1, -0.5))
    taps = two * far
    taps[1:4] += near
    taps[2] += 1.0
    return np.asarray(taps)


def _factor(rate: int, hot: bool = False) -> int:
    """Return the oversampling of tables with an antiderivative: half of the drive's, 2 or more.

    A `hot` preamp runs at the drive's.
    """
    from simchain.kernels import oversample

    whole = oversample.factor_for(rate)
    return whole if hot else max(2, whole // 2)


@lru_cache(maxsize=64)
def _preamp_plan(amp: Amp, rate: int) -> _Preamp:
    gains = [abs(triode.table(stage).gain) for stage in STAGES]
    grids = [_grid_pole(stage, gain) for stage, gain in zip(STAGES, gains, strict=True)]
    divider = chained((low_cut(COUPLING_HZ), THIRD.coupling, grids[2]))
    loop = units.db_to_ratio(amp.loop_level_dbu - DEFAULT_LOOP_LEVEL_DBU)
    # Three stages turn the signal over; minus gives the send the input's polarity.
    send = low_cut(SEND_COUPLING_HZ).times(-units.db_to_ratio(SEND_ATTENUATOR_DB))
    middle = tone_response(NETWORK, 0.5, 0.5, 0.5)
    shelves = (stage.cathode_shelf for stage in STAGES)
    at_middle = chained((grids[0], middle, grids[1], divider, send, *shelves))
    full = at_middle.level(CALIBRATED_HZ) * prod(gains)
    control = units.db_to_ratio(amp.gain_db) / full
    fast = float(rate * _factor(rate, amp.gain_db > HOT_GAIN_DB))
    undo = _two_point_undone(fast)
    network = tone_response(NETWORK, amp.bass, amp.middle, amp.treble)
    tone = chained((network, grids[1], undo)).times(control)
    ahead = tuple(part.sections(fast) for part in (grids[0], tone, chained((divider, undo))))
    return _Preamp(ahead, send.times(loop).sections(rate))


def _two_point_undone(fast: float) -> Rational:
    """Return 1 + s / (2 fast): it takes back the two-point mean of the table before it.

    That mean is late by half a frame and falls as cos(w / 2) = 1 - w^2 / 8 + ...; this zero leads
    by half a frame and rises as 1 + w^2 / 8 - ....
    """
    return from_polynomials((1.0 / (2.0 * fast), 1.0), (1.0,))


def _grid_pole(stage: triode.Stage, gain: float) -> Rational:
    """Return the grid's low-pass with the input capacitance Cgk + Cgp (1 + gain)."""
    farad = GRID_CATHODE_FARAD + GRID_PLATE_FARAD * (1.0 + gain)
    return high_cut(1.0 / (2 * np.pi * stage.series_ohm * farad))


@lru_cache(maxsize=64)
def _power_plan(amp: Amp, rate: int) -> tuple[Sections, Sections]:
    """Return the sections ahead of the push-pull stage, whose rated peak is 1, and behind it."""
    rated_dbu = amp.loop_level_dbu + FULL_POWER_ABOVE_LOOP_DB
    gain = _drive_at_rated_power() / units.dbu_to_peak_volts(rated_dbu)
    lifted = speaker.lift(amp.speaker_hz, amp.damping)
    transformer = low_cut(TRANSFORMER_HZ)
    # The transformer passes a little less than all at 1 kHz, where the power is rated.
    rated_peak = np.sqrt(2 * amp.watts * amp.speaker_ohm) / transformer.level(speaker.RATED_HZ)
    return (
        lifted.times(gain * units.db_to_ratio(amp.volume_db)).sections(rate),
        transformer.times(float(rated_peak)).sections(rate),
    )


def _soft(x: Volts) -> Volts:
    """Return the push-pull stage's curve: x / (1 + |x / c|^k)^(1/k), slope 1, ceiling c."""
    return np.asarray(x / (1.0 + np.abs(x / CEILING) ** KNEE) ** (1.0 / KNEE))


@lru_cache(maxsize=1)
def _drive_at_rated_power() -> float:
    """Return the peak of the sine that `_soft` turns into sqrt(1/2) RMS, by halving."""
    wave = np.sin(np.pi * (np.arange(256) + 0.5) / 512)
    low, high = 1.0, 4.0
    for _ in range(50):
        peak = 0.5 * (low + high)
        weak = np.mean(_soft(peak * wave) ** 2) < 0.5
        low, high = (peak, high) if weak else (low, peak)
    return low


@lru_cache(maxsize=1)
def _push_pull_curve() -> _PushPull:
    from simchain.kernels import tables

    cells, reach = 64, 32
    place = np.arange(-reach * cells, reach * cells + 1) / cells
    slopes = (1.0 + np.abs(place / CEILING) ** KNEE) ** (-1.0 / KNEE - 1.0) / cells
    slopes[0] = slopes[-1] = 0.0
    rows = tables.cubic_table(_soft(place), slopes, float(reach * cells))
    return _PushPull(rows, float(-reach), float(cells))


@lru_cache(maxsize=16)
def _cabinet_sections(cabinet: str, rate: int) -> Sections:
    """Return the cabinet's sections, 0 dB at 1 kHz as sections too."""
    sections = speaker.cabinet_response(cabinet).sections(rate)
    sections[0, :3] /= np.abs(response(sections, speaker.RATED_HZ, rate))
    return sections
