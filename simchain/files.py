"""Whole files or none: written beside their place, flushed, then renamed into it.

Also what tells one state of a file from another, so that nothing stale is kept of it.
"""

import contextlib
import hashlib
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

from simchain.errors import OutputError

_PREFIX, _SUFFIX = ".simchain-", ".part"
_HELD = ".held"  # in a temporary folder: locked for as long as somebody uses it
# A larger file is no sound that could be used, and not worth reading to tell it from another.
_LARGEST_DIGESTED = 1_000_000_000

_NO_WAITING_NO_LINKS = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOFOLLOW", 0)

_LONGEST_WAIT_S = 2.0

Stamp = tuple[int, ...]


def prepare_folder(folder: Path) -> None:
    """Make `folder` and its parents, and sweep what an interrupted run left in it.

    Raises OutputError when it cannot be made or written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with _aside(folder):
            pass
    except OSError as error:
        raise OutputError(f"cannot write into {folder}: {reason_of(error)}") from error


def write_bytes(path: Path, content: bytes | memoryview) -> None:
    """Write `content` to `path` so that the file is either whole or as it was.

    What an interrupted run left in the folder is swept. Raises OutputError when the folder cannot
    be written or is full.
    """
    try:
        with _aside(path.parent) as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
            Path(file.name).chmod(_mode(path))
            if os.name == "nt":  # elsewhere it is held until it stands in its place
                file.close()
            Path(file.name).replace(path)
    except OSError as error:
        raise OutputError(f"cannot write {path}: {reason_of(error)}") from error


def write_text(path: Path, text: str) -> None:
    """Write `text` as UTF-8, whole or not at all; see `write_bytes`."""
    write_bytes(path, text.encode())


@contextlib.contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """Let one run at a time read and write a file in `folder`, of those that ask for it.

    So nothing that another run writes is lost in between. Where a system or disk has no locks, and
    after a second or two, nobody is waited for.
    """
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows opens no folders
        yield
        return
    try:
        ends = time.monotonic() + _LONGEST_WAIT_S
        while time.monotonic() < ends:
            try:
                _lock(handle)
            except BlockingIOError:
                time.sleep(0.005)
            except OSError:  # a file system without locks
                break
            else:
                break
        yield
    finally:
        os.close(handle)


@contextlib.contextmanager
def in_temporary_folder() -> Iterator[None]:
    """Raise OutputError for what goes wrong meanwhile in the system's temporary folder."""
    try:
        yield
    except OSError as error:
        folder = f" {tempfile.tempdir}" if tempfile.tempdir else ""
        raise OutputError(
            f"cannot write into the temporary folder{folder}: {reason_of(error)}; TMPDIR may name "
            "another"
        ) from error


def temporary_folder(what: str) -> tuple[Path, Callable[[], None]]:
    """Make a folder of one's own in the system's temporary one; return it, and what removes it.

    Folders for `what` that runs left there which were killed are swept. Raises OutputError.
    """
    with in_temporary_folder():
        prefix = f"{_PREFIX[1:]}{what}-"
        _sweep_folders(Path(tempfile.gettempdir()), prefix)
        while True:
            folder = Path(tempfile.mkdtemp(prefix=prefix))
            handle = os.open(folder / _HELD, os.O_RDWR | os.O_CREAT, 0o600)
            with contextlib.suppress(OSError):
                _lock(handle, waits=True)
            if os.fstat(handle).st_nlink:
                break
            os.close(handle)  # another run swept it before it was held

    held = [handle]

    def removed() -> None:
        while held:
            os.close(held.pop())
        shutil.rmtree(folder, ignore_errors=True)

    return folder, removed


def stamp_of(path: Path) -> Stamp | None:
    """Return what differs once a file was written to or another stands there; None without one.

    Not its time alone, which a copy may bring along, and which goes back with the clock.
    """
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


def digest_of(path: Path) -> bytes:
    """Return a hash of what is in a file: empty where there is none that can be read."""
    return _digest(path, stamp_of(path))


@lru_cache(maxsize=64)
def _digest(path: Path, stamp: Stamp | None) -> bytes:
    try:
        if stamp is None or not path.is_file():
            return b""
        if path.stat().st_size > _LARGEST_DIGESTED:
            return repr(stamp).encode()
        with path.open("rb") as file:
            return hashlib.file_digest(file, "blake2b").digest()
    except OSError:
        return b""


@contextlib.contextmanager
def _aside(folder: Path) -> Iterator[Any]:
    """Yield a new hidden file in `folder`; unless it is renamed it is gone afterwards."""
    _sweep(folder)
    while True:
        file = tempfile.NamedTemporaryFile(  # noqa: SIM115 - closed below
            dir=folder, prefix=_PREFIX, suffix=_SUFFIX, delete=False
        )
        with contextlib.suppress(OSError):
            _lock(file.fileno(), waits=True)
        if os.fstat(file.fileno()).st_nlink:
            break
        file.close()  # another run swept it before it was held
    try:
        yield file
    finally:
        with contextlib.suppress(OSError):
            file.close()
        with contextlib.suppress(OSError):
            Path(file.name).unlink(missing_ok=True)


def _sweep(folder: Path) -> None:
    """Remove what interrupted runs left in `folder`, and nothing that another run holds."""
    for leftover in folder.glob(f"{_PREFIX}*{_SUFFIX}"):
        with contextlib.suppress(OSError):  # held, or on a disk where that cannot be known
            handle = os.open(leftover, os.O_RDONLY | _NO_WAITING_NO_LINKS)
            try:
                _lock(handle)
                leftover.unlink()
            finally:
                os.close(handle)


def _sweep_folders(root: Path, prefix: str) -> None:
    """Remove folders of this user in `root` that nobody holds any more."""
    if os.name == "nt":  # where it cannot be known whether somebody does
        return
    for folder in root.glob(f"{prefix}*"):
        with contextlib.suppress(OSError):
            if folder.lstat().st_uid != os.getuid():
                continue
            handle = os.open(folder / _HELD, os.O_RDWR | _NO_WAITING_NO_LINKS)
            try:
                _lock(handle)
                shutil.rmtree(folder, ignore_errors=True)
            finally:
                os.close(handle)


def _lock(handle: int, *, waits: bool = False) -> None:
    """Have a file or folder for oneself for as long as it is open.

    Raises BlockingIOError while another run has it, unless it `waits`; OSError on a file system
    without locks. Does nothing on Windows, where an open file cannot be removed anyway.
    """
    try:
        import fcntl
    except ImportError:
        return
    fcntl.flock(handle, fcntl.LOCK_EX if waits else fcntl.LOCK_EX | fcntl.LOCK_NB)


def _mode(path: Path) -> int:
    """Permissions of the file that is replaced, or what a new file gets."""
    with contextlib.suppress(OSError):
        return path.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def reason_of(error: OSError) -> str:
    """Return what the system says of a fault, in lower case."""
    return (error.strerror or str(error)).lower()
