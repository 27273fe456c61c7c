"""The shipped clips: levels at the jack, cleanness, and that they come out again bit for bit.

Levels: what a single-coil-like pickup and a bridge piezo give, common practice, no source.
"""

import subprocess
import sys

import numpy as np
import pytest
import soundfile
from scipy.signal import firwin, oaconvolve

from simchain import clips
from simchain.clips import recording
from simchain.errors import ClipError
from simchain.signal import read_clip

# rms in mV, peak in V, crest in dB, duration in s: least and most
RANGES = {
    "arpeggio": ((25, 40), (0.15, 0.25), (13, 16), (6, 12)),
    "riff": ((90, 140), (0.5, 0.8), (13, 16), (6, 12)),
    "lead": ((50, 80), (0.25, 0.4), (13, 16), (9, 12)),
    "funk": ((90, 140), (0.5, 0.8), (13, 16), (6, 12)),
    "fingers": ((40, 80), (0.25, 1.0), (16, 20), (6, 12)),
    "strum": ((150, 300), (1.0, 2.0), (16, 20), (6, 12)),
}


def shipped(name: str) -> np.ndarray:
    return read_clip(clips.path(name)).volts[0] * recording.FULL_SCALE_V


def test_names_in_order():
    assert clips.names() == ("arpeggio", "riff", "lead", "funk", "fingers", "strum")
    assert tuple(RANGES) == clips.names()


@pytest.mark.parametrize("name", clips.names())
def test_files_are_24_bit_mono_at_48_khz_and_small(name):
    header = soundfile.info(clips.path(name))
    assert (header.format, header.subtype) == ("FLAC", "PCM_24")
    assert (header.samplerate, header.channels) == (48_000, 1)
    assert clips.path(name).stat().st_size < 1_000_000


@pytest.mark.parametrize("call", [clips.path, clips.piece, clips.make])
def test_unknown_name_offers_the_nearest(call):
    with pytest.raises(ClipError, match=r"no clip 'rif' .*did you mean 'riff'\?"):
        call("rif")


def test_installed_clips_come_first(tmp_path, monkeypatch):
    package = tmp_path / "site" / "simchain"
    (package / "clips").mkdir(parents=True)
    monkeypatch.setattr(clips, "__file__", str(package / "clips" / "__init__.py"))
    assert clips.path("riff") == tmp_path / "site" / "audio" / "riff.flac"
    (package / "audio").mkdir()
    (package / "audio" / "riff.flac").touch()
    assert clips.path("riff") == package / "audio" / "riff.flac"


def test_names_and_paths_load_no_compiler():
    code = (
        "import sys; from simchain import clips; clips.path(clips.names()[0]); "
        "print([m for m in ('numba', 'numpy', 'scipy', 'soundfile') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("name", clips.names())
def test_levels_at_the_jack(name):
    import pyloudnorm

    volts = shipped(name)
    rms, peak = float(np.sqrt(np.mean(volts**2))), float(np.abs(volts).max())
    crest_db = 20 * np.log10(peak / rms)
    seconds = volts.size / 48_000
    lufs = pyloudnorm.Meter(48_000).integrated_loudness(volts / recording.FULL_SCALE_V)
    print(
        f"{name:9s} {1000 * rms:6.1f} mV rms {peak:6.3f} V peak crest {crest_db:5.1f} dB "
        f"{seconds:5.1f} s {lufs:6.1f} LUFS"
    )
    found = (1000 * rms, peak, crest_db, seconds)
    for value, (least, most) in zip(found, RANGES[name], strict=True):
        assert least <= value <= most


@pytest.mark.parametrize("name", clips.names())
def test_starts_and_ends_in_silence(name):
    volts = shipped(name)
    floor = 3e-5
    assert np.abs(volts[:240]).max() < floor
    assert np.abs(volts[:2900]).max() > 0.001
    assert np.abs(volts[-2400:]).max() < 2e-4
    assert np.abs(volts[-100:]).max() < floor


@pytest.mark.parametrize("name", clips.names())
def test_no_dc(name):
    volts = shipped(name)
    assert abs(volts.mean()) < 1e-5
    slow = np.hanning(24_000) / np.hanning(24_000).sum()
    drift = np.abs(oaconvolve(volts, slow, mode="valid")).max()
    print(f"{name}: {1e6 * volts.mean():.2f} uV at rest, {1000 * drift:.2f} mV over half a second")
    assert drift < 1e-3


def above_19_khz(volts: np.ndarray) -> np.ndarray:
    taps = firwin(511, 19_500, pass_zero=False, fs=48_000, window=("kaiser", 10))
    return oaconvolve(volts, taps, mode="same")


@pytest.mark.parametrize("name", clips.names())
def test_no_clicks_and_nothing_above_20_khz(name):
    """A jump has as much above 19.5 kHz as below; strings end at 17 kHz."""
    volts = shipped(name)
    peak = np.abs(volts).max()
    residue = np.abs(above_19_khz(volts)).max()
    print(f"{name}: above 19.5 kHz {20 * np.log10(residue / peak):.0f} dB of the peak")
    assert residue < 3e-4 * peak
    spoilt = volts.copy()
    spoilt[spoilt.size // 2 :] += 0.01 * peak
    assert np.abs(above_19_khz(spoilt)).max() > 3e-4 * peak


@pytest.mark.parametrize("name", ["arpeggio", "riff", "lead", "funk"])
def test_a_magnetic_pickup_hears_mostly_80_hz_to_5_khz(name):
    power = np.abs(np.fft.rfft(shipped(name))) ** 2
    hz = np.fft.rfftfreq(2 * power.size - 2, 1 / 48_000)
    inside = power[(hz > 75) & (hz < 5000)].sum()
    assert inside > 0.98 * power.sum()


@pytest.mark.parametrize("name", ["riff", "lead", "fingers"])
def test_made_again_bit_for_bit(name):
    there, _ = soundfile.read(clips.path(name), dtype="int32")
    assert np.array_equal(recording.samples(clips.piece(name)), there)


def test_make_gives_volts():
    signal = clips.make("lead")
    assert (signal.rate, signal.channels) == (48_000, 1)
    step = recording.FULL_SCALE_V / 2 ** (recording.BITS - 1)
    assert np.abs(signal.volts[0] - shipped("lead")).max() < 1.51 * step
