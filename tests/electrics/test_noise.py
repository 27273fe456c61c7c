"""Thermal noise, hiss and hum against worked values, closed forms and ngspice."""

import json
import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from scipy.fft import next_fast_len
from scipy.integrate import quad

from simchain.electrics.noise import BOLTZMANN, Hiss, hum, thermal_nv
from simchain.filters.circuit import GROUND, Circuit
from simchain.units import ratio_to_db, volts_to_dbu
from tests.references.noise import networks, run_ngspice

FIGURES = json.loads(
    (Path(__file__).parents[1] / "references" / "noise" / "figures.json").read_text()
)
RATE = 48_000
BAND = 20_000.0
KT = BOLTZMANN * 300.0


def rms(volts):
    return math.sqrt(np.mean(np.square(volts)))


def heard(hiss, seed=1, frames=2 * RATE, rate=RATE):
    return hiss.volts(frames, rate, np.random.default_rng(seed))


# ohm, kelvin, uV over 20 kHz (references §9; 20 kHz, k exact).
JOHNSON = [
    (1e6, 290.0, 17.8972),
    (1e6, 300.0, 18.2032),
    (500e3, 300.0, 12.8716),
    (250e3, 300.0, 9.1016),
    (10e3, 300.0, 1.82032),
    (1e3, 300.0, 0.575635),
]


@pytest.mark.parametrize(("ohm", "kelvin", "uv"), JOHNSON)
def test_noise_of_a_resistor(ohm, kelvin, uv):
    hiss = Hiss.white(thermal_nv(ohm, kelvin))
    theory_off = ratio_to_db(hiss.rms_volts() / (uv * 1e-6))
    made_off = ratio_to_db(rms(heard(hiss)) / (uv * 1e-6))
    print(
        f"{ohm:g} ohm, {kelvin:g} K: {hiss.rms_volts() * 1e6:.5f} uV, {theory_off:+.5f} dB", end=""
    )
    print(f"; as a signal {made_off:+.5f} dB")
    assert abs(theory_off) < 0.01
    assert abs(made_off) < 0.1


@pytest.mark.parametrize(("kelvin", "dbu"), [(290.0, -92.726), (300.0, -92.579)])
def test_a_megohm_in_dbu(kelvin, dbu):
    """References §9."""
    level = volts_to_dbu(rms(heard(Hiss.white(thermal_nv(1e6, kelvin)))))
    assert level == pytest.approx(dbu, abs=0.01)


def test_densities_at_300_k():
    """References §9: 1 k, 10 k, 1 M."""
    np.testing.assert_allclose(thermal_nv([1e3, 10e3, 1e6]), [4.0704, 12.872, 128.72], rtol=5e-5)


# en nV, in pA, ohm, total nV or None, dBu over 20 kHz (references §9).
OP_AMPS = [
    (18, 0.01, 10e3, 22.13, -107.872),
    (5, 0.6, 10e3, 15.06, -111.217),
    (5, 0.6, 100e3, None, -97.543),
    (18, 0.01, 100e3, None, -101.801),
]


@pytest.mark.parametrize(("en", "pa", "ohm", "nv", "dbu"), OP_AMPS)
def test_op_amp_with_its_source_resistance(en, pa, ohm, nv, dbu):
    """Voltage noise, thermal noise and current noise through the resistance, added as signals."""
    densities = [en, float(thermal_nv(ohm)), pa * 1e-3 * ohm]
    total = math.hypot(*densities)
    added = sum(heard(Hiss.white(one), seed) for seed, one in enumerate(densities))
    level = volts_to_dbu(rms(added))
    print(f"en {en} nV, in {pa} pA, {ohm:g} ohm: {total:.2f} nV, {level:.3f} dBu for {dbu}")
    if nv is not None:
        assert total == pytest.approx(nv, abs=0.006)
    assert volts_to_dbu(Hiss.white(total).rms_volts()) == pytest.approx(dbu, abs=0.001)
    assert level == pytest.approx(dbu, abs=0.1)


def test_cascaded_stages_in_both_orders():
    """References §9 (Friis): A has gain 10 and 2 uV at its input, B gain 1 and 10 uV."""
    for seed in range(0, 20, 2):
        a, b = heard(Hiss.of_total(2.0), seed), heard(Hiss.of_total(10.0), seed + 1)
        first, last = rms(10.0 * a + b) * 1e6, rms(10.0 * (b + a)) * 1e6
        worse = ratio_to_db(last / first)
        print(f"A before B {first:.4f} uV, B before A {last:.4f} uV, {worse:.4f} dB worse")
        assert abs(ratio_to_db(first / 22.3607)) < 0.1
        assert abs(ratio_to_db(last / 101.9804)) < 0.1
        assert worse == pytest.approx(13.1806, abs=0.1)


