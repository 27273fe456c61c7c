"""The gate against closed forms: where it opens and closes, and how long it takes."""

import time

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from simchain import units
from simchain.blocks.base import Moment
from simchain.blocks.gate import Gate

RATE = 48_000


def sine(dbu: float, seconds: float = 1.0, hz: float = 997.0, rate: int = RATE) -> np.ndarray:
    t = np.arange(round(seconds * rate)) / rate
    return units.dbu_to_peak_volts(dbu) * np.sin(2 * np.pi * hz * t)[np.newaxis, :]


def square(dbu: float, seconds: float, rate: int = RATE) -> np.ndarray:
    """|v| is the peak of a sine of that level in every frame: no wait for a wave's peak."""
    turns = np.where(np.arange(round(seconds * rate)) // 24 % 2, 1.0, -1.0)
    return units.dbu_to_peak_volts(dbu) * turns[np.newaxis, :]


def is_open(unit: Gate, volts: np.ndarray, rate: int = RATE) -> bool:
    return bool(unit.reductions_db(volts, rate)[-1] < unit.range_db / 2)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("hz", [83.0, 441.0, 997.0, 3001.0])
@pytest.mark.parametrize("threshold", [-80.0, -52.0, -20.0])
def test_a_sine_opens_it_at_the_threshold(threshold: float, hz: float, rate: int) -> None:
    """Calibration in dBu RMS: a sine opens it 0.02 dB above the threshold, not 0.02 dB below."""
    unit = Gate(threshold_dbu=threshold)
    assert not is_open(unit, sine(threshold - 0.02, 1.0, hz, rate), rate)
    assert is_open(unit, sine(threshold + 0.02, 1.0, hz, rate), rate)


@pytest.mark.parametrize("hysteresis", [0.0, 4.0, 12.0])
def test_it_closes_below_the_threshold_less_the_hysteresis(hysteresis: float) -> None:
    unit = Gate(hysteresis_db=hysteresis)
    closes = -52 - hysteresis
    for level, stays in ((closes + 0.02, True), (closes - 0.02, False)):
        volts = np.concatenate((sine(-30, 0.3), sine(level, 3.0)), axis=1)
        assert is_open(unit, volts) is stays


@pytest.mark.parametrize("hz", [62.0, 82.4])
def test_a_low_note_keeps_it_open_without_any_hold(hz: float) -> None:
    unit = Gate(hold_ms=0, attack_ms=0.1)
    reduced = unit.reductions_db(sine(-51, 2.0, hz), RATE)
    assert not reduced[RATE:].any()


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("range_db", [6.0, 60.0, 80.0])
def test_attack_and_release_times(range_db: float, rate: int) -> None:
    """Closed form: within 2 dB after the time; at half of it sqrt(2 range) dB are left.

    Residue of 2 dB: IEC 60268-8, from memory (references §5).
    """
    unit = Gate(range_db=range_db, attack_ms=20, release_ms=150, hold_ms=50)
    volts = np.concatenate((square(-20, 0.5, rate), np.zeros((1, rate))), axis=1)
    reduced = unit.reductions_db(volts, rate)
    middle = np.sqrt(2 * range_db)
    began = round(0.55 * rate)
    opening_ms = [1e3 * np.argmax(reduced <= left) / rate for left in (2, middle)]
    closing = range_db - reduced[began:]
    closing_ms = [1e3 * np.argmax(closing <= left) / rate for left in (2, middle)]
    print(f"{rate} Hz, {range_db:g} dB: attack {opening_ms[0]:.3f}, release {closing_ms[0]:.2f} ms")
    assert opening_ms == pytest.approx([20, 10], rel=0.01)
    assert closing_ms == pytest.approx([150, 75], rel=0.01)
    assert reduced[began - 1] < 1e-6
    assert reduced[began + 1] > 1e-4


@pytest.mark.parametrize(("hold_ms", "waits_ms"), [(0, 10), (10, 10), (50, 50), (500, 500)])
def test_hold_from_the_last_loud_frame(hold_ms: float, waits_ms: float) -> None:
    volts = np.concatenate((square(-20, 0.25), np.zeros((1, RATE))), axis=1)
    reduced = Gate(hold_ms=hold_ms).reductions_db(volts, RATE)[RATE // 4 :]
    assert 1e3 * np.argmax(reduced > 0.01) / RATE == pytest.approx(waits_ms, rel=0.01)


@pytest.mark.parametrize("range_db", [6.0, 60.0, 80.0])
def test_closed_turns_down_by_its_range(range_db: float) -> None:
    """Exactly, in the first rest and after a note; open, it changes no bit."""
    unit = Gate(range_db=range_db)
    hum = sine(-65, 5.0, 100.0)
    down = units.db_to_ratio(-range_db)
    assert np.allclose(unit.process(hum, Moment(RATE)), down * hum, rtol=1e-12, atol=0)
    note = np.concatenate((sine(-10, 1.0, 221.0), hum), axis=1)
    out = unit.process(note, Moment(RATE))
    assert np.array_equal(out[0, RATE // 2 : RATE], note[0, RATE // 2 : RATE])
    assert np.allclose(out[:, 5 * RATE :], down * note[:, 5 * RATE :], rtol=1e-12, atol=0)


def above_8_khz_db(out: np.ndarray, whole: np.ndarray) -> float:
    """Energy above 8 kHz (8th-order high-pass, scipy) against that of the sound itself."""
    high = sosfilt(butter(8, 8000, "highpass", fs=RATE, output="sos"), out)
    return float(10 * np.log10(np.sum(high**2) / np.sum(whole**2)))


@pytest.mark.parametrize(
    ("attack_ms", "release_ms", "limit_db"),
    [(0.1, 10.0, -70.0), (1.0, 10.0, -90.0), (1.0, 150.0, -90.0), (20.0, 150.0, -110.0)],
)
def test_no_click(attack_ms: float, release_ms: float, limit_db: float) -> None:
    """A 220 Hz sine that swells and dies, opened and shut on the way: nothing above 8 kHz.

    The same gate as a bare switch is the measure: it clicks.
    """
    t = np.arange(2 * RATE) / RATE
    swell = np.sin(np.pi * t / 2) ** 2 * np.sin(2 * np.pi * 220 * t)[np.newaxis, :]
    unit = Gate(threshold_dbu=-8, attack_ms=attack_ms, release_ms=release_ms)
    out = unit.process(swell, Moment(RATE))
    reduced = unit.reductions_db(swell, RATE)
    switched = np.where(Gate(threshold_dbu=-8, attack_ms=0).reductions_db(swell, RATE) == 0, 1, 0)
    click, bare = above_8_khz_db(out, swell), above_8_khz_db(swell * switched, swell)
    print(
        f"attack {attack_ms:g}, release {release_ms:g} ms: {click:.1f} dB above 8 kHz; "
        f"a bare switch {bare:.1f} dB"
    )
    assert reduced.min() < 1e-6
    assert reduced[-1] > 40
    assert click < limit_db < bare - 15


def test_no_click_when_it_falls_shut_on_a_note() -> None:
    """A note that stops being loud enough at once: shut in 10 ms, from the peak of its wave."""
    note = np.concatenate((sine(-10, 0.5, 220.0), sine(-14, 1.5, 220.0)), axis=1)
    unit = Gate(threshold_dbu=-11, hysteresis_db=2, release_ms=10)
    gated = unit.process(note, Moment(RATE))
    assert not is_open(unit, note)
    late = slice(RATE * 11 // 20, None)
    click = above_8_khz_db(gated[:, late], note)
    print(f"falls shut: {click:.1f} dB above 8 kHz")
    assert click < -90


def test_the_kernel_starts_closed_wherever_the_sound_starts() -> None:
    """Later by silence is later by as much in the output: closed is its rest."""
    note = sine(-20, 0.3, 330.0)
    out = Gate().process(note, Moment(RATE))
    later = np.concatenate((np.zeros((1, 777)), note), axis=1)
    assert np.array_equal(Gate().process(later, Moment(RATE))[:, 777:], out)


def test_it_is_not_linear() -> None:
    """-58 dBu does not open it and -46 dBu does: 12 dB less comes out 72 dB lower."""
    unit = Gate()
    assert not unit.is_lti()
    loud, soft = (unit.process(sine(level), Moment(RATE)) for level in (-46, -58))
    gap = 20 * np.log10(np.abs(loud[:, RATE // 2 :]).max() / np.abs(soft[:, RATE // 2 :]).max())
    assert gap == pytest.approx(12 + 60, abs=1e-3)


def test_channels_are_linked() -> None:
    loud, soft = sine(-20, 0.5), sine(-60, 0.5, 310.0)
    both = Gate(inputs=2, outputs=2).process(np.concatenate((loud, soft)), Moment(RATE))
    alone = Gate().process(loud, Moment(RATE))
    assert np.array_equal(both[0], alone[0])
    assert np.array_equal(both[1, RATE // 4 :], soft[0, RATE // 4 :])


def test_the_same_times_at_every_rate() -> None:
    """Gain over time at 44.1, 48 and 96 kHz, within 0.05 dB wherever it glides slowly."""
    found = {}
    for rate in (44_100, 48_000, 96_000):
        volts = np.concatenate((square(-20, 0.5, rate), np.zeros((1, rate))), axis=1)
        reduced = Gate().reductions_db(volts, rate)
        found[rate] = reduced[(np.array([0.3, 0.56, 0.6, 0.7, 1.2]) * rate).astype(int)]
    for rate in (44_100, 96_000):
        assert found[rate] == pytest.approx(found[48_000], abs=0.05)


def test_electrical_data() -> None:
    unit = Gate()
    assert (unit.input_ohm, unit.output_ohm, unit.current_ma) == (1e6, 500, 10)
    assert (unit.noise_nv, unit.bypass) == (10, "true")


def test_out_of_range() -> None:
    with pytest.raises(ValueError, match="range_db"):
        Gate(range_db=2)
    with pytest.raises(ValueError, match="hold_ms"):
        Gate(hold_ms=-1)


def test_speed() -> None:
    volts = np.random.default_rng(0).normal(scale=0.01, size=(1, 10 * RATE))
    unit, took_ms = Gate(), []
    for _ in range(5):
        started = time.perf_counter()
        unit.process(volts, Moment(RATE))
        took_ms.append((time.perf_counter() - started) * 1e3)
    print(f"gate, 10 s at 48 kHz: {min(took_ms):.1f} ms")
    assert min(took_ms) < 1000
