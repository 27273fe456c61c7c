"""`simchain search` as a newcomer types it, with mistakes; ended by Ctrl-C, and taken up again."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from simchain.decide import cluster
from tests.conftest import Simchain
from tests.searched import BOARD, written

posix = pytest.mark.skipif(sys.platform == "win32", reason="needs signals")

FEW = ("--blocks", "grit,push", "--coarse")


@pytest.fixture
def board(tmp_path: Path) -> Path:
    return written(tmp_path)


def test_one_json_document(simchain_command: Simchain, board: Path) -> None:
    ran = simchain_command("search", board, *FEW, "--json", "--members")
    document = json.loads(ran.out)
    assert ran.status == 0
    assert document["orders_total"] == sum(group["size"] for group in document["groups"]) == 2
    assert [len(group["members"]) for group in document["groups"]] == [
        group["size"] for group in document["groups"]
    ]
    assert document["page"] is None
    assert "members" not in simchain_command("search", board, *FEW, "--json").out


def test_what_people_see(simchain_command: Simchain, board: Path) -> None:
    ran = simchain_command("search", board, *FEW)
    assert ran.status == 0
    assert "2 orders" in ran.out
    assert "grit push" in ran.out


def test_the_page_lies_in_the_folder(simchain_command: Simchain, board: Path) -> None:
    folder = board.parent / "out"
    ran = simchain_command("search", board, *FEW, "--out", folder, "--json")
    assert (folder / json.loads(ran.out)["page"]).is_file()
    assert not list(folder.glob(".simchain-*"))


MISTAKES = [
    (["--blocks", "girt"], "did you mean 'grit'"),
    (["--blocks", "grit,grit"], "given twice"),
    (["--passages", "rif"], "did you mean 'riff'"),
    (["--amp", "loud"], "no amplifier 'loud'"),
    (["--coarse", "--full"], "give --coarse or --full, not both"),
    (["--limit", "3"], "more than the limit of 3"),
    (["--limit", "0"], "'--limit'"),
    (["--limit", "many"], "'--limit'"),
    (["--beam", "0"], "'--beam'"),
    (["--beam", "5000"], "'--beam'"),
    (["--scheduler", "localhost"], "write it as tcp://HOST:PORT"),
    (["--scheduler", "tcp://127.0.0.1:1"], "does not answer"),
    (["--scheduler", "tcp://127.0.0.1:1", "--local-workers", "2"], "not both"),
    (["--local-workers", "0"], "1 to 256 are allowed"),
    (["--local-workers", "two"], "'--local-workers'"),
    (["--checkpoint", "."], "is a directory"),
    (["--checkpoint", "nowhere/heard"], "no such file or directory"),
    (["--checkpoint", "board.toml"], "is no checkpoint of a search"),
    (["--out", "clip.wav"], "cannot write into"),
    (["--out", "clip.wav/out"], "cannot write into"),
    (["--order", "given"], "No such option"),
]


@pytest.mark.parametrize(
    ("options", "said"), MISTAKES, ids=[" ".join(each) for each, _ in MISTAKES]
)
def test_mistakes(
    simchain_command: Simchain,
    board: Path,
    options: list[str],
    said: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(board.parent)
    monkeypatch.setattr(cluster, "ANSWER_WITHIN_S", 0.5)
    before = sorted((path.name, path.read_bytes()) for path in board.parent.iterdir())
    ran = simchain_command("search", board.name, *options)
    assert (ran.status, ran.out) == (2, "")
    assert said in ran.err
    if "Usage" not in ran.err:
        assert len(ran.err.strip().splitlines()) == 1
    assert sorted((path.name, path.read_bytes()) for path in board.parent.iterdir()) == before


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ('[rules]\nfirst = ["grit"]\nlast = ["grit"]', "these rules contradict each other"),
        ('[rules]\nfixed = { grit = 9 }', "no order keeps to the rule fixed = { grit = 9 }"),
        ('[rules]\nfirst = ["girt"]', "did you mean 'grit'"),
        ('reference = "gone"\ncloseness = 1', "there are: given"),
        ('reference = "few"\ncloseness = 1\n[orders.few]\nfront = ["grit"]', "[goals] reference"),
    ],
)  # fmt: skip
def test_boards_that_cannot_be_searched(
    simchain_command: Simchain, tmp_path: Path, more: str, said: str
) -> None:
    ran = simchain_command("search", written(tmp_path, BOARD + more))
    assert (ran.status, ran.out) == (2, "")
    assert said in ran.err
    assert len(ran.err.strip().splitlines()) == 1


@pytest.mark.parametrize("loud", [0.0, 1e-9, 1.0])
def test_clips_of_any_loudness(simchain_command: Simchain, tmp_path: Path, loud: float) -> None:
    board = written(tmp_path, loud=loud)
    ran = simchain_command("search", board, "--blocks", "grit,squash", "--json")
    assert ran.status == 0, ran.err
    assert json.loads(ran.out)["orders_total"] == 2
    assert simchain_command("search", board, *FEW).status == 0


def test_the_help_explains_every_option(simchain_command: Simchain) -> None:
    lines = simchain_command("search", "--help").out.splitlines()
    listed = [line.split() for line in lines if line.startswith("  --")]
    assert len(listed) >= 13
    assert all(len(words) > 3 for words in listed)
    assert all(len(line) <= 80 for line in lines)


# A process of its own


def started(board: Path, *options: object) -> "subprocess.Popen[str]":
    """Start the command in a session of its own, as a terminal does."""
    command = shutil.which("simchain", path=os.path.dirname(sys.executable))  # noqa: PTH120
    assert command
    return subprocess.Popen(
        [command, "search", str(board), "--coarse", "--json", *map(str, options)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def whole_lines(path: Path) -> bytes:
    """Return a checkpoint without what is being written, also one that is not there yet."""
    content = path.read_bytes() if path.exists() else b""
    return content[: content.rfind(b"\n") + 1]


def wait_for_lines(process: "subprocess.Popen[str]", path: Path, count: int) -> None:
    until = time.monotonic() + 120
    while whole_lines(path).count(b"\n") < count:
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < until
        time.sleep(0.005)


def found_by(process: "subprocess.Popen[str]") -> str:
    """Return what a command found, but for how long it took."""
    out, err = process.communicate(timeout=240)
    assert process.returncode == 0, err
    return json.dumps(json.loads(out) | {"seconds": None})


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, int]:
    """A board, what a search finds that is left alone, and how many lines its checkpoint has."""
    folder = tmp_path_factory.mktemp("undisturbed")
    board, whole = written(folder, seconds=4.0), folder / "whole"
    return board, found_by(started(board, "--checkpoint", whole)), whole.read_bytes().count(b"\n")


@posix
@pytest.mark.parametrize(
    "workers",
    [
        pytest.param((), id="threads"),
        pytest.param(("--local-workers", 2), id="workers", marks=pytest.mark.soak),
    ],
)
@pytest.mark.parametrize("ends_by", [signal.SIGINT, signal.SIGKILL], ids=["ctrl-c", "kill"])
def test_a_search_that_was_ended_goes_on(
    undisturbed: tuple[Path, str, int],
    tmp_path: Path,
    workers: tuple[object, ...],
    ends_by: signal.Signals,
) -> None:
    import psutil

    board, wanted, lines = undisturbed
    part, folder = tmp_path / "part", tmp_path / "out"
    process = started(board, "--checkpoint", part, "--out", folder, *workers)
    wait_for_lines(process, part, 3)
    children = psutil.Process(process.pid).children(recursive=True)
    since = time.monotonic()
    if ends_by == signal.SIGINT:
        os.killpg(process.pid, ends_by)  # a terminal tells every process of the group
    else:
        process.kill()
    out, err = process.communicate(timeout=60)
    assert psutil.wait_procs(children, timeout=10)[1] == []
    if ends_by == signal.SIGINT:
        assert time.monotonic() - since < 10
        assert (process.returncode, out) == (130, "")
        assert "Traceback" not in err
    assert list(folder.iterdir()) == []
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "part"]
    assert sorted(path.name for path in board.parent.iterdir()) == [
        "board.toml", "clip.wav", "whole",
    ]  # fmt: skip
    kept = whole_lines(part)
    assert 2 < kept.count(b"\n") < lines
    assert found_by(started(board, "--checkpoint", part)) == wanted
    # What was kept was not worked on again: only what was missing has come.
    assert part.read_bytes().startswith(kept)
    assert part.read_bytes().count(b"\n") == lines
