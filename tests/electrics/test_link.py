"""Loading by circuit theory, handbook values and ngspice: pickup, pots, cable and load together."""

import json
import math
import shutil
from pathlib import Path

import numpy as np
import pytest

from simchain.electrics import (
    Cable,
    Guitar,
    Link,
    Output,
    Piezo,
    Pot,
    as_recorded,
    link_response,
)
from simchain.filters.analogue import run_sections
from tests.references.link import run_ngspice

FIGURES = json.loads(
    (Path(__file__).parents[1] / "references" / "link" / "figures.json").read_text()
)
HZ = np.geomspace(20, 10_000, 200)


def db(response, hz):
    return 20 * np.log10(np.abs(response.at(hz)))


def loaded(inductance_h, series_ohm, shunt_ohm, farad):
    """The textbook model: L and Rs in series, C and Rp in parallel, in closed form."""
    s = 2j * np.pi * HZ
    return 1 / (1 + (series_ohm + s * inductance_h) * (1 / shunt_ohm + s * farad))


# L, Rs, coil pF, pots, load, cable pF: peak in Hz and dB of the loaded model (references §9,
# computed there independently; the tone capacitor shorted, as that model has it).
PEAKS = [
    (2.4, 6e3, 110, 250e3, 1e6, 300, 4422.70, 2.7283),
    (2.4, 6e3, 110, 250e3, 1e6, 500, 3803.41, 3.8522),
    (2.4, 6e3, 110, 250e3, 1e6, 700, 3374.50, 4.5946),
    (2.4, 6e3, 110, 250e3, 1e6, 1000, 2931.99, 5.3238),
    (4.5, 8e3, 120, 500e3, 1e6, 300, 3401.07, 4.7278),
    (4.5, 8e3, 120, 500e3, 1e6, 500, 2866.22, 5.8034),
    (4.5, 8e3, 120, 500e3, 1e6, 1000, 2175.64, 7.1088),
    (2.4, 6e3, 110, 250e3, 470e3, 500, 3705.7, 3.0509),
    (2.4, 6e3, 110, 250e3, 100e3, 500, 2489.0, -0.4118),
    (2.4, 6e3, 110, 250e3, 10e6, 500, 3871.7, 4.5719),
]


@pytest.mark.parametrize("row", PEAKS)
def test_loaded_pickup_is_the_handbook_s(row):
    henry, series, coil_pf, pots, load, cable_pf, peak_hz, peak_db = row
    guitar = Guitar(henry, series, coil_pf, pots, pots, tone_nf=1e9)
    response = link_response(guitar, [Cable(cable_pf)], load)
    hz = np.linspace(0.9, 1.1, 4001) * peak_hz
    levels = db(response, hz)
    # A pot's end of 1 ohm beside 250 k moves the peak by a few millionths.
    assert hz[levels.argmax()] == pytest.approx(peak_hz, rel=2e-3)
    assert levels.max() == pytest.approx(peak_db, abs=0.002)
    shunt = 1 / (2 / pots + 1 / load)
    theory = loaded(henry, series, shunt, (coil_pf + cable_pf) * 1e-12)
    off = np.abs(db(response, HZ) - 20 * np.log10(np.abs(theory))).max()
    print(f"{row[:6]}: within {off:.5f} dB of circuit theory, 20 Hz to 10 kHz")
    assert off < 0.03


@pytest.mark.parametrize(("tone_nf", "peak_hz"), [(22, 683.2), (47, 470.8)])
def test_tone_at_zero_moves_the_resonance(tone_nf, peak_hz):
    """References §9: tone pot at 0, L 2.4 H, 610 pF of coil and cable: 1 / (2 pi sqrt(L C))."""
    guitar = Guitar(2.4, 1.0, 110, 100e6, 250e3, tone_nf, tone=0.0)
    hz = np.linspace(0.95, 1.05, 2001) * peak_hz
    levels = db(link_response(guitar, [Cable(500)], 100e6), hz)
    assert hz[levels.argmax()] == pytest.approx(peak_hz, rel=1e-3)


