"""`simchain body` as it is typed: what it finds, writes, says and refuses."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from simchain.filters import run_sections
from simchain.filters.impulse import impulse_response
from simchain.filters.resonance import resonance_sections
from simchain.report.body import body_sentences
from tests.conftest import Simchain

RATE = 24_000
SECONDS = 11.0
LATE_MS = 5.0


def bursts(seed: int, seconds: float = SECONDS, rate: int = RATE) -> np.ndarray:
    """Noise that falls 6 dB an octave, struck four times a second: all of a neck, in short."""
    rng = np.random.default_rng(seed)
    n = np.arange(round(seconds * rate))
    line = rng.standard_normal(n.size)
    pole = np.exp(-2.0 * np.pi * 80.0 / rate)
    line = run_sections(np.array([[1.0 - pole, 0.0, 0.0, 1.0, -pole, 0.0]]), line[None])[0]
    line *= np.exp(-8.0 * ((n / rate) % 0.25))
    return 0.3 * line / np.abs(line).max()


def through_two(line: np.ndarray, rate: int = RATE) -> np.ndarray:
    """Two resonances, 110 and 220 Hz, late and upside down, with a floor of noise."""
    heard = sum(
        run_sections(resonance_sections(hz, 12.0, rate), line[None])[0] for hz in (110.0, 220.0)
    )
    late = round(LATE_MS * 1e-3 * rate)
    heard = -np.concatenate((np.zeros(late), heard[:-late]))
    heard = 0.5 * heard / np.abs(heard).max()
    return heard + 1e-3 * np.random.default_rng(9).standard_normal(heard.size)


@pytest.fixture(scope="module")
def sounds() -> tuple[np.ndarray, np.ndarray]:
    line = bursts(1)
    return line, through_two(line)


@pytest.fixture
def recordings(tmp_path: Path, sounds: tuple[np.ndarray, np.ndarray]) -> tuple[Path, Path]:
    paths = tmp_path / "pickup.wav", tmp_path / "mic.wav"
    for path, sound in zip(paths, sounds, strict=True):
        soundfile.write(path, sound, RATE, subtype="PCM_24")
    return paths


def test_one_json_document(
    simchain_command: Simchain, recordings: tuple[Path, Path], tmp_path: Path
) -> None:
    file = tmp_path / "new" / "body.wav"
    ran = simchain_command("body", *recordings, "--out", file, "--json")
    document = json.loads(ran.out)
    assert ran.status == 0
    assert document["rate"] == RATE
    assert document["seconds"] == SECONDS
    assert document["offset_ms"] == pytest.approx(LATE_MS, abs=0.1)
    assert document["inverted"] is True
    assert [one["hz"] for one in document["resonances"]] == pytest.approx([110, 220], rel=0.01)
    assert [one["q"] for one in document["resonances"]] == pytest.approx([12, 12], rel=0.2)
    assert set(document["resonances"][0]) == {"hz", "db", "q"}
    assert set(document["bands"][0]) == {"hz", "db", "coherence"}
    assert [len(stretch) for stretch in document["agreed"]] == [2]
    assert document["notch_hz"] == pytest.approx(110, abs=2) or document["notch_hz"] == (
        pytest.approx(220, abs=2)
    )
    assert document["file"] == str(file)
    assert document["warnings"] == []
    assert "offset_ms" not in ran.err


def test_the_file_is_one_that_a_body_takes(
    simchain_command: Simchain, recordings: tuple[Path, Path], tmp_path: Path
) -> None:
    file = tmp_path / "body.wav"
    simchain_command("body", *recordings, "--out", file)
    response = impulse_response(file, RATE, 1.0)
    spectrum = np.abs(np.fft.rfft(response, 4 * RATE))
    peak = np.argmax(spectrum[4 * 60 : 4 * 300]) / 4 + 60
    assert min(abs(peak - 110), abs(peak - 220)) < 2
    assert soundfile.info(file).channels == 1
    assert [one.name for one in tmp_path.iterdir() if one.name.startswith(".")] == []


def test_words_for_people(
    simchain_command: Simchain, recordings: tuple[Path, Path], tmp_path: Path
) -> None:
    file = tmp_path / "body.wav"
    ran = simchain_command("body", *recordings, "--out", file)
    assert ran.status == 0
    assert "the two recordings agree" in ran.out
    assert "above, nothing was changed" in ran.out
    assert "The microphone is 5.0 ms late and upside down against the pickup" in ran.out
    assert "notch_hz = " in ran.out
    assert f"written: {file}" in ran.out
    assert 'wood = { kind = "body", file = "body.wav" }' in ran.out


def test_words_for_stretches_that_lie_apart() -> None:
    document = {
        "agreed": [[82.0, 410.0], [900.0, 2100.0]],
        "bands": [{"hz": 50.1}, {"hz": 7943.0}],
        "resonances": [],
        "offset_ms": -0.01,
        "inverted": False,
        "notch_hz": None,
        "file": None,
    }
    assert list(body_sentences(document)) == [
        "From 82 Hz to 410 Hz and 900 Hz to 2.1 kHz the two recordings agree; below, between and "
        "above, nothing was changed.",
        "No resonance stands out by 3 dB.",
        "Pickup and microphone are in step.",
        "Nothing was written; add --out FILE.wav for an impulse response that a body takes.",
    ]


def test_nothing_is_written_unless_asked(
    simchain_command: Simchain, recordings: tuple[Path, Path], tmp_path: Path
) -> None:
    before = sorted(tmp_path.iterdir())
    ran = simchain_command("body", *recordings)
    assert ran.status == 0
    assert "add --out FILE.wav" in ran.out
    assert sorted(tmp_path.iterdir()) == before


def test_a_little_longer_is_cut_and_said(
    simchain_command: Simchain, recordings: tuple[Path, Path], sounds: tuple[np.ndarray, np.ndarray]
) -> None:
    soundfile.write(recordings[1], sounds[1][: -RATE // 2], RATE)
    ran = simchain_command("body", *recordings, "--json")
    assert ran.status == 0
    assert json.loads(ran.out)["seconds"] == SECONDS - 0.5
    assert "pickup.wav is 500 ms longer than" in ran.err


def test_short_recordings_are_taken_with_a_warning(
    simchain_command: Simchain, recordings: tuple[Path, Path], sounds: tuple[np.ndarray, np.ndarray]
) -> None:
    for path, sound in zip(recordings, sounds, strict=True):
        soundfile.write(path, sound[: 6 * RATE], RATE)
    ran = simchain_command("body", *recordings)
    assert ran.status == 0
    assert "with 10 s or more of playing" in ran.err


def test_two_equal_channels_are_one(
    simchain_command: Simchain, recordings: tuple[Path, Path], sounds: tuple[np.ndarray, np.ndarray]
) -> None:
    soundfile.write(recordings[1], np.stack((sounds[1], sounds[1])).T, RATE)
    assert simchain_command("body", *recordings).status == 0


def _write(index: int, made: Callable[[np.ndarray], Any], rate: int = RATE) -> Any:
    def spoil(paths: tuple[Path, Path], sounds: tuple[np.ndarray, np.ndarray]) -> None:
        soundfile.write(paths[index], made(sounds[index]), rate)

    return spoil


BAD = {
    "unequal": (_write(1, lambda line: line[: -3 * RATE]), "the same stretch of both"),
    "rates": (_write(1, lambda line: line, 48_000), "the rate they were recorded at"),
    "silent": (_write(0, lambda line: 0.0 * line), "check which input"),
    "faint": (_write(1, lambda line: 1e-5 * line), "nothing above -80 dB"),
    "clipped": (_write(1, lambda line: np.clip(4.0 * line, -1.0, 1.0)), "6 dB less gain"),
    "stereo": (
        _write(0, lambda line: np.stack((line, line[::-1])).T),
        "one file each, of one channel",
    ),
    "short": (_write(0, lambda line: line[: 2 * RATE]), "is 2 s long"),
    "unrelated": (
        _write(1, lambda line: bursts(5)[: line.size]),
        "record pickup and microphone at the same",
    ),
    "no sound": (lambda paths, _: paths[0].write_text("no sound"), "WAV, FLAC, AIFF and Ogg"),
    "missing": (lambda paths, _: paths[1].unlink(), "there is no such file"),
    "the same": (lambda paths, _: paths[1].write_bytes(paths[0].read_bytes()), "the same sound"),
}


@pytest.mark.parametrize("what", BAD)
def test_bad_input_is_one_line_with_the_way_out(
    what: str,
    simchain_command: Simchain,
    recordings: tuple[Path, Path],
    sounds: tuple[np.ndarray, np.ndarray],
    tmp_path: Path,
) -> None:
    spoil, words = BAD[what]
    spoil(recordings, sounds)
    if what == "short":
        soundfile.write(recordings[1], sounds[1][: 2 * RATE], RATE)
    file = tmp_path / "body.wav"
    ran = simchain_command("body", *recordings, "--out", file)
    told = ran.err.strip()
    print(told)
    assert ran.status == 2
    assert words in told
    assert len(told.splitlines()) == 1
    assert "pickup.wav" in told or "mic.wav" in told
    assert ran.out == ""
    assert not file.exists()


@pytest.mark.parametrize(
    ("name", "words"), [("body.flac", "ends in .wav"), ("mic.wav", "is one of the recordings")]
)
def test_a_file_that_cannot_be_written_there(
    name: str,
    words: str,
    simchain_command: Simchain,
    recordings: tuple[Path, Path],
    tmp_path: Path,
) -> None:
    before = recordings[1].read_bytes()
    ran = simchain_command("body", *recordings, "--out", tmp_path / name)
    assert ran.status == 2
    assert words in ran.err
    assert recordings[1].read_bytes() == before


def test_a_folder_in_the_way(
    simchain_command: Simchain, recordings: tuple[Path, Path], tmp_path: Path
) -> None:
    (tmp_path / "body.wav").mkdir()
    ran = simchain_command("body", *recordings, "--out", tmp_path / "body.wav")
    assert ran.status == 2
    assert "cannot write" in ran.err
