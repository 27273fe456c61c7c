"""The lift of the speaker's impedance, and the cabinets."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import sosfilt, sosfreqz

from simchain import amp as amps
from simchain.amp import Amp, cabinet, speaker
from simchain.errors import ClipError
from tests.references.amp import run_ngspice

REFERENCES = Path(__file__).parents[1] / "references" / "amp"
FIGURES = json.loads((REFERENCES / "figures.json").read_text())


def db(response: np.ndarray) -> np.ndarray:
    return np.asarray(20 * np.log10(np.abs(response)))


def test_divider_against_ngspice() -> None:
    hz, wanted_db = np.array(FIGURES["speaker"]).T
    lift = speaker.lift(90.0, 1.0)
    got = db(lift.at(hz))
    # Ours is 0 dB at 1 kHz, the circuit has its loss there.
    shift = np.interp(np.log(1000.0), np.log(hz), wanted_db - got)
    assert np.abs(got + shift - wanted_db).max() < 1e-5
    z = complex(speaker.impedance(90.0).at(1000.0))
    assert shift == pytest.approx(20 * np.log10(abs(z / (z + 1))), abs=1e-5)


@pytest.mark.parametrize("speaker_hz", [75.0, 90.0, 110.0])
def test_impedance_is_that_of_common_practice(speaker_hz: float) -> None:
    # Practice §1 (common practice, no source): 5 to 8 times at resonance, about 3 times at 5 kHz.
    z = np.abs(speaker.impedance(speaker_hz).at(np.array([speaker_hz, 400.0, 5000.0])))
    print(f"impedance at {speaker_hz} Hz, 400 Hz, 5 kHz: {np.round(z, 2)} times the nominal one")
    assert 5 < z[0] < 8
    assert z[1] == pytest.approx(1.0, abs=0.1)
    assert z[2] == pytest.approx(3.0, abs=0.3)


def test_lift_at_damping_1_is_that_of_common_practice() -> None:
    # Practice §1: +4 to 5 dB at resonance, +3 to 4 dB at 5 kHz, against 400 Hz to 1 kHz.
    lift = speaker.lift(90.0, 1.0)
    ground = db(lift.at(np.geomspace(400, 1000, 50))).mean()
    resonance, treble = db(lift.at(np.array([90.0, 5000.0]))) - ground
    print(f"lift at resonance {resonance:.2f} dB, at 5 kHz {treble:.2f} dB")
    assert 4 < resonance < 5
    assert 3 < treble < 4
    assert lift.level(1000.0) == pytest.approx(1.0, rel=1e-12)


def test_more_damping_lifts_less() -> None:
    hz = np.array([90.0, 5000.0])
    lifts = [db(speaker.lift(90.0, damping).at(hz)) for damping in (0.2, 1.0, 8.0, 1000.0)]
    assert np.all(np.diff(lifts, axis=0) < 0)
    assert np.abs(lifts[-1]).max() < 0.02


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("kind", ["open", "closed"])
def test_cabinet_sections_are_the_circuit(kind: str, rate: int) -> None:
    response = speaker.cabinet_response(kind)
    hz = np.geomspace(20, 10e3, 200)
    got = db(sosfreqz(response.sections(rate), hz, fs=rate)[1])
    worst = np.abs(got - db(response.at(hz))).max()
    print(f"{kind} at {rate}: within {worst:.3f} dB of the circuit")
    assert worst < 0.05


def test_open_cabinet_has_practices_features() -> None:
    # Practice §1 (common practice, no source): 75 Hz second order, +3 at 100, -3 at 400, +6 at
    # 2.6 kHz, fourth order from 4.8 kHz, 0 dB at 1 kHz.
    response = speaker.cabinet_response("open")
    levels = db(response.at(np.array([100.0, 400, 1000, 2600])))
    np.testing.assert_allclose(levels, [3, -3, 0, 6], atol=0.6)
    assert np.diff(db(response.at(np.array([10.0, 20.0]))))[0] == pytest.approx(12, abs=0.5)
    assert np.diff(db(response.at(np.array([20e3, 40e3]))))[0] == pytest.approx(-24, abs=0.6)


def test_closed_cabinet_has_more_bass_less_dip_and_falls_faster() -> None:
    # Practice §1: 95 to 110 Hz, +4 dB, less of the dip, fourth to sixth order.
    hz = np.geomspace(60, 200, 400)
    closed, open_ = speaker.cabinet_response("closed"), speaker.cabinet_response("open")
    bass = db(closed.at(hz))
    assert bass.max() == pytest.approx(4, abs=0.6)
    assert 95 < hz[bass.argmax()] < 125
    assert db(closed.at(400.0)) > db(open_.at(400.0)) + 1
    assert np.diff(db(closed.at(np.array([20e3, 40e3]))))[0] == pytest.approx(-36, abs=0.6)


@pytest.mark.parametrize("kind", ["open", "closed"])
def test_cabinet_is_minimum_phase_and_0_db_at_1_khz(kind: str) -> None:
    assert (speaker.cabinet_response(kind).zeros.real <= 1e-9).all()
    amp, rate = Amp(cabinet=kind), 48_000
    tone = np.sin(2 * np.pi * 1000 * np.arange(rate) / rate)[np.newaxis]
    got = cabinet(amp, tone, rate)[0, rate // 2 :]
    assert np.sqrt(2 * np.mean(got**2)) == pytest.approx(1.0, abs=1e-9)


def write(path: Path, line: np.ndarray, rate: int) -> Path:
    soundfile.write(path, line, rate, subtype="FLOAT")
    return path


def recorded(kind: str, rate: int, factor: float = 0.2) -> np.ndarray:
    """A built-in cabinet's own impulse response, at another level and with a way to go ahead."""
    impulse = np.zeros(rate // 5)
    impulse[137] = factor
    return np.asarray(sosfilt(speaker.cabinet_response(kind).sections(rate), impulse))


@pytest.mark.parametrize("file_rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_a_cabinet_s_own_response_as_a_file_is_that_cabinet(
    tmp_path: Path, file_rate: int, rate: int
) -> None:
    path = write(tmp_path / "box.wav", recorded("closed", file_rate), file_rate)
    impulse = np.zeros((1, rate))
    impulse[0, 10] = 1.0
    hz = np.unique(np.geomspace(50, 10e3, 100).astype(int))
    from_file = np.fft.rfft(cabinet(Amp(cabinet=str(path)), impulse, rate)[0])[hz]
    built_in = np.fft.rfft(cabinet(Amp(cabinet="closed"), impulse, rate)[0])[hz]
    off_db = db(from_file) - db(built_in)
    # The reference is 1 kHz for one and the third octave around it for the other.
    print(f"{file_rate} at {rate}: level {off_db.mean():.2f} dB, shape within {np.ptp(off_db):.2f}")
    assert abs(off_db.mean()) < 0.2
    assert np.ptp(off_db) < 0.3
    late_s = -np.unwrap(np.angle(from_file / built_in))[-1] / (2 * np.pi * hz[-1])
    assert -60e-6 < late_s < 25e-6


def test_a_response_file_is_0_db_in_the_third_octave_at_1_khz(tmp_path: Path) -> None:
    rate = 48_000
    line = recorded("open", rate)
    # A reflection puts a deep dip at 1 kHz.
    line[24:] += 0.9 * line[:-24]
    amp = Amp(cabinet=str(write(tmp_path / "room.wav", line, rate)))
    impulse = np.zeros((1, rate))
    impulse[0, 0] = 1.0
    power = np.abs(np.fft.rfft(cabinet(amp, impulse, rate)[0])) ** 2
    assert 10 * np.log10(power[891:1123].mean()) == pytest.approx(0, abs=0.01)


def test_both_channels_of_the_speaker_go_through_the_file(tmp_path: Path) -> None:
    amp = Amp(cabinet=str(write(tmp_path / "box.wav", recorded("open", 48_000), 48_000)))
    volts = np.random.default_rng(3).normal(size=(2, 5000))
    out = cabinet(amp, volts, 48_000)
    assert out.shape == volts.shape
    np.testing.assert_allclose(out[:1], cabinet(amp, volts[:1], 48_000), atol=1e-12)
    assert not cabinet(amp, np.zeros((1, 777)), 48_000).any()


def test_a_file_that_has_changed_is_read_again(tmp_path: Path) -> None:
    import os

    path = write(tmp_path / "box.wav", recorded("open", 48_000), 48_000)
    before = speaker.cabinet_taps(path, 48_000)
    assert speaker.cabinet_taps(path, 48_000) is before
    write(path, recorded("closed", 48_000), 48_000)
    os.utime(path, ns=(1, 1))
    assert not np.array_equal(speaker.cabinet_taps(path, 48_000)[:500], before[:500])


def test_cabinet_files_that_cannot_be_used_are_refused_in_one_line(tmp_path: Path) -> None:
    rate = 48_000
    tone = np.sin(2 * np.pi * 60 * np.arange(9600) / rate) * np.hanning(9600)
    cases = {
        "long.wav": (np.ones(25_000), r"is 0\.521 s long; 0\.5 s are the most"),
        "low.wav": (np.convolve(tone, np.hanning(4000)), "next to nothing at 1 kHz"),
        "silent.wav": (np.zeros(100), "silent"),
    }
    for name, (line, words) in cases.items():
        path = write(tmp_path / name, line, rate)
        with pytest.raises(ClipError, match=words) as caught:
            cabinet(Amp(cabinet=str(path)), np.ones((1, 10)), rate)
        assert str(path) in str(caught.value)
        assert "\n" not in str(caught.value)
    with pytest.raises(ClipError, match="no such file"):
        amps.cabinet(Amp(cabinet=str(tmp_path / "none.wav")), np.ones((1, 10)), rate)


@pytest.mark.ngspice
def test_ngspice_still_gives_the_stored_figures() -> None:
    np.testing.assert_allclose(run_ngspice.plain("speaker"), FIGURES["speaker"], rtol=1e-6)
