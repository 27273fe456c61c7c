"""The compressor against its published curve, in volts."""

import time

import numpy as np
import pytest

from simchain import units
from simchain.blocks.base import Moment
from simchain.blocks.compressor import Compressor

RATE = 48_000


def sine(dbu: float, seconds: float = 2.0, hz: float = 997.0, rate: int = RATE) -> np.ndarray:
    t = np.arange(round(seconds * rate)) / rate
    return units.dbu_to_peak_volts(dbu) * np.sin(2 * np.pi * hz * t)[np.newaxis, :]


def last_second_db(volts: np.ndarray, rate: int = RATE) -> float:
    """RMS level in dBu of the last second: whole periods of any whole-numbered frequency."""
    return units.volts_to_dbu(float(np.sqrt(np.mean(volts[0, -rate:] ** 2))))


def published(level: float, threshold: float, ratio: float, knee: float) -> float:
    """Giannoulis, Massberg, Reiss 2012, static curve, from memory (references §5)."""
    over = level - threshold
    if 2 * over <= -knee:
        return level
    if knee > 0 and 2 * abs(over) <= knee:
        return level + (1 / ratio - 1) * (over + knee / 2) ** 2 / (2 * knee)
    return threshold + over / ratio


def off_curve_db(unit: Compressor, level: float, rate: int = RATE) -> float:
    seconds = 1.2 + 6 * unit.attack_ms / 1e3
    out = last_second_db(unit.process(sine(level, seconds, rate=rate), Moment(rate)), rate)
    return out - published(level, unit.threshold_dbu, unit.ratio, unit.knee_db)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("release_ms", [100.0, 150.0, 1200.0])
def test_a_steady_sine_sits_on_the_published_curve(rate: int, release_ms: float) -> None:
    found = {
        (attack_ms, ratio, knee_db, level): off_curve_db(
            Compressor(
                ratio=ratio,
                knee_db=knee_db,
                attack_ms=attack_ms,
                release_ms=release_ms,
                makeup_db=0,
            ),
            level,
            rate,
        )
        for attack_ms in (0.5, 10, 80)
        for ratio, knee_db in ((1.5, 0), (4, 6), (20, 0), (20, 20))
        for level in (-40, -28, -26, -24, -10, 15)
    }
    worst = max(found, key=lambda place: abs(found[place]))
    print(
        f"{rate} Hz, release {release_ms:g} ms: worst {found[worst]:+.4f} dB "
        "(attack, ratio, knee, level = %g, %g, %g, %g)" % worst
    )
    assert abs(found[worst]) < 0.03


@pytest.mark.parametrize(
    ("threshold", "ratio", "knee", "level", "out"),
    [
        (-20, 4, 0, -15, -18.75),
        (-20, 4, 0, 0, -15),
        (-20, 4, 10, -22.5, -22.734375),
        (-20, 4, 10, -20, -20.9375),
        (-20, 4, 10, -17.5, -19.609375),
        (-30, 2, 6, -30, -30.375),
        (-30, 2, 6, 0, -15),
        (-20, 4, 0, -8, -17),
    ],
)
def test_published_points_in_volts(
    threshold: float, ratio: float, knee: float, level: float, out: float
) -> None:
    """References §5, table; each level in dBu RMS of a sine."""
    unit = Compressor(threshold_dbu=threshold, ratio=ratio, knee_db=knee, makeup_db=0)
    assert last_second_db(unit.process(sine(level), Moment(RATE))) == pytest.approx(out, abs=0.03)


def test_detector_that_reads_peaks_as_rms_would_be_seen() -> None:
    """The calibration matters: a threshold read 3.01 dB off moves a 4:1 output by 2.26 dB."""
    off = off_curve_db(Compressor(makeup_db=0, knee_db=0, threshold_dbu=-26), -10)
    shifted = published(-10, -26 - 3.0103, 4, 0) - published(-10, -26, 4, 0)
    assert abs(off) < 0.03 < abs(shifted)


def test_makeup_and_blend() -> None:
    plain = Compressor(makeup_db=0)
    volts = sine(-10, 0.5)
    wet = plain.process(volts, Moment(RATE))
    louder = Compressor(makeup_db=9).process(volts, Moment(RATE))
    assert louder == pytest.approx(wet * 10 ** (9 / 20), rel=1e-12)
    half = Compressor(makeup_db=9, blend=0.25).process(volts, Moment(RATE))
    assert half == pytest.approx(0.75 * volts + 0.25 * louder, rel=1e-12, abs=1e-15)
    dry = Compressor(blend=0).process(volts, Moment(RATE))
    assert np.array_equal(dry, volts)
    assert not np.shares_memory(dry, volts)


