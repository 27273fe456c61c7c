"""The amplifier: preamp up to the send, power stage from the return, cabinet.

    in - triode - tone network - gain - triode - divider - triode - attenuator - send
    return - attenuator's inverse - volume - speaker's lift - push-pull stage - speaker - cabinet

Three alike triode stages stand in the preamp at every setting. The gain control lies behind the
first one and the tone network: what drives the first stage is the guitar alone. The divider
makes the third stage clip first; above a `gain_db` of about 43 the control gives more than
the circuit has, as a clean booster in its place would. All filters are the circuits' own.

The stages are tables with their antiderivative at half of the drive's oversampling. Cathodes,
coupling capacitors under grid current and the like stand still: only the supply moves.

Every function takes volts of shape (1 or 2, frames) and returns the same shape, each channel for
itself, from rest, without delay; none writes to its input; silence stays silence.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from simchain import units
from simchain.amp import speaker, triode
from simchain.amp.rational import Rational, chained, from_polynomials, high_cut, low_cut
from simchain.amp.settings import Amp
from simchain.amp.tone import ToneNetwork, tone_response
from simchain.filters.analogue import Sections, run_sections
from simchain.signal import Volts

STAGE = triode.Stage()
NETWORK = ToneNetwork()

# A grid behind its stopper: input capacitance with the plate's coming back amplified.
GRID_CATHODE_FARAD = 1.6e-12
GRID_PLATE_FARAD = 1.7e-12

# Invented: the divider ahead of the third stage, and its coupling capacitor, which takes back what
# the tone network lifts below 200 Hz; the send's capacitor, and its attenuator at the loop level's
# default, so that a preamp that clips gives about the loop's level and 14 dB.
COUPLING_HZ = 230.0
DIVIDER_DB = -12.0
SEND_COUPLING_HZ = 7.0
SEND_ATTENUATOR_DB = -35.0
DEFAULT_LOOP_LEVEL_DBU = float(Amp.model_fields["loop_level_dbu"].default)
CALIBRATED_HZ = 1000.0

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
    return run_sections(plan.behind, _three_triodes(volts, plan.ahead, rate))


def power(amp: Amp, volts: Volts, rate: int) -> Volts:
    """Return the volts across the speaker for `volts` at the return, both (channels, frames).

    A steady sine of 1 kHz, `FULL_POWER_ABOVE_LOOP_DB` above the loop's level, gives the rated
    power at `volume_db` 0. The lift of the speaker's impedance stands ahead of the ceiling:
    a stage that clips holds its voltage, whatever the impedance.
    """
    ahead, behind = _power_plan(amp, rate)
    return run_sections(behind, _push_pull(run_sections(ahead, volts), amp.sag, rate))


def cabinet(amp: Amp, volts: Volts, rate: int) -> Volts:
    """Return what a microphone hears of `volts` across the speaker, 0 dB at 1 kHz."""
    return run_sections(_cabinet_sections(amp.cabinet, rate), volts)


def full_scale_dbu(amp: Amp) -> float:
    """Return the level a recording of the speaker is scaled to: rated power and 6 dB, in dBu."""
    rated = np.sqrt(amp.watts * amp.speaker_ohm)
    return units.volts_to_dbu(float(rated)) + FULL_SCALE_HEADROOM_DB


def _three_triodes(volts: Volts, ahead: tuple[Sections, ...], rate: int) -> Volts:
    """Return `volts` behind the stages, each with its sections `ahead`, in one oversampled go."""
    from simchain.kernels import tables

    table = triode.table(STAGE)

    def stages() -> Callable[[Volts], None]:
        memories = [(sections, np.zeros((len(sections), 2)), np.zeros(1)) for sections in ahead]

        def shape(stretch: Volts) -> None:
            for sections, memory, last in memories:
                tables.filter_and_shape(
                    stretch, sections, memory, table.rows, table.first, table.per_volt, last
                )

        return shape

    return _oversampled(volts, rate, stages)


def _push_pull(volts: Volts, sag: float, rate: int) -> Volts:
    """Return `volts`, rated peak 1, behind the push-pull stage and its supply."""
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

    return _oversampled(volts, rate, stage)


def _oversampled(volts: Volts, rate: int, stage: Callable[[], Callable[[Volts], None]]) -> Volts:
    """Return `volts` with a fresh `stage` on each channel, run at `_factor` times the rate."""
    from simchain.kernels import oversample

    factor = _factor(rate)
    return np.stack(
        [oversample.through(line, factor, stage(), half_sample_late=True) for line in volts]
    )


def _factor(rate: int) -> int:
    """Return the oversampling of tables with an antiderivative: half of the drive's, 2 or more."""
    from simchain.kernels import oversample

    return max(2, oversample.factor_for(rate) // 2)


@lru_cache(maxsize=64)
def _preamp_plan(amp: Amp, rate: int) -> _Preamp:
    table = triode.table(STAGE)
    grid = high_cut(_grid_pole_hz(abs(table.gain)))
    divider = chained((low_cut(COUPLING_HZ), grid)).times(units.db_to_ratio(DIVIDER_DB))
    loop = units.db_to_ratio(amp.loop_level_dbu - DEFAULT_LOOP_LEVEL_DBU)
    # Three stages turn the signal over; minus gives the send the input's polarity.
    send = low_cut(SEND_COUPLING_HZ).times(-units.db_to_ratio(SEND_ATTENUATOR_DB))
    at_middle = chained((grid, tone_response(NETWORK, 0.5, 0.5, 0.5), grid, divider, send))
    full = at_middle.level(CALIBRATED_HZ) * abs(table.gain) ** 3
    control = units.db_to_ratio(amp.gain_db) / full
    fast = float(rate * _factor(rate))
    undo = _two_point_undone(fast)
    network = tone_response(NETWORK, amp.bass, amp.middle, amp.treble)
    tone = chained((network, grid, undo)).times(control)
    ahead = tuple(part.sections(fast) for part in (grid, tone, chained((divider, undo))))
    return _Preamp(ahead, send.times(loop).sections(rate))


def _two_point_undone(fast: float) -> Rational:
    """Return 1 + s / (2 fast): it takes back the two-point mean of the table before it.

    That mean is late by half a frame and falls as cos(w / 2) = 1 - w^2 / 8 + ...; this zero leads
    by half a frame and rises as 1 + w^2 / 8 - ....
    """
    return from_polynomials((1.0 / (2.0 * fast), 1.0), (1.0,))


def _grid_pole_hz(gain: float) -> float:
    """Return the stopper's pole with the input capacitance Cgk + Cgp (1 + gain)."""
    farad = GRID_CATHODE_FARAD + GRID_PLATE_FARAD * (1.0 + gain)
    return 1.0 / (2 * np.pi * STAGE.stopper_ohm * farad)


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
    from scipy.signal import sosfreqz

    sections = speaker.cabinet_response(cabinet).sections(rate)
    sections[0, :3] /= np.abs(sosfreqz(sections, [speaker.RATED_HZ], fs=rate)[1][0])
    return sections