@pytest.mark.parametrize(
    ("source_ohm", "load_ohm", "loss_db"),
    [(1e3, 10e3, -0.8279), (10e3, 10e3, -6.0206), (10e3, 1e6, -0.0864), (600, 10e3, -0.5061)],
)
def test_bridging_loss(source_ohm, load_ohm, loss_db):
    """References §2."""
    response = link_response(Output(source_ohm), [], load_ohm)
    assert 20 * math.log10(abs(response.at(1000.0))) == pytest.approx(loss_db, abs=1e-4)


@pytest.mark.parametrize(("metres", "corner_hz"), [(3, 53.05e3), (6, 26.53e3), (10, 15.92e3)])
def test_cable_pole(metres, corner_hz):
    """References §9: 10 kohm into 100 pF a metre."""
    response = link_response(Output(10e3), [Cable(100 * metres)], 1e12)
    assert abs(response.at(corner_hz)) == pytest.approx(2**-0.5, rel=1e-3)


def test_piezo_corner_and_cable_loss():
    """Practice §1 (calculated there): 600 pF into 1 M is 265 Hz; 3 m of cable costs 3.5 dB flat."""
    bare = link_response(Piezo(600), [], 1e6)
    assert abs(bare.at(265.26)) == pytest.approx(2**-0.5, rel=1e-4)
    cabled = link_response(Piezo(600), [Cable(300)], 1e9)
    assert 20 * math.log10(abs(cabled.at(1000.0))) == pytest.approx(-3.52, abs=0.01)


def test_pot_at_its_middle_is_a_quarter_of_it():
    """References §9: 250 k at the middle drives a cable through 62.5 k: 600 pF, 4.244 kHz."""
    response = link_response(Output(1.0), [Pot(250e3, 0.5), Cable(600)], 1e12)
    assert abs(response.at(4244.1)) / 0.5 == pytest.approx(2**-0.5, rel=1e-3)


def test_a_clip_played_into_the_load_it_was_recorded_into_is_itself():
    guitar = Guitar(2.6, 6200, 115, 250e3, 250e3, 22)
    itself = link_response(guitar, [Cable(500)], 1e6).over(as_recorded(guitar, 1e6, 500))
    assert np.abs(db(itself, HZ)).max() < 1e-9


TEN = [
    (Guitar(2.6, 6200, 115, 250e3, 250e3, 22), [Cable(600)], 500e3),
    (Guitar(2.6, 6200, 115, 250e3, 250e3, 22), [Cable(1200)], 1e6),
    (Guitar(2.6, 6200, 115, 250e3, 250e3, 22, volume=0.3), [Cable(600)], 1e6),
    (Guitar(2.6, 6200, 115, 250e3, 250e3, 22, volume=0.5, tone=0.0), [Cable(600)], 1e6),
    (Guitar(4.4, 8000, 130, 500e3, 500e3, 22), [Cable(600)], 15e3),
    (Guitar(4.4, 8000, 130, 500e3, 500e3, 22, volume=0.3), [Cable(600)], 15e3),
    (Guitar(4.4, 8000, 130, 500e3, 500e3, 47, tone=0.5), [Cable(300)], 1e6),
    (Guitar(4.4, 8000, 130, 500e3, 500e3, 22), [Cable(600), Pot(250e3, 0.5), Cable(600)], 1e6),
    (Piezo(500), [Cable(300)], 1e6),
    (Output(10e3), [Cable(600)], 12e3),
]


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("case", range(len(TEN)))
def test_as_a_filter_it_stays_with_its_circuit(case, rate):
    """Ten combinations, the recording's load taken out: 0.03 dB, nothing before the input."""
    source, parts, load = TEN[case]
    recorded = as_recorded(source, 1e6, 500)
    response = link_response(source, parts, load).over(recorded)
    impulse = np.zeros((1, rate))
    impulse[0, 100] = 1.0
    heard = run_sections(response.sections(rate), impulse)[0]
    assert not heard[:100].any()
    bins = np.arange(20, 10_001)
    got = 20 * np.log10(np.abs(np.fft.rfft(heard))[bins])
    off = np.abs(got - db(response, bins.astype(float))).max()
    print(f"case {case} at {rate}: within {off:.4f} dB of its circuit, 20 Hz to 10 kHz")
    assert off < 0.03


