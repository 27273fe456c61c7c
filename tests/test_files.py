"""A file is whole or as it was, and what goes wrong is one plain line."""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from simchain import files
from simchain.errors import OutputError


def hidden(folder: Path) -> list[Path]:
    return [path for path in folder.iterdir() if path.name.startswith(".")]


def test_writes_and_replaces(tmp_path: Path) -> None:
    target = tmp_path / "board.toml"
    files.write_text(target, "tempo = 120  # ♩\n")
    files.write_bytes(target, b"tempo = 90\n")
    assert target.read_bytes() == b"tempo = 90\n"
    assert hidden(tmp_path) == []


def test_keeps_the_permissions_of_what_it_replaces(tmp_path: Path) -> None:
    target = tmp_path / "board.toml"
    target.write_text("old")
    target.chmod(0o640)
    files.write_text(target, "new")
    assert target.stat().st_mode & 0o777 == 0o640


def test_a_new_file_gets_the_permissions_of_any_new_file(tmp_path: Path) -> None:
    plain, ours = tmp_path / "plain", tmp_path / "ours"
    plain.write_text("")
    files.write_text(ours, "")
    assert ours.stat().st_mode == plain.stat().st_mode


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failing_write_leaves_the_old_file(
    step: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "board.toml"
    target.write_text("old")

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(*((os, "fsync") if step == "fsync" else (Path, "replace")), fail)
    with pytest.raises(OutputError, match=r"^cannot write .*board\.toml: no space left on device$"):
        files.write_text(target, "new")
    assert target.read_text() == "old"
    assert hidden(tmp_path) == []


def test_ctrl_c_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "board.toml"
    target.write_text("old")

    def interrupt(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        files.write_text(target, "new")
    assert target.read_text() == "old"
    assert hidden(tmp_path) == []


FULL_DISK = """
import resource, sys
from pathlib import Path
from simchain import errors, files
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
try:
    files.write_bytes(Path(sys.argv[1]), bytes(100_000))
except errors.OutputError as error:
    print(error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs limits on the size of files")
def test_a_full_disk_leaves_the_old_file(tmp_path: Path) -> None:
    """A limit of 1000 bytes a file stands for a disk that fills up in the middle of writing."""
    target = tmp_path / "sound.wav"
    target.write_text("old")
    run = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(target)], capture_output=True, text=True, check=True
    )
    assert run.stdout == f"cannot write {target}: file too large\n"
    assert run.stderr == ""
    assert target.read_text() == "old"
    assert hidden(tmp_path) == []


@pytest.mark.skipif(os.name != "posix", reason="needs named pipes")
def test_sweeps_what_an_interrupted_run_left(tmp_path: Path) -> None:
    folder = tmp_path / "out" / "first"
    files.prepare_folder(folder)
    users = {"audition.html", ".hidden", "simchain-notes.txt", ".simchain-notes"}
    for kept in users:
        (folder / kept).write_text("the user's")
    (folder / ".simchain-folder.part").mkdir()
    (folder / ".simchain-link.part").symlink_to(folder / "audition.html")
    os.mkfifo(folder / ".simchain-pipe.part")
    for write in (files.prepare_folder, lambda folder: files.write_text(folder / "new", "")):
        (folder / ".simchain-abc123.part").write_text("half a file")
        write(folder)
        there = {path.name for path in folder.iterdir()} - {"new", ".simchain-pipe.part"}
        assert there == {".simchain-folder.part", ".simchain-link.part", *users}


def test_a_run_leaves_alone_what_another_is_writing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another run begins, and writes, in the same folder just before a file is renamed."""
    fsync, others = os.fsync, []  # type: ignore[var-annotated]

    def meanwhile(handle: int) -> None:
        fsync(handle)
        if not others:
            others.append(len(hidden(tmp_path)))
            files.prepare_folder(tmp_path)
            files.write_text(tmp_path / "other", "theirs")

    monkeypatch.setattr(os, "fsync", meanwhile)
    files.write_text(tmp_path / "mine", "mine")
    assert others == [1]
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {
        "mine": "mine",
        "other": "theirs",
    }


def test_what_is_swept_before_it_is_held_is_begun_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lock, swept = files._lock, []  # type: ignore[var-annotated]

    def late(handle: int, **how: bool) -> None:
        if how and not swept:
            swept.extend(hidden(tmp_path))
            files._sweep(tmp_path)
        lock(handle, **how)

    monkeypatch.setattr(files, "_lock", late)
    files.write_text(tmp_path / "mine", "mine")
    assert len(swept) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]


def test_a_stamp_tells_one_state_of_a_file_from_another(tmp_path: Path) -> None:
    """Also where its time is set back, or is that of what stood there before."""
    sound = tmp_path / "clip.wav"
    assert (files.stamp_of(sound), files.digest_of(sound)) == (None, b"")
    seen = []
    for content in (b"one", b"two", b"two"):
        sound.unlink(missing_ok=True)
        time.sleep(0.02)  # systems count a file's own time in steps of up to 10 ms
        sound.write_bytes(content)
        os.utime(sound, ns=(10**18, 10**18))
        seen.append((files.stamp_of(sound), files.digest_of(sound)))
        assert files.stamp_of(sound) == seen[-1][0]
    assert len({stamp for stamp, _ in seen}) == 3
    assert len({digest for _, digest in seen}) == 2


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    taken = tmp_path / "out"
    taken.write_text("the user's")
    for folder in (taken, taken / "deeper"):
        with pytest.raises(
            OutputError, match=r"^cannot write into .*out.*: (file exists|not a dir)"
        ):
            files.prepare_folder(folder)
    assert taken.read_text() == "the user's"


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="needs a folder nobody may write into")
def test_a_folder_that_cannot_be_written() -> None:
    with pytest.raises(OutputError, match=r"^cannot write into /proc/simchain: "):
        files.prepare_folder(Path("/proc/simchain"))
    with pytest.raises(OutputError, match=r"^cannot write /proc/board\.toml: "):
        files.write_text(Path("/proc/board.toml"), "")


def test_a_missing_folder_and_a_folder_in_the_place(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="no such file or directory"):
        files.write_text(tmp_path / "missing" / "a.txt", "")
    (tmp_path / "a.txt").mkdir()
    with pytest.raises(OutputError, match="is a directory"):
        files.write_text(tmp_path / "a.txt", "")
    assert hidden(tmp_path) == []


@pytest.mark.skipif(os.name != "posix", reason="needs locks")
def test_temporary_folders_of_killed_runs_are_swept_and_no_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    code = (
        "import os; from simchain import files\n"
        "folder, _ = files.temporary_folder('job'); (folder / 'page').write_text('kept')\n"
        "os.kill(os.getpid(), 9)"
    )
    told = os.environ | {"TMPDIR": str(tmp_path)}
    subprocess.run([sys.executable, "-c", code], env=told, check=False)
    (killed,) = tmp_path.iterdir()
    assert (killed / "page").read_text() == "kept"
    (tmp_path / "simchain-job-of-the-user").mkdir()
    (tmp_path / "simchain-fault-1.txt").write_text("what it was")
    users = {path for path in tmp_path.iterdir() if path != killed}
    one, one_removed = files.temporary_folder("job")
    assert set(tmp_path.iterdir()) == {one, *users}
    two, two_removed = files.temporary_folder("job")
    assert set(tmp_path.iterdir()) == {one, two, *users}
    one_removed()
    one_removed()
    assert set(tmp_path.iterdir()) == {two, *users}
    two_removed()