def test_attack_of_a_loud_note() -> None:
    """A level stepped from -40 to 0 dBu: 63.2 % of the reduction after attack_ms.

    With |v| constant (a square wave) there is no wait for a peak: one frame either way.
    """
    rate, attack_ms = RATE, 10.0
    loud = units.dbu_to_peak_volts(0.0)
    turns = np.where(np.arange(rate) // 24 % 2, 1.0, -1.0)
    volts = np.where(np.arange(rate) < rate // 2, loud / 100, loud) * turns
    unit = Compressor(attack_ms=attack_ms, makeup_db=0)
    reductions = unit.reductions_db(volts[np.newaxis], rate)
    final = reductions[-1]
    assert final == pytest.approx(0.75 * 26, abs=0.01)
    reached = np.searchsorted(reductions[rate // 2 :], final * (1 - np.exp(-1))) + 1
    print(f"63.2 % of {final:.2f} dB after {1e3 * reached / rate:.2f} ms (attack_ms = 10)")
    assert abs(reached - attack_ms * rate / 1e3) <= 1


def test_release_after_a_loud_note() -> None:
    """37 % of the reduction is left after release and attack, one after the other (closed form)."""
    volts = np.concatenate((sine(0, 1.0), sine(-60, 1.0)), axis=1)
    left = Compressor().reductions_db(volts, RATE)[RATE:]
    t_ms = 1e3 * np.arange(1, RATE + 1) / RATE
    truth = left[0] * (150 * np.exp(-t_ms / 150) - 10 * np.exp(-t_ms / 10)) / 140
    assert left == pytest.approx(truth, abs=0.12)


@pytest.mark.parametrize(
    ("hz", "limit"), [(108.0, 0.1), (220.0, 0.05), (442.0, 0.02), (997.0, 0.01)]
)
def test_a_steady_note_stays_clean(hz: float, limit: float) -> None:
    """Total harmonic distortion in percent at the default times, 10 dB of reduction and more."""
    out = Compressor().process(sine(-10, 3.0, hz), Moment(RATE))[0, -RATE:]
    lines = np.abs(np.fft.rfft(out))
    fundamental = lines[round(hz)]
    harmonics = lines[round(hz) * 2 :: round(hz)]
    thd_percent = 100 * np.sqrt(np.sum(harmonics**2)) / fundamental
    print(f"{hz:g} Hz at -10 dBu: THD {thd_percent:.4f} %")
    assert 1e-7 < thd_percent < limit


def test_channels_are_linked() -> None:
    loud, soft = sine(-6, 0.5), sine(-46, 0.5, 310.0)
    both = Compressor(inputs=2, outputs=2).process(np.concatenate((loud, soft)), Moment(RATE))
    alone = Compressor().process(loud, Moment(RATE))
    assert both[0] == pytest.approx(alone[0], rel=1e-12)
    gain = alone[0, 10_000] / loud[0, 10_000]
    assert both[1, 10_000] == pytest.approx(gain * soft[0, 10_000], rel=1e-9)


def test_silence_and_very_soft_sound_are_safe() -> None:
    assert not Compressor().process(np.zeros((1, 300)), Moment(RATE)).any()
    soft = np.full((1, 300), 1e-300)
    assert Compressor(makeup_db=0).process(soft, Moment(RATE)) == pytest.approx(soft)


def test_it_is_linear_only_where_it_never_turns_down() -> None:
    assert not Compressor().is_lti()
    assert Compressor(ratio=1).is_lti()
    assert Compressor(blend=0).is_lti()


def test_out_of_range() -> None:
    with pytest.raises(ValueError, match="ratio"):
        Compressor(ratio=0.5)


def test_speed() -> None:
    """Ten seconds at 48 kHz took 7 ms where it was written (two cores of a server processor)."""
    volts = np.random.default_rng(0).normal(scale=0.2, size=(1, 10 * RATE))
    unit, took_ms = Compressor(), []
    for _ in range(5):
        started = time.perf_counter()
        unit.process(volts, Moment(RATE))
        took_ms.append((time.perf_counter() - started) * 1e3)
    print(f"compressor, 10 s at 48 kHz: {min(took_ms):.1f} ms")
    assert min(took_ms) < 1000