def test_two_sources_add_in_power():
    off = []
    for seed in range(0, 40, 2):
        both = heard(Hiss.of_total(30.0), seed) + heard(Hiss.of_total(40.0), seed + 1)
        off.append(ratio_to_db(rms(both) / 50e-6))
    print(f"30 and 40 uV make 50 uV: {min(off):+.3f} to {max(off):+.3f} dB over 20 pairs of seeds")
    assert np.abs(off).max() < 0.1
    doubled = 2.0 * heard(Hiss.of_total(30.0))
    assert ratio_to_db(rms(doubled) / 30e-6) == pytest.approx(6.0206, abs=1e-3)


@pytest.mark.parametrize(("ohm", "farad"), [(10e3, 600e-12), (1e6, 800e-12), (10e6, 600e-12)])
def test_k_t_over_c_up_to_20_khz(ohm, farad):
    """The textbook's integral of 4 k T R / (1 + (2 pi f R C)^2); k T / C without the band's end."""
    circuit = Circuit()
    circuit.ohm("open", "a", ohm)
    circuit.farad("a", GROUND, farad)
    power = 2.0 / math.pi * KT / farad * math.atan(2 * math.pi * BAND * ohm * farad)
    hiss = Hiss.thermal(circuit, "a", ["open"])
    off = ratio_to_db(hiss.rms_volts() / math.sqrt(power))
    print(f"{ohm:g} ohm, {farad:g} F: {math.sqrt(power) * 1e6:.4f} uV, {off:+.4f} dB")
    assert abs(off) < 0.03
    assert abs(ratio_to_db(rms(heard(hiss)) / math.sqrt(power))) < 0.1


@pytest.mark.parametrize(
    ("henry", "series", "shunt", "farad"),
    [
        (2.4, 6e3, 1 / (2 / 250e3 + 1e-6), 610e-12),
        (4.5, 8e3, 1 / (2 / 500e3 + 1e-6), 1120e-12),
        (2.4, 6e3, 10e3, 610e-12),
        (3.5, 6.5e3, 1 / (1 / 1e6 + 1 / 22e6), 150e-12),
    ],
)
def test_noise_of_a_loaded_pickup_in_closed_form(henry, series, shunt, farad):
    """Nyquist's theorem on the loaded model of references §9, integrated by scipy."""

    def power(hz):
        s = 2j * math.pi * hz
        return 4 * KT * (1 / (1 / (series + s * henry) + 1 / shunt + s * farad)).real

    resonance = 1 / (2 * math.pi * math.sqrt(henry * farad))
    wanted = math.sqrt(quad(power, 0, BAND, points=[resonance], limit=500)[0])
    hiss = Hiss.thermal(networks.loaded_pickup(henry, series, shunt, farad), "w", ["open"])
    off = ratio_to_db(hiss.rms_volts() / wanted)
    made = ratio_to_db(rms(heard(hiss)) / wanted)
    hz = np.geomspace(20, BAND, 2000)
    between = 20 * np.log10(1e-9 * hiss.nv_at(hz) / np.sqrt([power(one) for one in hz]))
    print(
        f"{henry} H, {shunt:.0f} ohm: {wanted * 1e6:.4f} uV, {off:+.4f} dB, signal {made:+.4f}",
        end="",
    )
    print(f" dB; density within {np.abs(between).max():.3f} dB")
    assert abs(off) < 0.02
    assert abs(made) < 0.1
    assert np.abs(between).max() < 0.3


@pytest.mark.parametrize("case", FIGURES, ids=lambda case: case["netlist"])
def test_ngspice_agrees(case):
    circuit, node = networks.NETWORKS[case["netlist"]]()
    hz, density = np.array(case["density"]).T
    exact = 1e-9 * thermal_nv(circuit.impedance(node, ["open"], hz).real)
    hiss = Hiss.thermal(circuit, node, ["open"])
    table = 20 * np.log10(1e-9 * hiss.nv_at(np.minimum(hz, BAND)) / density)
    total = ratio_to_db(hiss.rms_volts() / case["total_volts"])
    made = ratio_to_db(rms(heard(hiss)) / case["total_volts"])
    print(f"{case['netlist']}: {case['total_volts'] * 1e6:.4f} uV, total {total:+.4f} dB", end="")
    print(f", signal {made:+.4f} dB, density within {np.abs(table).max():.4f} dB")
    assert np.abs(20 * np.log10(exact / density)).max() < 0.001
    assert np.abs(table).max() < 0.05
    assert abs(total) < 0.1
    assert abs(made) < 0.1


