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


class Disk:
    """A small disk at `folder`; where `is_disk` is false it only behaves as one."""

    def __init__(self, folder: Path, *, is_disk: bool) -> None:
        self._filler, self._is_disk = folder / "filler", is_disk

    @contextmanager
    def full(self, left_bytes: int = 0) -> Iterator[None]:
        """Have it full, but for so many bytes."""
        if not self._is_disk:
            full = OSError(28, "No space left on device")
            with mock.patch("os.fsync", side_effect=full):
                yield
            return
        with suppress(OSError), self._filler.open("wb", buffering=0) as file:
            while file.write(bytes(4_096)):
                pass
        os.truncate(self._filler, max(0, self._filler.stat().st_size - left_bytes))
        try:
            yield
        finally:
            self._filler.unlink()


@contextmanager
def small_disk(folder: Path, size_bytes: int) -> Iterator[Disk]:
    """Make `folder` an empty disk of that size.

    Where a test may mount none, flushing any file fails while it is full, as on disks that find
    room for what they are given as late as that.
    """
    mount = shutil.which("mount")
    asked = [mount or "", "-t", "tmpfs", "-o", f"size={size_bytes}", "tmpfs", str(folder)]
    allowed = mount is not None and os.geteuid() == 0
    if not allowed or subprocess.run(asked, capture_output=True, check=False).returncode:
        yield Disk(folder, is_disk=False)
        return
    try:
        yield Disk(folder, is_disk=True)
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


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
