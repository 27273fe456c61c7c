"""The amplifier as it stands in a chain: levels, power, distortion, aliases, edges."""

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simchain import amp as amps
from simchain import units
from simchain.amp import Amp, cabinet, full_scale_dbu, power, preamp, stages

RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


def sine(hz: float, rms_dbu: float, rate: int = 48_000, seconds: float = 1.0) -> np.ndarray:
    n = np.arange(round(rate * seconds))
    return units.dbu_to_peak_volts(rms_dbu) * np.sin(2 * np.pi * hz * n / rate)[np.newaxis]


def settled_dbu(volts: np.ndarray) -> float:
    """RMS level of the second half."""
    half = volts[0, volts.shape[1] // 2 :]
    return units.volts_to_dbu(float(np.sqrt(np.mean(half**2))))


def thd_percent(volts: np.ndarray, hz: int, rate: int) -> float:
    """Harmonics 2 up to 20 kHz against the fundamental, over the last second."""
    lines = np.abs(np.fft.rfft(volts[0, -rate:]))
    return float(100 * np.sqrt((lines[2 * hz : 20_000 : hz] ** 2).sum()) / lines[hz])


def guitar_like(rate: int, seconds: float = 1.5) -> np.ndarray:
    """A chord of decaying partials below 11 kHz, the same at any rate, peak 1."""
    t = np.arange(round(rate * seconds)) / rate
    line = np.zeros(t.size)
    for root in (98.0, 146.8, 246.9):
        for k in range(1, int(11_000 / root)):
            decay = np.exp(-t * (1.5 + 0.1 * k))
            line += decay * np.sin(2 * np.pi * root * k * t + 1.7 * k * k) / k
    return (line / np.abs(line).max())[np.newaxis]


@pytest.mark.parametrize("gain_db", [-60.0, 0.0, 8.0, 12.0, 40.0, 80.0])
@pytest.mark.parametrize("loop_level_dbu", [-20.0, -8.0, 4.0])
def test_gain_is_the_small_signal_gain_at_1_khz(gain_db: float, loop_level_dbu: float) -> None:
    small_dbu = -75.0 - max(gain_db - 12.0, 0.0)
    amp = Amp(gain_db=gain_db, loop_level_dbu=loop_level_dbu)
    gain = settled_dbu(preamp(amp, sine(1000, small_dbu), 48_000)) - small_dbu
    assert gain == pytest.approx(gain_db + loop_level_dbu + 8.0, abs=0.01)


@pytest.mark.parametrize("rate", RATES)
def test_gain_is_the_same_at_every_rate(rate: int) -> None:
    assert settled_dbu(preamp(Amp(), sine(1000, -75, rate), rate)) == pytest.approx(-63, abs=0.01)


def test_loop_level_at_the_defaults() -> None:
    # Board: -8 dBu at the send for 1 kHz of -20 dBu; the stages bend a little already.
    assert settled_dbu(preamp(Amp(), sine(1000, -20), 48_000)) == pytest.approx(-8, abs=0.1)


def test_small_signals_follow_the_circuits_of_the_preamp() -> None:
    rate = 48_000
    impulse = np.zeros((1, rate))
    impulse[0, 100] = 1e-6
    amp = Amp(bass=0.2, middle=0.9, treble=0.7)
    hz = np.array([40.0, 200, 1000, 5000, 10_000])
    got = np.abs(np.fft.rfft(preamp(amp, impulse, rate)[0]))[hz.astype(int)] / 1e-6
    wanted = stages.tone_response(stages.NETWORK, 0.2, 0.9, 0.7).at(hz)
    # References §9 (circuit theory): Cgk + Cgp (1 + A) behind 68 kohm, here with A = 61.365 and
    # 31.788; 270 k and 91 k beside each other are 68.06 kohm.
    for ohm, gain in ((68e3, 61.365), (68e3, 31.788), (68.06e3, 61.365)):
        wanted = wanted / (1 + 2j * np.pi * hz * ohm * (1.6e-12 + 1.7e-12 * (1 + gain)))
    # The small capacitor, 47 nF into 361 kohm, the send's; and both cathodes.
    for corner in (stages.COUPLING_HZ, 9.380, stages.SEND_COUPLING_HZ):
        wanted = wanted * 1j * hz / (corner + 1j * hz)
    wanted = wanted * ((4.8229 + 1j * hz) / (9.3104 + 1j * hz)) ** 2
    off_db = 20 * np.log10(got / np.abs(wanted))
    worst = np.abs(off_db - off_db[2]).max()
    print(f"preamp, small signals: within {worst:.3f} dB of its circuits")
    assert worst < 0.05


def test_grid_pole_is_that_of_the_references() -> None:
    # References §9: a gain of 60 makes 105.3 pF, with 68 kohm 22.23 kHz.
    pole = stages._grid_pole(stages.FIRST, 60.0).poles[0].real
    assert -pole / (2 * np.pi) == pytest.approx(22_230, rel=5e-4)


@pytest.mark.parametrize("rate", RATES)
def test_processing_adds_no_delay(rate: int) -> None:
    # The phase of 3 kHz against the circuits' own, as time.
    hz = 3000
    tone = sine(hz, -75, rate)
    amp = Amp(damping=1000)

    def angle(volts: np.ndarray) -> float:
        turn = np.exp(-2j * np.pi * hz * np.arange(tone.shape[1]) / rate)
        half = tone.shape[1] // 2
        return float(np.angle(np.sum(volts[0, half:] * turn[half:])))

    s = 1j * hz
    circuits = stages.tone_response(stages.NETWORK, 0.5, 0.5, 0.5).at(float(hz))
    circuits *= s / (s + 230) * s / (s + 9.38) * s / (s + 7) * s / (s + 10)
    circuits /= (1 + s / 21_750) ** 2 * (1 + s / 41_000)
    out = power(amp, preamp(amp, tone, rate), rate)
    turned = angle(out) - angle(tone) - float(np.angle(circuits))
    late_s = -((turned + np.pi) % (2 * np.pi) - np.pi) / (2 * np.pi * hz)
    print(f"{rate}: {late_s * 1e6:+.1f} us, {late_s * rate:+.2f} frames")
    assert abs(late_s) < 6e-6


def test_a_plain_cable_sounds_the_same_at_any_loop_level() -> None:
    volts = 0.4 * guitar_like(48_000)
    ends = []
    for loop_level_dbu in (-20.0, -8.0, 4.0):
        amp = Amp(gain_db=20, loop_level_dbu=loop_level_dbu)
        ends.append(power(amp, preamp(amp, volts, 48_000), 48_000))
    np.testing.assert_allclose(ends[0], ends[1], atol=1e-10)
    np.testing.assert_allclose(ends[2], ends[1], atol=1e-10)


def test_more_gain_raises_the_send_until_it_clips() -> None:
    volts = sine(220, -17)
    levels = [
        settled_dbu(preamp(Amp(gain_db=g), volts, 48_000)) for g in (0, 8, 12, 16, 22, 28, 40)
    ]
    print("send at gain 0 8 12 16 22 28 40:", [round(level, 1) for level in levels], "dBu")
    assert np.all(np.diff(levels) > 0)
    assert levels[1] - levels[0] == pytest.approx(8, abs=0.3)
    # Practice §1 (trial): about the loop's level and 14 dB when the preamp clips.
    assert levels[-1] == pytest.approx(-8 + 14, abs=3)


def test_distortion_grows_with_gain_and_with_the_guitar() -> None:
    for change in ("gain_db", "level"):
        thd = []
        for step in (0, 6, 12, 18):
            amp = Amp(gain_db=8 + (step if change == "gain_db" else 0))
            volts = sine(220, -20 + (step if change == "level" else 0), seconds=1.5)
            thd.append(thd_percent(preamp(amp, volts, 48_000), 220, 48_000))
        print(f"THD over {change} in steps of 6 dB:", [round(value, 1) for value in thd], "%")
        assert np.all(np.diff(thd) > 0)
        assert thd[0] < 4
        assert thd[-1] > 10


def test_a_hard_hit_biases_the_preamp_off_and_it_comes_back() -> None:
    rate = 48_000
    quiet = sine(1000, -60, rate, 0.5)
    hit = np.concatenate((quiet, sine(220, -5, rate, 0.2), quiet), axis=1)
    out = preamp(Amp(gain_db=30), hit, rate)[0]
    # Tens of milliseconds at 1 kHz, by projection: what the coupling capacitors give back is lower.
    turn = np.exp(-2j * np.pi * 1000 * np.arange(out.size) / rate)
    level = 20 * np.log10(np.abs((out * turn).reshape(-1, rate // 200).sum(axis=1)))
    lost = level[99] - level[[142, 144, 150, 160, 239]]
    print("gain lost 10 20 50 100 495 ms after a hard hit:", np.round(lost, 2), "dB")
    assert lost[0] > 1
    assert np.all(np.abs(lost[3:]) < 0.1)


def test_a_hot_preamp_sounds_like_one_that_is_not() -> None:
    # At HOT_GAIN_DB the oversampling doubles: nothing else may change.
    volts = 0.1 * guitar_like(48_000)
    below = preamp(Amp(gain_db=stages.HOT_GAIN_DB), volts, 48_000)
    above = preamp(Amp(gain_db=stages.HOT_GAIN_DB + 1e-9), volts, 48_000)
    off_db = 10 * np.log10(np.mean((above - below) ** 2) / np.mean(below**2))
    print(f"difference of the two oversamplings at {stages.HOT_GAIN_DB:g} dB: {off_db:.1f} dB")
    assert off_db < -40


def test_push_pull_is_odd_and_makes_odd_harmonics_only() -> None:
    volts = sine(220, 8)
    out = power(Amp(), volts, 48_000)
    np.testing.assert_allclose(power(Amp(), -volts, 48_000), -out, rtol=0, atol=1e-8)
    # The supply's own fall makes no even ones either once it has settled.
    settled = np.abs(np.fft.rfft(power(Amp(), sine(220, 8, seconds=3), 48_000)[0, -48_000:]))
    even, odd = settled[440:20_000:440], settled[660:20_000:440]
    print(f"even harmonics {20 * np.log10(even.max() / odd.max()):.1f} dB against odd ones")
    assert even.max() < 1e-5 * odd.max()


def test_sag_acts_on_the_ceiling_not_on_small_signals() -> None:
    hard, soft = sine(1000, 10), sine(1000, -40)
    loud = [settled_dbu(power(Amp(sag=sag), hard, 48_000)) for sag in (0.0, 1.0)]
    small = [settled_dbu(power(Amp(sag=sag), soft, 48_000)) for sag in (0.0, 1.0)]
    rest = [np.abs(power(Amp(sag=sag), hard, 48_000)[0, :480]).max() for sag in (0.0, 1.0)]
    assert small[0] == pytest.approx(small[1], abs=0.01)
    assert rest[1] > 1.1 * rest[0]
    assert loud[1] < loud[0]


@pytest.mark.parametrize(("watts", "speaker_ohm"), [(20.0, 8.0), (5.0, 16.0), (50.0, 4.0)])
@pytest.mark.parametrize("sag", [0.0, 0.3, 1.0])
def test_rated_power_at_the_loops_level_and_6_db(
    watts: float, speaker_ohm: float, sag: float
) -> None:
    amp = Amp(watts=watts, speaker_ohm=speaker_ohm, sag=sag)
    out = power(amp, sine(1000, -8 + 6), 48_000)[0, 24_000:]
    assert np.mean(out**2) / speaker_ohm == pytest.approx(watts, rel=0.01)


def test_twenty_watts_are_the_table_s_volts() -> None:
    # Practice §1 (circuit theory): 20 W into 8 ohm is 12.65 V RMS.
    out = power(Amp(), sine(1000, -2), 48_000)
    assert units.dbu_to_volts(settled_dbu(out)) == pytest.approx(12.65, abs=0.03)


def test_clipping_limits_the_power() -> None:
    levels = [
        settled_dbu(power(Amp(sag=0), sine(1000, -2 + up), 48_000)) for up in (-20, 0, 10, 40)
    ]
    print("speaker 20 dB below, at, 10 and 40 dB above full power:", np.round(levels, 1), "dBu")
    assert levels[1] - levels[0] == pytest.approx(19.3, abs=0.3)
    # A square of the ceiling is the most there is: 1.1 times the rated peak.
    most = units.volts_to_dbu(1.1 * np.sqrt(2 * 20 * 8))
    assert levels[1] < levels[2] < levels[3] < most + 0.05
    assert levels[3] == pytest.approx(most, abs=0.1)


def test_volume_stands_ahead_of_the_power_stage() -> None:
    quiet, loud = sine(300, -30), sine(300, -18)
    turned_up = power(Amp(volume_db=12), quiet, 48_000)
    np.testing.assert_allclose(turned_up, power(Amp(), loud, 48_000), atol=1e-9)


def test_sag_takes_the_level_down_over_tens_of_milliseconds_and_gives_it_back() -> None:
    rate = 48_000
    loud, quiet = sine(1000, 6, rate, 0.5), sine(1000, -8, rate, 0.5)
    out = power(Amp(sag=1.0), np.concatenate((quiet, loud, quiet, loud), axis=1), rate)[0]
    peaks = np.abs(out).reshape(-1, rate // 100).max(axis=1)
    attack, held = peaks[51], peaks[95]
    print(f"sag 1: {attack:.1f} V at the attack, {held:.1f} V after half a second")
    assert attack > 1.15 * held
    # 60 ms: at 100 ms more than half of the way down, at 10 ms less than half.
    assert peaks[60] < 0.5 * (attack + held) < peaks[51]
    # 0.5 s of quiet later the supply is back.
    assert peaks[151] == pytest.approx(attack, rel=0.03)


def test_without_sag_the_attack_is_the_sustain() -> None:
    out = power(Amp(sag=0.0, damping=1000), sine(1000, 6), 48_000)[0]
    peaks = np.abs(out).reshape(-1, 480).max(axis=1)
    assert peaks[5] == pytest.approx(peaks[95], rel=2e-3)


def test_speaker_s_resonance_and_rise_reach_the_speaker() -> None:
    levels = [
        settled_dbu(power(Amp(damping=damping), sine(hz, -30), 48_000))
        for damping in (1.0, 1000.0)
        for hz in (90, 600, 5000)
    ]
    lift = np.subtract(levels[:3], levels[3:])
    print("damping 1 against none, 90 600 5000 Hz:", np.round(lift, 2), "dB")
    assert 4 < lift[0] - lift[1] < 5.1
    assert 3 < lift[2] - lift[1] < 4.1


def test_full_scale_is_rated_power_and_6_db() -> None:
    # Practice §1: 20 W into 8 ohm is 24.26 dBu.
    assert full_scale_dbu(Amp()) == pytest.approx(24.26 + 6, abs=0.01)
    assert full_scale_dbu(Amp(watts=50)) == pytest.approx(28.2 + 6, abs=0.1)


@pytest.mark.parametrize("rate", RATES[:-1])
def test_rates_agree_in_third_octaves(rate: int) -> None:
    amp = Amp(gain_db=18)
    bands = 1000 * 10 ** (np.arange(-10, 11) / 10)

    def third_octaves_db(at: int) -> np.ndarray:
        out = cabinet(amp, power(amp, preamp(amp, 0.5 * guitar_like(at), at), at), at)[0]
        # The window keeps the cut at the end from standing in for what the top bands hold.
        energy = np.abs(np.fft.rfft(out * np.hanning(out.size)) / at) ** 2
        hz = np.fft.rfftfreq(out.size, 1 / at)
        edges = np.searchsorted(hz, np.outer(bands, (10**-0.05, 10**0.05)))
        return 10 * np.log10([energy[low:high].sum() for low, high in edges])

    worst = np.abs(third_octaves_db(rate) - third_octaves_db(192_000)).max()
    print(f"{rate} against 192000: third octaves 100 Hz to 10 kHz within {worst:.3f} dB")
    assert worst < 0.2


@settings(max_examples=25, deadline=None)
@given(
    gain_db=st.floats(-60, 80),
    volume_db=st.floats(-60, 80),
    tone=st.tuples(st.floats(0, 1), st.floats(0, 1), st.floats(0, 1)),
    loop_level_dbu=st.floats(-60, 40),
    watts=st.floats(0.01, 1000),
    sag=st.floats(0, 1),
    damping=st.floats(0.01, 1000),
    speaker_hz=st.floats(20, 500),
    frames=st.integers(1, 600),
    peak_dbu=st.floats(-120, 80),
    rate=st.sampled_from(RATES),
    kind=st.sampled_from(("open", "closed")),
)
def test_any_setting_and_input_gives_finite_volts(
    gain_db, volume_db, tone, loop_level_dbu, watts, sag, damping, speaker_hz, frames, peak_dbu,
    rate, kind,
) -> None:  # fmt: skip
    amp = Amp(
        gain_db=gain_db,
        volume_db=volume_db,
        bass=tone[0],
        middle=tone[1],
        treble=tone[2],
        loop_level_dbu=loop_level_dbu,
        watts=watts,
        sag=sag,
        damping=damping,
        speaker_hz=speaker_hz,
        cabinet=kind,
    )
    volts = units.dbu_to_volts(peak_dbu) * np.random.default_rng(frames).uniform(-1, 1, (2, frames))
    before = volts.copy()
    sent = preamp(amp, volts, rate)
    spoken = power(amp, sent, rate)
    heard = cabinet(amp, spoken, rate)
    for out in (sent, spoken, heard):
        assert out.shape == volts.shape
        assert out.dtype == np.float64
        assert out.flags.c_contiguous
        assert np.isfinite(out).all()
    assert np.array_equal(volts, before)


@pytest.mark.parametrize("frames", [1, 7, 5000])
def test_silence_stays_silence(frames: int) -> None:
    amp = Amp(gain_db=50, volume_db=40, sag=1)
    silence = np.zeros((1, frames))
    for function in (preamp, power, cabinet):
        assert not function(amp, silence, 48_000).any()


def test_channels_are_alike_and_apart() -> None:
    one = 0.3 * guitar_like(48_000, 0.3)
    other = np.zeros_like(one)
    for function in (preamp, power, cabinet):
        both = function(Amp(gain_db=20), np.concatenate((one, other)), 48_000)
        np.testing.assert_array_equal(both[:1], function(Amp(gain_db=20), one, 48_000))
        assert not both[1].any()


def test_no_steady_voltage_at_send_and_speaker() -> None:
    rate = 48_000
    riff = np.tile(0.6 * guitar_like(rate, 0.5), 20)
    riff = np.concatenate((riff, np.zeros((1, rate))), axis=1)
    amp = Amp(gain_db=25)
    sent = preamp(amp, riff, rate)
    spoken = power(amp, sent, rate)
    means_mv = 1e3 * sent.mean(), 1e3 * spoken.mean()
    print(f"mean at the send {means_mv[0]:.4f} mV, at the speaker {means_mv[1]:.4f} mV")
    assert max(np.abs(means_mv)) < 1


def test_the_default_polarity_is_the_inputs() -> None:
    volts = sine(1000, -60)
    out = power(Amp(), preamp(Amp(), volts, 48_000), 48_000)
    assert np.sum(out[0, 24_000:] * volts[0, 24_000:]) > 0


def test_importing_the_amplifier_loads_neither_compiler_nor_filters() -> None:
    code = "import sys, simchain.amp; print([m for m in ('numba', 'scipy') if m in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_the_package_shows_what_the_chain_needs() -> None:
    assert set(amps.__all__) == {"Amp", "cabinet", "full_scale_dbu", "power", "preamp"}
