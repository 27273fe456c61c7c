"""Whatever stands in a sound file: it is read, or refused in one line, and takes little memory.

A few files each time in the usual run; thousands, and others each time, with
`pytest -m soak tests/faults/test_fuzz_sound.py`.
"""

import io
import re
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.faults.doors import Doors, Opened
from tests.faults.fuzzing import (
    FEW,
    MANY,
    RATE,
    hostile_sounds,
    sounds,
    strange_sounds,
    with_sums_of_ogg,
)

READERS = ("clip", "response", "cabinet", "unit", "loopback", "together")
# What a small file may take, whatever its header promises; fits hold it against 50 s of tones.
MOST_MB = 64.0
MOST_MB_OF_FITS = 160.0

BOARD = """
tail_s = 0.05
source = {{ kind = "guitar", {clip} }}
[amps.a]
{cabinet}
[blocks]
grit = {{ kind = "drive" }}
wood = {{ kind = "body"{file} }}
[orders.a]
front = ["grit", "wood"]
[passages.p]
on = ["grit", "wood"]
"""
PLACES = ("clip", "clip, by its loudest sample", "cabinet", "body")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("hostile")


def looked_over(found: Opened, path: Path, most_mb: float) -> None:
    """Raise unless a file was read, or refused in one line that names it, for little memory."""
    assert found.kind in ("read", "refused"), found.said
    assert found.taken_mb <= most_mb
    if found.kind == "refused":
        assert str(path) in found.said
        assert found.said.isprintable()


def read(doors: Doors, folder: Path, reader: str, hostile: tuple[str, bytes]) -> None:
    ending, content = hostile
    path = folder / f"hostile{ending}"
    path.write_bytes(content)
    most_mb = MOST_MB_OF_FITS if reader in ("unit", "loopback") else MOST_MB
    looked_over(doors.open(reader, *[path] * (1 + (reader == "together"))), path, most_mb)


def board_with(folder: Path, place: str, name: str) -> Path:
    """A board whose clip, cabinet or body is file `name`."""
    clip, cabinet, file = 'clip = "riff"', "", ""
    if place == "cabinet":
        cabinet = f'cabinet = "{name}"'
    elif place == "body":
        file = f', file = "{name}"'
    else:
        clip = f'clip = "{name}"' + ", loudest_peak_volts = 0.5" * ("loudest" in place)
    path = folder / "board.toml"
    path.write_text(BOARD.format(clip=clip, cabinet=cabinet, file=file))
    return path


def played(doors: Doors, folder: Path, place: str, hostile: tuple[str, bytes]) -> None:
    """A board that names the file is checked and rendered, or refused in a line."""
    ending, content = hostile
    (folder / f"hostile{ending}").write_bytes(content)
    board = board_with(folder, place, f"hostile{ending}")
    words = [board, "--order", "a", "--passage", "p", "--out", folder / "out"]
    checked, rendered = doors.open("command", "check", board), None
    if place.startswith("clip"):  # of a shipped clip all of it would be rendered
        rendered = doors.open("command", "render", *words)
    for found in filter(None, (checked, rendered)):
        assert found.kind == "ended", found.said
        assert found.status in (0, 2), found.said
        assert "Traceback" not in found.said
        assert re.search(r"fault of its own|Warning:", found.said) is None, found.said
    if rendered and rendered.status == 2:
        assert checked.status == 2, (checked.said, rendered.said)
        assert len(rendered.said.splitlines()) == 1


def test_what_goes_wrong_is_noticed(doors: Doors) -> None:
    """An exception, a warning, what C prints, much memory, and the end of a process."""
    assert "KeyError" in doors.open("fails").said
    assert "RuntimeWarning: overflow" in doors.open("warns").said
    assert doors.open("prints") == ("fault", "printed: Note\n", 1, *doors.open("prints")[3:])
    assert doors.open("falls")[:2] == ("died", "by signal 11")
    assert 95.0 <= doors.open("takes").taken_mb < 120.0  # 100, less what was free already
    assert doors.open("nothing").taken_mb < 8.0


