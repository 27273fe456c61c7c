"""Impedance of networks against closed forms and ngspice."""

import json
from pathlib import Path

import numpy as np
import pytest

from simchain.filters.circuit import GROUND, Circuit
from tests.references.noise import networks

HZ = np.geomspace(1, 1e6, 300)
S = 2j * np.pi * HZ
FIGURES = json.loads(
    (Path(__file__).parents[1] / "references" / "noise" / "figures.json").read_text()
)


def worst(got, wanted):
    return np.abs(got / wanted - 1).max()


def test_one_part_at_a_time():
    circuit = Circuit()
    circuit.ohm("a", GROUND, 4.7e3)
    circuit.farad("b", GROUND, 22e-9)
    circuit.henry("c", GROUND, 2.4)
    assert circuit.impedance("a", [], HZ) == pytest.approx(np.full(300, 4.7e3))
    assert worst(circuit.impedance("b", [], HZ), 1 / (S * 22e-9)) < 1e-12
    assert worst(circuit.impedance("c", [], HZ), S * 2.4) < 1e-12


@pytest.mark.parametrize(
    ("henry", "series", "shunt", "farad"),
    [(2.4, 6e3, 111e3, 610e-12), (9.0, 16e3, 1e6, 200e-12), (1e-3, 1.0, 100e6, 1e-6)],
)
def test_loaded_pickup_in_closed_form(henry, series, shunt, farad):
    """The model of references §9 seen from its load."""
    circuit = networks.loaded_pickup(henry, series, shunt, farad)
    theory = 1 / (1 / (series + S * henry) + 1 / shunt + S * farad)
    off = worst(circuit.impedance("w", ["open"], HZ), theory)
    print(f"{henry} H, {series} ohm, {shunt} ohm, {farad} F: within {off:.1e} of the closed form")
    assert off < 1e-10


def test_ladder_of_two_cables():
    """Resistance and capacitance twice: a continued fraction."""
    circuit = Circuit()
    circuit.ohm("open", "a", 10e3)
    circuit.farad("a", GROUND, 600e-12)
    circuit.ohm("a", "b", 125e3)
    circuit.farad("b", GROUND, 300e-12)
    theory = 1 / (S * 300e-12 + 1 / (125e3 + 1 / (S * 600e-12 + 1 / 10e3)))
    assert worst(circuit.impedance("b", ["open"], HZ), theory) < 1e-10


def test_what_is_held_at_ground_matters():
    """A divider's source impedance: both resistances beside each other, or the lower alone."""
    circuit = Circuit()
    circuit.ohm("open", "a", 10e3)
    circuit.ohm("a", GROUND, 10e3)
    assert circuit.impedance("a", ["open"], HZ) == pytest.approx(5e3)
    assert circuit.impedance("a", [], HZ) == pytest.approx(10e3)
    assert circuit.impedance("open", [], HZ) == pytest.approx(20e3)
    assert not circuit.impedance("open", ["open"], HZ).any()
    assert not circuit.impedance(GROUND, [], HZ).any()


@pytest.mark.parametrize("ohm", [1.0, 1e3, 1e8])
def test_from_one_ohm_to_a_hundred_megohms(ohm):
    circuit = Circuit()
    circuit.farad("open", "a", 500e-12)
    circuit.ohm("a", GROUND, ohm)
    theory = 1 / (1 / ohm + S * 500e-12)
    got = circuit.impedance("a", ["open"], HZ)
    assert worst(got, theory) < 1e-10
    # The thermal noise reads the real part alone: it must not drown in the imaginary one.
    assert worst(got.real, theory.real) < 1e-6


def test_shape_of_the_frequencies_and_unknown_nodes():
    circuit = networks.NETWORKS["piezo"]()[0]
    assert circuit.impedance("w", ["open"], 1000.0).shape == ()
    assert circuit.impedance("w", ["open"], HZ.reshape(3, 100)).shape == (3, 100)
    with pytest.raises(KeyError, match="nowhere"):
        circuit.impedance("nowhere", ["open"], HZ)


def test_reading_a_response_is_left_as_it_was():
    """Looking at the impedance changes nothing in the circuit."""
    circuit, node = networks.NETWORKS["single_buffered"]()
    before = list(circuit.parts)
    circuit.impedance(node, ["open"], HZ)
    assert circuit.parts == before


@pytest.mark.parametrize("case", FIGURES, ids=lambda case: case["netlist"])
def test_ngspice_agrees(case):
    circuit, node = networks.NETWORKS[case["netlist"]]()
    hz, real, imaginary = np.array(case["impedance"]).T
    off = worst(circuit.impedance(node, ["open"], hz), real + 1j * imaginary)
    print(f"{case['netlist']}: impedance within {off:.1e} of ngspice")
    assert off < 1e-6
