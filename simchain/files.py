"""Whole files or none: written beside their place, flushed, then renamed into it."""

import contextlib
import os
import tempfile
from pathlib import Path

from simchain.errors import OutputError

_PREFIX = ".simchain-"


def prepare_folder(folder: Path) -> None:
    """Make `folder` and its parents, and sweep what an interrupted run left in it.

    Raises OutputError when it cannot be made or written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for leftover in folder.glob(f"{_PREFIX}*"):
            with contextlib.suppress(OSError):
                leftover.unlink()
        with tempfile.NamedTemporaryFile(dir=folder, prefix=_PREFIX):
            pass
    except OSError as error:
        raise OutputError(f"cannot write into {folder}: {reason_of(error)}") from error


def write_bytes(path: Path, content: bytes | memoryview) -> None:
    """Write `content` to `path` so that the file is either whole or as it was.

    Raises OutputError when the folder cannot be written or is full.
    """
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=_PREFIX)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(temporary).chmod(_mode(path))
        Path(temporary).replace(path)
    except OSError as error:
        raise OutputError(f"cannot write {path}: {reason_of(error)}") from error
    finally:
        if temporary:
            with contextlib.suppress(OSError):
                Path(temporary).unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write `text` as UTF-8, whole or not at all; see `write_bytes`."""
    write_bytes(path, text.encode())


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
