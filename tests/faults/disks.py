"""Disks that are full, and folders nobody may write into: the same for root as for anybody else."""

import ctypes
import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from unittest import mock

import pytest

_DAC_OVERRIDE, _DAC_READ_SEARCH = 1, 2  # what lets root by permissions (Linux, capability.h)
_CAPABILITIES_VERSION_3 = 0x20080522


@contextmanager
def files_up_to(most_bytes: int) -> Iterator[None]:
    """Let no file grow beyond so many bytes: as a disk that fills up while it is written to."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@contextmanager
def small_disk(folder: Path, size_bytes: int) -> Iterator[None]:
    """Make `folder` an empty disk of that size; `fill` then fills it.

    Where a test may mount none, flushing any file fails in place of writing one, as it does on a
    full disk that finds room for what it is given late.
    """
    with _mounted(folder, size_bytes) as is_disk:
        if is_disk:
            yield
        else:
            full = OSError(28, "No space left on device")
            with mock.patch("os.fsync", side_effect=full):
                yield


@contextmanager
def _mounted(folder: Path, size_bytes: int) -> Iterator[bool]:
    mount = shutil.which("mount")
    if mount is None or os.geteuid() != 0:
        yield False
        return
    asked = [mount, "-t", "tmpfs", "-o", f"size={size_bytes}", "tmpfs", str(folder)]
    if subprocess.run(asked, capture_output=True, check=False).returncode:
        yield False
        return
    try:
        yield True
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(folder: Path) -> Path:
    """Fill the disk that `folder` is, if it is one; return what takes the room."""
    filler = folder / "filler"
    if not os.path.ismount(folder):
        filler.write_bytes(b"")
        return filler
    for size in (65_536, 4_096):
        with suppress(OSError), filler.open("ab", buffering=0) as file:
            while file.write(bytes(size)):
                pass
    return filler


@contextmanager
def read_only(*folders: Path) -> Iterator[None]:
    """Let nobody write into folders or make anything there, root neither.

    Holds for this thread, and for those that it starts meanwhile.
    """
    modes = {folder: folder.stat().st_mode for folder in folders}
    with _without_rights_of_root():
        for folder in folders:
            folder.chmod(0o555)
        try:
            for folder in folders:
                with pytest.raises(PermissionError):
                    (folder / "tried").touch()
            yield
        finally:
            for folder, mode in modes.items():
                folder.chmod(mode)


@contextmanager
def _without_rights_of_root() -> Iterator[None]:
    """Make permissions count for root too, in this thread."""
    if os.geteuid() != 0:
        yield
        return
    if sys.platform != "linux":
        pytest.skip("root is let by here, and only Linux tells how to prevent it")
    libc = ctypes.CDLL(None, use_errno=True)
    header = (ctypes.c_uint32 * 2)(_CAPABILITIES_VERSION_3, 0)
    before = (ctypes.c_uint32 * 6)()  # effective, permitted and inheritable, twice 32 of each
    _checked(libc.capget(header, before))
    without = (ctypes.c_uint32 * 6)(*before)
    without[0] &= ~(1 << _DAC_OVERRIDE | 1 << _DAC_READ_SEARCH)
    _checked(libc.capset(header, without))
    try:
        yield
    finally:
        _checked(libc.capset(header, before))


def _checked(status: int) -> None:
    if status:
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
