import json
import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from simchain.blocks.base import Moment
from simchain.blocks.fuzz import DIVIDER, Fuzz, _circuit, _middle
from tests.benchmarks.aliases import aliases_db, tone
from tests.references.fuzz import run_ngspice

TESTS = Path(__file__).parents[1]
FIGURES = json.loads((TESTS / "references" / "fuzz" / "harmonics.json").read_text())
RATE = 48_000
RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
CASE_KEYS = ("hz", "gain_db", "bias", "octave", "peak")
SEEN_DB = -50
# (forward + 1) (Vt / Ie + Re), 0.45 mA at the collector.
BASE_ITSELF_OHM = 151 * (25.865e-3 / 0.453e-3 + 220)


def settled(fuzz, peak, hz, rate=RATE):
    """Return a second of the settled answer to a sine, (frames,)."""
    wave = peak * np.sin(2 * np.pi * hz * np.arange(rate * 3 // 2) / rate)
    return fuzz.process(wave[None], Moment(rate))[0, rate // 2 :][:rate]


def harmonics(fuzz, peak, hz, rate=RATE, count=45):
    """Return peak volts of the harmonics in the settled state."""
    spectrum = np.abs(np.fft.rfft(settled(fuzz, peak, hz, rate))) / (rate / 2)
    return spectrum[(np.arange(1, count + 1) * int(hz)).clip(max=rate // 2)]


def db(ratio):
    return 20 * math.log10(ratio)


def of_case(case, **changed):
    controls = {key: case[key] for key in ("gain_db", "bias", "octave")}
    return Fuzz(**{**controls, "tone_hz": 0, **changed})


def seen(case):
    """Harmonics to 10 kHz within 50 dB of the strongest (with the octave that is the second)."""
    volts = np.array(case["volts"])
    strong = volts > 10 ** (SEEN_DB / 20) * volts.max()
    return strong & (np.arange(1, 46) * case["hz"] <= 10_000)


@pytest.mark.parametrize("rate", [48_000, 44_100, 96_000])
def test_fundamental_and_harmonics_are_ngspice_s(rate):
    """Five levels, two frequencies, four biases, more gain, the octave; the circuit alone."""
    off_first, off_others = [], []
    for case in FIGURES:
        found = harmonics(of_case(case), case["peak"], case["hz"], rate) / DIVIDER
        wanted, expected = seen(case), np.array(case["volts"])
        off = np.abs(20 * np.log10(found[wanted] / expected[wanted]))
        if wanted[0]:
            off_first.append(off[0])
        off_others.append(off.max())
        print([case[key] for key in CASE_KEYS], f"first {off[0]:.5f}, worst {off.max():.4f} dB")
        assert case["moved_db"] < 0.01
    print(f"worst fundamental {max(off_first):.5f} dB, worst harmonic {max(off_others):.4f} dB")
    assert len(FIGURES) == 28
    assert max(off_first) < 0.05
    assert max(off_others) < 0.3


@pytest.mark.ngspice
@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
@pytest.mark.parametrize("place", [pytest.param(2, marks=pytest.mark.soak), 7,
                                   pytest.param(11, marks=pytest.mark.soak)])  # fmt: skip
def test_ngspice_still_gives_the_stored_figures(place):
    case = FIGURES[place]
    again = run_ngspice.harmonics({key: case[key] for key in CASE_KEYS})
    stored, wanted = np.array(case["volts"]), seen(case)
    assert np.abs(20 * np.log10(again[wanted] / stored[wanted])).max() < 0.01


@pytest.mark.parametrize("bias", [0.0, 0.5, 0.8])
def test_biased_as_a_textbook_says(bias):
    """Gain, base's capacitor and bias sources by the formulas of the active region."""
    case = {"gain_db": 45.0, "bias": bias}
    by_hand, circuit = run_ngspice.values(case), _circuit(9.0, bias, 8000.0, 0.0)
    assert 10 ** (45 / 20) / _middle(9.0).gain == pytest.approx(by_hand["gain"], rel=1e-4)
    assert circuit.base_farad == pytest.approx(by_hand["basefarad"], rel=1e-4)
    assert circuit.first_base_volts == pytest.approx(by_hand["source1"] - 22e3 * 3e-6, abs=1e-5)
    if bias == 0.0:
        # Cut off: no current, the base stands at its source.
        assert circuit.second_base_volts == pytest.approx(by_hand["source2"], abs=1e-4)


@pytest.mark.parametrize("gain_db", [-20, 20, 45, 70])
@pytest.mark.parametrize("supply_volts", [9.0, 18.0])
def test_mid_band_gain_to_the_collector_is_gain_db(gain_db, supply_volts):
    """At 400 Hz, the base's capacitor out of the way; coupling takes 0.01 dB."""
    fuzz = Fuzz(gain_db=gain_db, supply_volts=supply_volts, high_cut_hz=1e6, tone_hz=0)
    peak = 1e-6 * 10 ** (-(gain_db - 45) / 20)
    found = 20 * np.log10(harmonics(fuzz, peak, 400, count=1)[0] / DIVIDER / peak)
    assert found == pytest.approx(gain_db, abs=0.03)


def test_high_cut_is_the_base_s_corner_for_small_signals():
    """Nodal analysis by hand round the second base; its own resistance by the textbook."""
    seen_ohm = 1 / (1 / 22e3 + 1 / 47e3 + 1 / BASE_ITSELF_OHM)

    def base(hz, corner_hz):
        s = 2j * math.pi * hz
        shunt = 1 / 47e3 + 1 / BASE_ITSELF_OHM + s / (2 * math.pi * seen_ohm * corner_hz)
        return abs(1 / (1 + shunt * (22e3 + 1 / (s * 0.22e-6))))

    wide, narrow = Fuzz(high_cut_hz=1e6, tone_hz=0), Fuzz(high_cut_hz=3000, tone_hz=0)
    for hz in (60, 300, 3000, 9000):
        ratio = harmonics(narrow, 1e-6, hz, count=1)[0] / harmonics(wide, 1e-6, hz, count=1)[0]
        assert db(ratio) == pytest.approx(db(base(hz, 3000) / base(hz, 1e6)), abs=0.01)
    assert db(base(3000, 3000) / base(3000, 1e6)) == pytest.approx(-3.01, abs=0.06)


def test_tone_is_a_first_order_high_cut_after_the_circuit():
    bright, dull = Fuzz(tone_hz=0), Fuzz(tone_hz=2000)
    for hz in (200, 2000, 8000):
        ratio = harmonics(dull, 0.05, hz, count=1)[0] / harmonics(bright, 0.05, hz, count=1)[0]
        expected = -10 * np.log10(1 + (hz / 2000) ** 2)
        assert 20 * np.log10(ratio) == pytest.approx(expected, abs=0.03)


@pytest.mark.parametrize("octave", [0.0, 0.5, 1.0])
@pytest.mark.parametrize(("gain_db", "hz", "limit_db"), [
    (45, 1249, -80), (45, 4999, -60), (70, 1249, -65), (70, 4999, -45),
])  # fmt: skip
def test_aliases(octave, gain_db, hz, limit_db):
    fuzz = Fuzz(gain_db=gain_db, octave=octave)
    figure = aliases_db(fuzz.process(tone(0.3, hz, RATE), Moment(RATE))[0], hz, RATE)
    print(f"fuzz, gain {gain_db} dB, octave {octave}, 0.3 V, {hz} Hz: {figure:.1f} dB")
    assert figure < limit_db


def test_low_bias_gates():
    """Small notes vanish, loud ones stay: 4 mV and 0.3 V at 220 Hz against bias 0.5."""
    lost = {
        peak: db(harmonics(Fuzz(bias=0), peak, 220)[0] / harmonics(Fuzz(), peak, 220)[0])
        for peak in (0.004, 0.3)
    }
    print("bias 0 against 0.5, fundamental:", {peak: f"{v:.1f} dB" for peak, v in lost.items()})
    assert lost[0.004] < -40
    assert lost[0.3] > -3


def test_what_it_clips_pushes_it_off_for_a_while():
    """A small tone after a loud one: swallowed at first, whole again after a tenth of a second."""
    seconds = np.arange(RATE) / RATE
    small = 0.004 * np.sin(2 * np.pi * 1000 * seconds)
    loud = np.where(seconds < 0.4, 1.0 * np.sin(2 * np.pi * 1000 * seconds), 0.0)
    fuzz = Fuzz(bias=0.4)
    found = fuzz.process((small + loud)[None], Moment(RATE))[0]
    parts = [found[int(t * RATE) : int((t + 0.005) * RATE)] for t in (0.403, 0.6)]
    just_after, later = (
        2 * abs(np.exp(-2j * np.pi * 1000 * seconds[:240]) @ p) / 240 for p in parts
    )
    print(f"small tone 3 ms after a loud one: {db(just_after / later):.1f} dB")
    assert just_after < 0.3 * later


def test_cleans_up_and_sustains():
    """Common practice, no source: even and odd harmonics when pushed, few when played softly."""
    soft, loud, louder = (harmonics(Fuzz(), peak, 220) for peak in (0.004, 0.1, 0.4))
    print("second, third harmonic: 4 mV", *(f"{db(v / soft[0]):.1f}" for v in soft[1:3]),
          "dB, 0.1 V", *(f"{db(v / loud[0]):.1f}" for v in loud[1:3]), "dB")  # fmt: skip
    assert db(soft[1] / soft[0]) < -35
    assert db(loud[1] / loud[0]) > -25
    assert db(loud[2] / loud[0]) > -15
    assert db(louder[0] / loud[0]) < 3


def test_octave_brings_the_second_harmonic_and_takes_the_first():
    for peak in (0.01, 0.1):
        plain, up = (harmonics(Fuzz(octave=o), peak, 440) for o in (0.0, 1.0))
        print(f"octave at {peak} V: first {db(up[0] / up[1]):.1f} dB against second")
        assert up[0] < 0.1 * up[1]
        assert plain[1] < 0.5 * plain[0]


@pytest.mark.parametrize("bias", [0.1, 0.5, 1.0])
def test_no_direct_voltage_leaves(bias):
    for octave in (0.0, 1.0):
        mean = settled(Fuzz(bias=bias, octave=octave), 0.3, 220).mean()
        assert abs(mean) < 1e-3
    assert abs(Fuzz(bias=bias).process(np.full((1, RATE), 5.0), Moment(RATE))[0, -1]) < 1e-6


THIRD_OCTAVES_HZ = tuple(round(1000 * 2 ** (k / 3)) for k in range(-13, 11))


def band_levels_db(volts, rate):
    """Power in third octaves round 50 Hz to 10 kHz, by one transform of the whole."""
    power = np.abs(np.fft.rfft(volts)) ** 2 / volts.size**2
    hz = np.fft.rfftfreq(volts.size, 1 / rate)
    edges = [(f * 2 ** (-1 / 6), f * 2 ** (1 / 6)) for f in THIRD_OCTAVES_HZ]
    return 10 * np.log10([power[(hz >= low) & (hz < high)].sum() for low, high in edges])


def chord(rate):
    """A chord that dies away, made of sines at any rate; two seconds."""
    seconds = np.arange(2 * rate) / rate
    tones = [np.sin(2 * np.pi * hz * n * seconds) / n
             for hz in (110.0, 164.8, 220.3) for n in range(1, 20)]  # fmt: skip
    return 0.1 * np.exp(-2 * seconds) * np.sum(tones, axis=0)


@pytest.mark.parametrize(
    "changed",
    [
        {},
        pytest.param({"bias": 0.2}, marks=pytest.mark.soak),
        {"octave": 1.0},
        {"gain_db": 65},
    ],
)
def test_every_rate_gives_the_same_sound(changed):
    levels = {
        rate: band_levels_db(Fuzz(**changed).process(chord(rate)[None], Moment(rate))[0], rate)
        for rate in RATES
    }
    heard = np.array(THIRD_OCTAVES_HZ) <= 8000
    for rate in RATES:
        off = np.abs(levels[rate] - levels[48_000])
        worst = (off[heard] if rate == 44_100 else off).max()
        print(f"{changed} {rate}: {worst:.3f} dB")
        assert worst < 0.2


@pytest.mark.parametrize("octave", [0.0, 1.0])
def test_no_delay(octave):
    """The whole spectrum against a sixteenth of a frame: small signals lie in phase."""
    fuzz = Fuzz(tone_hz=0, high_cut_hz=1e6, octave=octave)
    peak, hz = 1e-5, 3001
    wave = peak * np.sin(2 * np.pi * hz * np.arange(2 * RATE) / RATE)
    found = fuzz.process(wave[None], Moment(RATE))[0, RATE:]
    spectrum = np.fft.rfft(found)
    if octave == 0.0:
        angle = np.angle(spectrum[hz] / np.fft.rfft(wave[RATE:])[hz])
    else:
        # |sin x| = 2/pi - 4/(3 pi) cos 2x - ..., and the circuit turns it over once more.
        angle = np.angle(spectrum[2 * hz])
        hz = 2 * hz
    assert abs(angle) / (2 * np.pi * hz) * RATE < 1 / 16


def test_two_channels_each_by_itself(seeded):
    wave = 0.1 * seeded.standard_normal((2, 1000))
    both = Fuzz(inputs=2, outputs=2).process(wave, Moment(RATE))
    alone = Fuzz().process(wave[1:], Moment(RATE))
    assert np.array_equal(both[1:], alone)
    widened = Fuzz(outputs=2).process(wave[:1], Moment(RATE))
    assert np.array_equal(widened[0], widened[1])


@pytest.mark.parametrize("frames", [1, 2, 100, 5000])
def test_silence_stays_silence_at_any_length(frames):
    for rate in (44_100, 96_000, 192_000):
        for bias in (0.0, 0.5, 0.77):
            found = Fuzz(bias=bias, octave=0.3).process(np.zeros((1, frames)), Moment(rate))
            assert found.tolist() == [[0.0] * frames]


def test_dies_away_to_nothing():
    """No denormal numbers on the way."""
    click = np.zeros((1, 10 * RATE))
    click[0, :100] = 1.0
    found = Fuzz().process(click, Moment(RATE))[0]
    assert not found[-RATE:].any()
    assert np.abs(found[found != 0.0]).min() > 1e-200


def logarithmic(low, high):
    return st.floats(math.log(low), math.log(high)).map(math.exp)


anything = st.builds(
    Fuzz,
    gain_db=st.floats(-60, 80),
    bias=st.floats(0, 1),
    octave=st.floats(0, 1) | st.booleans(),
    high_cut_hz=logarithmic(11, 9e5),
    tone_hz=st.just(0.0) | logarithmic(1, 9e5),
    supply_volts=logarithmic(1e-3, 60),
    rail_margin_volts=st.just(0.0),
)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    anything,
    st.integers(1, 300),
    st.floats(0, 20),
    st.sampled_from(RATES),
    st.booleans(),
)
def test_finite_whatever_the_settings(fuzz, frames, peak, rate, square):
    noise = np.random.default_rng(frames).uniform(-1, 1, (1, frames))
    wave = peak * (np.sign(noise) if square else noise)
    before = wave.copy()
    found = fuzz.process(wave, Moment(rate))
    assert found.shape == wave.shape
    assert found.flags.c_contiguous
    assert np.isfinite(found).all()
    assert np.abs(found).max() < 2 * max(fuzz.supply_volts, 0.1) * DIVIDER * 1.5
    assert np.array_equal(wave, before)


def test_defaults_are_those_of_practice():
    fuzz = Fuzz()
    assert (fuzz.gain_db, fuzz.bias, fuzz.octave, fuzz.tone_hz, fuzz.level_db) == (
        45,
        0.5,
        0,
        4000,
        -6,
    )
    assert (fuzz.input_ohm, fuzz.output_ohm, fuzz.current_ma, fuzz.noise_nv) == (12e3, 10e3, 2, 10)
    assert fuzz.bypass == "true"
    assert not fuzz.is_lti()
    assert Fuzz(octave=True).octave == 1.0


@pytest.mark.parametrize("changed", [{"high_cut_hz": 0}, {"bias": 1.1}, {"octave": 2}])
def test_refuses(changed):
    with pytest.raises(ValidationError, match=next(iter(changed))):
        Fuzz(**changed)


@pytest.fixture
def seeded():
    return np.random.default_rng(2026)
