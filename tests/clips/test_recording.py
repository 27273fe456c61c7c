"""The loaded pickup against published figures (references, Electronics: loaded model)."""

import math

import numpy as np
import pytest
from scipy.signal import freqz

from simchain.clips.recording import FULL_SCALE_V, RATE, Coil, coil_filter, coil_poles
from simchain.units import dbu_to_peak_volts


@pytest.mark.parametrize(
    ("coil", "peak_hz", "peak_db", "dc_db", "at_5k_db"),
    [
        (Coil(2.4, 6000, 110e-12, 300e-12), 4422.70, 2.7283, -0.4568, 2.379),
        (Coil(2.4, 6000, 110e-12, 500e-12), 3803.41, 3.8522, -0.4568, 1.065),
        (Coil(2.4, 6000, 110e-12, 1000e-12), 2931.99, 5.3238, -0.4568, -5.145),
    ],
)
def test_resonance_of_the_loaded_pickup(coil, peak_hz, peak_db, dc_db, at_5k_db):
    omega, q, dc = coil_poles(coil)
    assert omega / (2 * math.pi) * math.sqrt(1 - 0.5 / q**2) == pytest.approx(peak_hz, abs=0.01)
    assert 20 * math.log10(dc * q / math.sqrt(1 - 0.25 / q**2)) == pytest.approx(peak_db, abs=1e-4)
    assert 20 * math.log10(dc) == pytest.approx(dc_db, abs=1e-4)
    _, response = freqz(*coil_filter(coil, RATE), worN=[5000.0], fs=RATE)
    assert 20 * math.log10(abs(response[0])) == pytest.approx(at_5k_db, abs=0.02)


def test_digital_pickup_follows_the_circuit():
    hz = np.geomspace(20.0, 10_000.0, 200)
    omega, q, dc = coil_poles(Coil())
    s = 2j * np.pi * hz
    circuit = dc * omega**2 / (s**2 + s * omega / q + omega**2)
    _, response = freqz(*coil_filter(Coil(), RATE), worN=hz, fs=RATE)
    error_db = np.abs(20 * np.log10(np.abs(response / circuit)))
    print(f"pickup filter: worst {error_db.max():.3f} dB to 10 kHz")
    assert error_db.max() < 0.05


def test_resonance_lies_where_a_single_coil_has_it():
    omega, q, _ = coil_poles(Coil())
    peak_hz = omega / (2 * math.pi) * math.sqrt(1 - 0.5 / q**2)
    peak_db = 20 * math.log10(q / math.sqrt(1 - 0.25 / q**2))
    print(f"recorded with a resonance at {peak_hz:.0f} Hz, {peak_db:.1f} dB over its bass")
    assert 3000 < peak_hz < 4000
    assert 2 < peak_db < 6


def test_full_scale_is_12_dbu():
    assert pytest.approx(dbu_to_peak_volts(12.0), rel=1e-12) == FULL_SCALE_V