@pytest.mark.ngspice
@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
@pytest.mark.parametrize("case", FIGURES, ids=lambda case: case["netlist"])
def test_ngspice_still_gives_the_stored_figures(case):
    again = run_ngspice.figures(case["netlist"])
    for name in ("impedance", "density", "total_volts"):
        np.testing.assert_allclose(again[name], case[name], rtol=1e-6)


def test_density_of_the_signal_octave_by_octave():
    """A pickup's hump is where its table has it; the length is cut, the RMS brought back."""
    hiss = Hiss.thermal(*networks.NETWORKS["loaded_pickup"](), ["open"])
    frames = 2 * RATE + 7
    power = np.square(np.abs(np.fft.rfft(heard(hiss, frames=frames)))) * 2 / (frames * RATE)
    hz = np.fft.rfftfreq(frames, 1 / RATE)
    for low in 10_000 / 2 ** np.arange(9):
        band = (hz >= low) & (hz < 2 * low)
        wanted = np.sqrt(np.mean(np.square(hiss.nv_at(hz[band]))))
        off = ratio_to_db(1e9 * np.sqrt(np.mean(power[band])) / wanted)
        print(f"{low:8.1f} to {2 * low:8.1f} Hz: {wanted:.3f} nV, {off:+.4f} dB")
        assert abs(off) < 0.1


@pytest.mark.parametrize("frames", [96_000, 96_001, 100_003])
def test_nothing_above_20_khz(frames):
    volts = heard(Hiss.white(100.0), frames=frames, rate=96_000)
    level = np.abs(np.fft.rfft(volts * np.blackman(frames)))
    hz = np.fft.rfftfreq(frames, 1 / 96_000)
    over = 20 * np.log10(level[hz > 20_050].max() / level[hz < 19_950].mean())
    print(f"{frames} frames: {over:.0f} dB above 20 kHz")
    assert over < -90
    assert not Hiss.white(100.0).nv_at([20_001.0, 40_000.0]).any()


@pytest.mark.parametrize("hiss", [Hiss.white(25.0), Hiss((10.0, 20e3), (900.0, 9.0))])
@pytest.mark.parametrize("seconds", [0.5, 0.5003, 1.237, 7.001])
def test_same_level_at_every_rate_and_length(hiss, seconds):
    levels = [
        volts_to_dbu(rms(heard(hiss, 3, round(seconds * rate), rate)))
        for rate in (44_100, 48_000, 96_000, 192_000)
    ]
    off = np.subtract(levels, volts_to_dbu(hiss.rms_volts()))
    print(f"{seconds} s: {off.round(6)} dB at four rates")
    assert np.abs(off).max() < 1e-6


@pytest.mark.parametrize("hiss", [Hiss.white(10.0), Hiss((1.0, 5.0, 50.0), (900.0, 600.0, 9.0))])
def test_bringing_the_level_back_is_a_small_step(hiss):
    """Cut from the next quick length, the samples are those of the whole, times one factor."""
    steps = []
    for rate, frames in [(44_100, 22_051), (48_000, 24_007), (48_000, 25_001), (96_000, 48_511)]:
        whole = heard(hiss, 2, next_fast_len(frames), rate)[:frames]
        cut = heard(hiss, 2, frames, rate)
        steps.append(ratio_to_db(rms(cut) / rms(whole)))
        np.testing.assert_allclose(cut * rms(whole) / rms(cut), whole, rtol=0, atol=1e-12)
    print("brought back by", np.round(steps, 4), "dB")
    assert np.any(steps)
    assert np.abs(steps).max() < (0.02 if len(hiss.hz) == 1 else 0.15)


@pytest.mark.parametrize("frames", [0, 1, 2, 999])
def test_short_lengths(frames):
    volts = heard(Hiss.white(10.0), frames=frames)
    assert volts.shape == (frames,)
    assert volts.dtype == np.float64
    assert np.isfinite(volts).all()


def test_short_pieces_are_a_fair_sample():
    """One frame of many seeds has the spread of the whole."""
    hiss = Hiss.of_total(100.0)
    firsts = [heard(hiss, seed, 1)[0] for seed in range(400)]
    assert abs(ratio_to_db(rms(firsts) / 100e-6)) < 1.0


def test_it_is_gaussian_and_even():
    """Crest and fourth moment of noise, not of a click or a chirp; every tenth equally loud."""
    volts = heard(Hiss.white(10.0), frames=10 * RATE)
    fourth = np.mean(volts**4) / np.mean(volts**2) ** 2
    tenths = [ratio_to_db(rms(part) / rms(volts)) for part in np.split(volts, 10)]
    print(f"fourth moment {fourth:.3f} (3), tenths within {np.abs(tenths).max():.3f} dB")
    assert fourth == pytest.approx(3.0, abs=0.05)
    assert np.abs(tenths).max() < 0.2
    assert np.abs(volts).max() / rms(volts) > 3.5