@pytest.mark.parametrize("case", range(len(TEN)))
def test_figures_and_zeros_and_poles_are_one_response(case):
    source, parts, load = TEN[case]
    link = Link(source, tuple(parts), load, recorded=(1e6, 500.0))
    assert np.abs(link.at(HZ) / link.response().at(HZ) - 1).max() < 1e-7


def test_a_link_stiff_enough_is_exactly_a_wire():
    """1 kohm into 1 Mohm loses 0.009 dB; into 400 kohm 0.022."""
    assert Link(Output(1e3), (Cable(15),), 1e6).sections(48_000) is None
    assert Link(Output(1e3), (Cable(15),), 400e3).sections(48_000) is not None
    assert Link(Output(1e3), (Cable(2000),), 1e8).sections(48_000) is not None


@pytest.mark.parametrize(
    ("source", "recorded"),
    [(Output(1e3), (1e6, 1e6)), (Guitar(2.6, 6200, 0, 250e3, 250e3, 22), (1e6, 500))],
)
def test_a_load_no_less_than_it_was_recorded_into_needs_no_endless_lift(source, recorded):
    """Without cable there is a pole less than in the recording: still a filter, still true."""
    link = Link(source, (), 1e6, recorded)
    sections = link.sections(48_000)
    impulse = np.zeros((1, 48_000))
    impulse[0, 0] = 1.0
    got = 20 * np.log10(np.abs(np.fft.rfft(run_sections(sections, impulse)[0]))[20:10_001])
    wanted = 20 * np.log10(np.abs(link.at(np.arange(20.0, 10_001.0))))
    assert np.abs(got - wanted).max() < 0.05


@pytest.mark.parametrize("case", FIGURES)
def test_ngspice_agrees(case):
    source, parts, load = TEN[case["case"]]
    hz, levels = np.array(case["hz_db"]).T
    off = np.abs(db(link_response(source, parts, load), hz) - levels).max()
    print(f"case {case['case']}: within {off:.2e} dB of ngspice")
    assert off < 0.03


@pytest.mark.ngspice
@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
@pytest.mark.parametrize("place", range(3))
def test_ngspice_still_gives_the_stored_figures(place):
    case = FIGURES[place]
    np.testing.assert_allclose(run_ngspice.figures(case["netlist"]), case["hz_db"], rtol=1e-6)


def test_fuzz_on_a_humbucking_pickup():
    """Practice §2 question 5 (calculated there): 15 k instead of a buffer's 1 M takes the highs."""
    guitar = Guitar(4.4, 8000, 130, 500e3, 500e3, 22)
    hz = np.array([1000.0, 3000.0, 5000.0])
    fuzz = db(link_response(guitar, [Cable(600)], 15e3), hz)
    buffered = db(link_response(guitar, [Cable(600)], 1e6), hz)
    print("into 15 k:", fuzz.round(1), "into 1 M:", buffered.round(1))
    np.testing.assert_allclose(fuzz, [-8, -16, -20], atol=1.5)
    np.testing.assert_allclose(buffered, [0.6, 5.4, -7.2], atol=1.5)
    rolled = Guitar(4.4, 8000, 130, 500e3, 500e3, 22, volume=0.3)
    clean = [db(link_response(rolled, [Cable(600)], load), 300.0) for load in (1e6, 15e3)]
    full = [db(link_response(guitar, [Cable(600)], load), 300.0) for load in (1e6, 15e3)]
    print("guitar's volume at 0.3, into 1 M and 15 k:", np.subtract(clean, full).round(1))
