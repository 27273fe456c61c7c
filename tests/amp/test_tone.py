"""The tone network against published figures of another one, ngspice, and its own sections."""

import itertools
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import sosfreqz

from simchain.amp.tone import ToneNetwork, tone_response
from tests.references.amp import run_ngspice

REFERENCES = Path(__file__).parents[1] / "references" / "amp"
FIGURES = json.loads((REFERENCES / "figures.json").read_text())

# References §9: 470 pF, 47 k, 22 nF twice, 220 k, 1 M, 22 k, load 1 M, source 0.
PUBLISHED = ToneNetwork(1e-6, 470e-12, 47e3, 220e3, 1e6, 22e-9, 22e3, 22e-9, 1e6)
POSITIONS = (0.0, 0.1, 0.5, 0.9, 1.0)


def db(response: np.ndarray) -> np.ndarray:
    return np.asarray(20 * np.log10(np.abs(response)))


def test_published_network_to_the_printed_digits() -> None:
    # References §9 (computed there, ngspice identical).
    got = db(tone_response(PUBLISHED, 0.5, 0.5, 0.5).at(np.array([100.0, 500, 1e3, 1e4])))
    np.testing.assert_allclose(got, [-3.7536, -11.6980, -10.1553, -4.8815], atol=5.1e-5)


@pytest.mark.parametrize(
    ("treble", "middle", "bass", "published_db"),
    [(0, 0, 0, -15.0859), (1, 1, 1, -9.4956), (1, 0, 1, -19.0704)],
)
def test_published_network_at_its_ends(
    treble: float, middle: float, bass: float, published_db: float
) -> None:
    got = db(tone_response(PUBLISHED, bass, middle, treble).at(500.0))
    assert got == pytest.approx(published_db, abs=5.1e-5)


def test_loss_of_our_own_network() -> None:
    # Practice §1 (circuit theory), source 38 kohm.
    hz = np.array([80.0, 200, 500, 1e3, 2e3, 5e3, 1e4])
    wanted = [-6.5, -11.1, -16.8, -15.0, -11.8, -10.0, -9.7]
    np.testing.assert_allclose(
        db(tone_response(ToneNetwork(), 0.5, 0.5, 0.5).at(hz)), wanted, atol=0.051
    )
    got = db(
        tone_response(ToneNetwork(), bass=0.3, middle=1, treble=0.5).at(np.array([500.0, 1e3]))
    )
    np.testing.assert_allclose(got, [-13.4, -12.2], atol=0.051)


def test_everything_at_0_is_not_silence() -> None:
    # The form with the capacitor at the wiper; the other one gives -90 dB (practice §1).
    assert db(tone_response(ToneNetwork(), 0, 0, 0).at(500.0)) > -40


@pytest.mark.parametrize("case", FIGURES["tone_network"], ids=lambda case: str(case["tmb"]))
def test_circuit_against_ngspice(case: dict[str, list]) -> None:
    treble, middle, bass = case["tmb"]
    hz, wanted_db = np.array(case["hz_db"]).T
    worst = np.abs(db(tone_response(ToneNetwork(), bass, middle, treble).at(hz)) - wanted_db).max()
    assert worst < 1e-6


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_sections_within_a_twentieth_of_a_decibel_of_the_circuit(rate: int) -> None:
    hz = np.geomspace(20, 10e3, 200)
    worst = 0.0
    for treble, middle, bass in itertools.product(POSITIONS, repeat=3):
        response = tone_response(ToneNetwork(), bass, middle, treble)
        got = sosfreqz(response.sections(rate), hz, fs=rate)[1]
        worst = max(worst, float(np.abs(db(got) - db(response.at(hz))).max()))
    print(f"{rate}: tone network within {worst:.4f} dB of its circuit, 20 Hz to 10 kHz")
    assert worst < 0.05


def test_controls_move_their_own_band_most() -> None:
    hz = np.array([80.0, 500.0, 6000.0])
    moves = {
        "bass": db(tone_response(ToneNetwork(), 1, 0.5, 0.5).at(hz))
        - db(tone_response(ToneNetwork(), 0, 0.5, 0.5).at(hz)),
        "middle": db(tone_response(ToneNetwork(), 0.5, 1, 0.5).at(hz))
        - db(tone_response(ToneNetwork(), 0.5, 0, 0.5).at(hz)),
        "treble": db(tone_response(ToneNetwork(), 0.5, 0.5, 1).at(hz))
        - db(tone_response(ToneNetwork(), 0.5, 0.5, 0).at(hz)),
    }
    assert [int(np.argmax(move)) for move in moves.values()] == [0, 1, 2]
    assert all(move.max() > 6 for move in moves.values())


@pytest.mark.ngspice
def test_ngspice_still_gives_the_stored_figures() -> None:
    for case in FIGURES["tone_network"]:
        np.testing.assert_allclose(run_ngspice.tone(*case["tmb"]), case["hz_db"], rtol=1e-6)