def test_seeds():
    hiss = Hiss.white(20.0)
    np.testing.assert_array_equal(heard(hiss, 5), heard(hiss, 5))
    correlations = [np.corrcoef(heard(hiss, 5), heard(hiss, seed))[0, 1] for seed in range(6, 16)]
    print(f"correlation of ten pairs of seeds: at most {np.abs(correlations).max():.4f}")
    # One standard deviation is 1 / sqrt(2 * 40,000 sines) = 0.0035.
    assert np.abs(correlations).max() < 0.015


def test_content_is_what_counts():
    """Equal noise is equal, hashes and looks the same: it is part of a step's key."""
    one, other = Hiss.white(thermal_nv(10e3)), Hiss.white(float(thermal_nv(10e3)))
    assert one == other
    assert hash(one) == hash(other)
    assert repr(one) == repr(other)
    assert "np." not in repr(one)
    assert repr(Hiss.white(12.0)) != repr(Hiss.white(12.0000001))
    assert Hiss.white(0.0).rms_volts() == 0.0
    assert not heard(Hiss.white(0.0), frames=24_007).any()


@pytest.mark.parametrize(
    ("hz", "nv", "words"),
    [
        ((), (), "0 frequencies"),
        ((1.0, 2.0), (1.0,), "2 frequencies for 1 densities"),
        ((2.0, 1.0), (1.0, 1.0), "rise"),
        ((-1.0, 1.0), (1.0, 1.0), "rise"),
        ((math.nan,), (1.0,), "rise"),
        ((1.0,), (-1.0,), "0 nV"),
        ((1.0,), (math.inf,), "0 nV"),
    ],
)
def test_what_is_no_noise_is_refused(hz, nv, words):
    with pytest.raises(ValueError, match=words):
        Hiss(hz, nv)


@pytest.mark.parametrize("mains_hz", [50, 60])
@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_hum_is_as_loud_as_asked(mains_hz, rate):
    volts = hum(-65.0, mains_hz, rate, rate)
    level = volts_to_dbu(rms(volts))
    part = volts_to_dbu(rms(hum(-65.0, mains_hz, int(0.5137 * rate), rate)))
    print(f"{mains_hz} Hz at {rate}: {level:.6f} dBu; over half a second and a bit {part:.4f}")
    assert level == pytest.approx(-65.0, abs=1e-9)
    assert part == pytest.approx(-65.0, abs=0.05)
    peaks = np.abs(np.fft.rfft(volts))
    lines = np.flatnonzero(peaks > 1e-9 * peaks.max())
    assert lines.tolist() == list(range(mains_hz, 1_501, 2 * mains_hz))
    np.testing.assert_allclose(peaks[lines] / peaks[mains_hz], mains_hz / lines, rtol=1e-9)


def test_hum_starts_as_it_goes_on():
    """The first period is any other, and the waveform is one at every rate."""
    volts = hum(-40.0, 50, 96_000, RATE)
    np.testing.assert_allclose(volts[:960], volts[9_600:10_560], rtol=0, atol=1e-12)
    np.testing.assert_allclose(hum(-40.0, 50, 192_000, 96_000)[::2], volts, rtol=0, atol=1e-12)
    np.testing.assert_array_equal(hum(-40.0, 50, 7, RATE), volts[:7])
    assert hum(-40.0, 50, 0, RATE).shape == (0,)
    crest = ratio_to_db(np.abs(volts).max() / rms(volts))
    print(f"crest {crest:.1f} dB")
    assert 3.0 < crest < 9.0
    assert not hum(-math.inf, 60, 100, RATE).any()


@pytest.mark.parametrize("rate", [24_000, 32_000])
def test_a_low_rate_takes_the_part_of_the_band_that_it_has(rate):
    """White noise of density e has an RMS of e sqrt(B) in a band B: the density stays."""
    nv, top_hz = 100.0, 0.45 * rate
    volts = heard(Hiss.white(nv), frames=2 * rate, rate=rate)
    assert rms(volts) == pytest.approx(1e-9 * nv * math.sqrt(top_hz), rel=1e-3)
    spectrum = np.abs(np.fft.rfft(volts)) ** 2
    above = np.fft.rfftfreq(volts.size, 1 / rate) > top_hz + 1.0
    assert spectrum[above].sum() < 1e-4 * spectrum.sum()
