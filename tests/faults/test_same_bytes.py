"""The same board gives the same bytes: whoever runs it, wherever, on however many threads.

Each command is run in processes of their own that differ in everything that is no setting: the
seed of Python's hashes, the folder that they stand in and the one that the board lies in, the
sequence in which files were made, the number of threads or worker processes. What they print and
what they write is compared byte for byte, with hum and hiss on where a command has them.
`pytest -m soak tests/faults/test_same_bytes.py` does so with longer sounds and more options.
"""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from simchain.report.made_with import FILE

BOARD = """
title = "The same again"
tail_s = 0.2
source = { kind = "guitar", clip = "clip.wav" }
[amps]
clean = { gain_db = 8, cabinet = "box.wav" }
[blocks]
hush = { kind = "gate" }
grit = { kind = "drive" }
sway = { kind = "modulation", shape = "chorus" }
room = { kind = "reverb", decay_s = 0.5 }
wood = { kind = "body", file = "wood.wav" }
[orders.a]
front = ["hush", "grit", "sway", "room", "wood"]
[orders.b]
front = ["hush", "sway", "grit", "wood"]
loop = ["room"]
[passages.riff]
on = ["hush", "grit", "sway", "room", "wood"]
[passages.verse]
on = ["sway", "room"]
above = { passage = "riff", lu = -3.0 }
[rules]
first = ["hush"]
last = ["wood"]
[goals]
levels = 1
headroom = 1
dirt = -1
floor = 1
"""
# How long a search took is told by `seconds` of its document alone: it is no result.
TIMES = {"search": {"seconds"}}
SHORT = {
    "render": "--order a --passage riff --points --noise --json --out out",
    "compare": "--passages verse --noise --json --out out",
    "swaps": "--order a --passages verse --json",
}
LONG = SHORT | {
    "compare": "--noise --holds --measures --pictures --json --out out",
    "swaps": "--order a --all --holds --json",
    "set-levels": "--order a --json",
    "search": "--members --json --out out",
    "worth": "--order a --json",
    "levels": "--order b --json --out out",
    "plan": "--order b --json --out sheets.html --pdf sheets.pdf",
}
# One process runs them all: most of a short run is loading kernels.
RUN = """
import contextlib, io, json, os, shlex, sys
from pathlib import Path
board, cores, commands = sys.argv[1], int(sys.argv[2]), json.loads(sys.argv[3])
os.cpu_count = lambda: cores
from simchain import cli
if __name__ == "__main__":
    told = {}
    for name, options in commands.items():
        sys.argv = ["simchain", name, board, *shlex.split(options)]
        with contextlib.redirect_stdout(io.StringIO()) as out:
            try:
                cli.main()
            except SystemExit as end:
                assert not end.code, (name, end.code)
        told[name] = out.getvalue()
        for place in (Path("out"), Path()):
            for file in [each for each in place.glob("*") if each.is_file()]:
                kept = Path("kept") / name / file.name
                kept.parent.mkdir(parents=True, exist_ok=True)
                file.rename(kept)
    print(json.dumps(told))
"""


def board_in(folder: Path, *, backwards: bool, seconds: float) -> Path:
    """Write the board, its clip and its body's response, in one sequence or the other."""
    folder.mkdir(parents=True)
    at = np.arange(round(seconds * 48_000)) / 48_000
    note = 0.2 * np.exp(-3.0 * (at % 0.75)) * np.sin(2 * np.pi * 196.0 * at)

    def clip() -> None:
        soundfile.write(folder / "clip.wav", note, 48_000)

    def wood() -> None:
        for name in ("wood.wav", "box.wav"):
            soundfile.write(folder / name, np.array([1.0, 0.5, 0.2]), 48_000)

    def board() -> None:
        (folder / "board.toml").write_text(BOARD)

    writers = [clip, wood, board]
    for write in reversed(writers) if backwards else writers:
        write()
    return folder / "board.toml"


def made(
    folder: Path, commands: dict[str, str], *, seed: int, cores: int, seconds: float
) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Run commands in a process of their own; return what each printed, and what was written.

    An odd `seed` has the board somewhere else, and names it by its whole path.
    """
    away = seed % 2 == 1
    stands = folder / "stands here"
    stands.mkdir(parents=True)
    lies = folder / "boards" / "elsewhere" if away else folder / "beside"
    board = board_in(lies, backwards=away, seconds=seconds)
    named = str(board) if away else os.path.relpath(board, stands)
    done = subprocess.run(
        [sys.executable, "-c", RUN, named, str(cores), json.dumps(commands)],
        cwd=stands,
        env={**os.environ, "PYTHONHASHSEED": str(seed)},
        capture_output=True,
        text=True,
        timeout=3000,
    )
    assert done.returncode == 0, done.stderr
    told = {name: json.loads(text) for name, text in json.loads(done.stdout).items()}
    for name, keys in TIMES.items():
        for key in keys & set(told.get(name, ())):
            assert told[name].pop(key) > 0.0
    kept = stands / "kept"
    files = [each for each in kept.rglob("*") if each.is_file()]
    assert str(folder) not in json.dumps(told)
    return told, {str(each.relative_to(kept)): each.read_bytes() for each in files}


def assert_same(one: tuple[dict[str, Any], Any], other: tuple[dict[str, Any], Any]) -> None:
    """Raise unless two runs told and wrote the same; say what differs."""
    for ours, theirs in zip(one, other, strict=True):
        assert sorted(ours) == sorted(theirs)
        assert [name for name in ours if ours[name] != theirs[name]] == []


def assert_all_there(commands: dict[str, str], told: dict[str, Any], files: set[str]) -> None:
    """Raise unless each command told what its result was made with, and wrote its files."""
    assert list(told) == list(commands)
    for name, options in commands.items():
        assert told[name]["made_with"]["settings_sha256"], name
        if "--out out" in options:
            assert f"{name}/{FILE}" in files
    endings = {name.rpartition(".")[2] for name in files}
    assert {"json", "html"} < endings
    assert endings & {"wav", "flac"}


def test_twice_the_same_bytes(tmp_path: Path) -> None:
    one = made(tmp_path / "one", SHORT, seed=1, cores=1, seconds=0.4)
    assert_all_there(SHORT, one[0], set(one[1]))
    assert_same(one, made(tmp_path / "other", SHORT, seed=2, cores=2, seconds=0.4))


@pytest.mark.soak
def test_twice_the_same_bytes_of_everything(tmp_path: Path) -> None:
    one = made(tmp_path / "one", LONG, seed=1, cores=1, seconds=1.5)
    assert_all_there(LONG, one[0], set(one[1]))
    print(f"{len(one[0])} documents and {len(one[1])} files, on one thread and on two")
    assert_same(one, made(tmp_path / "other", LONG, seed=2, cores=2, seconds=1.5))


@pytest.mark.soak
def test_a_search_on_threads_and_on_workers_is_the_same(tmp_path: Path) -> None:
    alone = {"search": "--coarse --members --json --out out"}
    shared = {"search": f"{alone['search']} --local-workers 2"}
    one = made(tmp_path / "threads", alone, seed=3, cores=2, seconds=0.6)
    assert_all_there(alone, one[0], set(one[1]))
    print(f"{one[0]['search']['orders_visited']} orders, on threads and on two worker processes")
    assert_same(one, made(tmp_path / "workers", shared, seed=4, cores=2, seconds=0.6))