@pytest.fixture
def few_or_many(request: pytest.FixtureRequest) -> Callable[..., None]:
    """Try a property of hostile things as often as the run is long."""
    tried = MANY if request.node.get_closest_marker("soak") else FEW

    def of(holds: Callable[..., None], *drawn: st.SearchStrategy[Any], share: int = 1) -> None:
        settings(tried, max_examples=tried.max_examples // share)(given(*drawn)(holds))()

    return of


HOW_OFTEN = [pytest.param(id="few"), pytest.param(id="many", marks=pytest.mark.soak)]


@pytest.mark.parametrize((), HOW_OFTEN)
def test_a_hostile_file_is_read_or_refused(
    doors: Doors, folder: Path, few_or_many: Callable[..., None]
) -> None:
    few_or_many(
        lambda reader, hostile: read(doors, folder, reader, hostile),
        st.sampled_from(READERS),
        st.one_of(hostile_sounds(), strange_sounds(1.0)),
    )


@pytest.mark.parametrize((), HOW_OFTEN)
def test_a_board_that_names_one_is_played_or_refused(
    doors: Doors, folder: Path, few_or_many: Callable[..., None]
) -> None:
    few_or_many(
        lambda place, hostile: played(doors, folder, place, hostile),
        st.sampled_from(PLACES),
        st.one_of(hostile_sounds(), strange_sounds(0.5)),
        share=4,
    )


# What was found


def of_samples(*samples: float) -> bytes:
    content = io.BytesIO()
    soundfile.write(content, np.array(samples * 50), RATE, format="WAV", subtype="DOUBLE")
    return content.getvalue()


# Before it was mended: a fault of ours in each of the first four, and in the others what a library
# for MPEG, which the file's name called for, printed of it.
FOUND = {
    "a name of what has no header": (".raw", of_samples(0.1), "clip", "is RAW by its name"),
    "at the end of floating point": (".wav", of_samples(1.7e308), "clip", "where 1 is full scale"),
    "too soft to divide by": (".wav", of_samples(5e-324), "clip, by its loudest", "is silent"),
    "too soft to be squared": (".wav", of_samples(1e-200), "cabinet", "is silent"),
    "no WAVE in it": (".mp3", b"RIFF\x24\0\0\0WAVX" + bytes(400), "clip", "as sound"),
    "nothing that is known": (".mp3", bytes(400), "clip", "as sound"),
    "MPEG": ("", b"\xff\xfb\x90\x64" + bytes(400), "clip", "is MP3; WAV, FLAC"),
    "a film's sound": (".m4a", b"\0\0\0 ftypM4A " + bytes(40), "clip", "is M4A or MP4; WAV, FLAC"),
}


@pytest.mark.parametrize("what", FOUND)
def test_what_was_found_is_refused(doors: Doors, folder: Path, what: str) -> None:
    ending, content, place, said = FOUND[what]
    played(doors, folder, place, (ending, content))
    found = doors.open("command", "check", folder / "board.toml")
    assert found.status == 2
    assert said in " ".join(found.said.split())


# What is small and promises much, or is much and looks small


def wav(*, promises: int, chunks: bytes = b"", body: bytes = bytes(100)) -> bytes:
    fields = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, RATE, 2 * RATE, 2, 16)
    head = struct.pack("<4sI4s", b"RIFF", min(promises + 36, 2**32 - 1), b"WAVE")
    return head + fields + chunks + struct.pack("<4sI", b"data", promises) + body


def flac(promises: int, rate: int = 384_000) -> bytes:
    """The frames that a header promises are 36 bits of it (RFC 9639, 8.2)."""
    content = bytearray(sounds()["FLAC PCM_16 2"])
    content[18:26] = ((rate << 44) | (1 << 41) | (15 << 36) | promises).to_bytes(8, "big")
    return bytes(content)


def ogg(promises: int) -> bytes:
    """The place that the last page ends at is its granule position (RFC 3533, 6)."""
    content = sounds()["OGG VORBIS 2"]
    last = content.rindex(b"OggS")
    content = content[: last + 6] + struct.pack("<q", promises) + content[last + 14 :]
    return with_sums_of_ogg(content)


HOSTILE: dict[str, Callable[[], bytes]] = {
    "WAV, 200 bytes, promises 4 GB": lambda: wav(promises=2**32 - 40),
    "WAV of 100,000 chunks": lambda: wav(promises=100, chunks=b"junk\4\0\0\0abcd" * 100_000),
    "WAV in 100,000 lists": lambda: wav(promises=100, chunks=b"LIST\4\0\0\0INFO" * 100_000),
    "FLAC, promises 64 thousand million": lambda: flac(2**36 - 1),
    "FLAC, promises what is just allowed": lambda: flac(57_000_000),
    "Ogg, promises 2^62": lambda: ogg(2**62),
    "Ogg, promises what is just allowed": lambda: ogg(57_000_000),
    "Ogg of 20,000 beginnings": lambda: sounds()["OGG VORBIS 1"][:58] * 20_000,
    "AIFF, promises 4 GB": lambda: sounds()["AIFF PCM_16 2"].replace(
        b"SSND" + sounds()["AIFF PCM_16 2"].partition(b"SSND")[2][:4], b"SSND\xff\xff\xff\xf0"
    ),
}


@pytest.mark.parametrize("what", HOSTILE)
def test_a_file_that_promises_much_takes_little(doors: Doors, folder: Path, what: str) -> None:
    path = folder / "hostile"
    path.write_bytes(HOSTILE[what]())
    for reader in READERS:
        found = doors.open(reader, *[path] * (1 + (reader == "together")))
        print(f"{reader}: {found.taken_mb} MB, {found.cpu_s} s: {found.said[-110:]}")
        assert found.taken_mb <= (MOST_MB_OF_FITS if reader in ("unit", "loopback") else MOST_MB)
        assert found.cpu_s <= 5.0
        # Of Ogg the sound library counts what is there, whatever its last page says.
        few_frames = found.kind == "read" and int(found.said.split()[0]) < 1000
        assert found.kind == "refused" or (few_frames and "Ogg" in what)


# Ten minutes of two channels at 96 kHz: all that is allowed.
BOMB_FRAMES = 57_600_000
MOST_MB_OF_A_BOMB = {"clip": 1_900.0, "response": 1_900.0, "unit": 4_500.0, "together": 3_800.0}


@pytest.mark.soak
@pytest.mark.parametrize("reader", MOST_MB_OF_A_BOMB)
def test_a_flac_bomb(doors: Doors, folder: Path, reader: str) -> None:
    """Silence in a few hundred kB, 0.9 GB once it is decoded: it takes what is stated."""
    path = folder / "bomb.flac"
    if not path.exists():
        with soundfile.SoundFile(path, "w", 96_000, 2, "PCM_16", format="FLAC") as file:
            for _ in range(BOMB_FRAMES // 57_600):
                file.write(np.zeros((57_600, 2), np.int16))
    found = doors.open(reader, *[path] * (1 + (reader == "together")))
    size = path.stat().st_size / 1e6
    print(f"{size:.2f} MB, {reader}: {found.taken_mb} MB, {found.cpu_s} s: {found.said[-110:]}")
    assert found.kind in ("read", "refused"), found.said
    assert found.taken_mb <= MOST_MB_OF_A_BOMB[reader]
