"""What a search has found so far, kept as lines of JSON, so that it can be taken up again."""

import base64
import contextlib
import json
import math
import os
import stat
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeAlias

import numpy as np
from numpy.typing import NDArray

from simchain import __version__
from simchain.errors import OutputError, RequestError
from simchain.files import reason_of

Value: TypeAlias = NDArray[Any] | int | float
Payload: TypeAlias = Mapping[str, Value]

FORMAT = 1
LONGEST_LINE = 64 * 2**20  # bytes, with its newline: what one part of a search may take in memory
MOST_COMMAS = 1_000_000  # in a line: empty lists are short there and long in memory
SYNC_EVERY_S = 1.0
STORED_AS = {"float32": "<f4", "float64": "<f8", "int32": "<i4"}
STARTS_WITH = b'{"simchain":'


class Checkpoint:
    """What a search has found so far, a line of JSON for each part of it.

    Opens `path`, or makes it. Its first line holds the version of simchain and `fingerprint`: what
    the search is of, as JSON values, each entry named so that a person knows what differs. The
    other lines hold a key and a payload each: arrays of float32, float64 or int32, which come back
    bit for bit, and numbers. Of a key that stands there twice the later line counts. Payloads stay
    in the file until `get` reads them. A last line that was cut short is dropped.

    For one thread, and one process: a second one is refused where the system can lock files.

    Raises RequestError for a file that is of another search, in use, broken or no checkpoint (it is
    left as it is), OutputError where it cannot be opened or written.
    """

    def __init__(self, path: Path, fingerprint: Mapping[str, Any]) -> None:
        self.path = path
        self._places: dict[str, tuple[int, int]] = {}  # of each key's line: start and length
        self._size = 0  # of all whole lines, in bytes
        self._synced_at = time.monotonic()
        first = _line({"simchain": __version__, "checkpoint": FORMAT, **fingerprint})
        try:
            self._file = _open(path)
        except OSError as error:
            raise OutputError(f"cannot open checkpoint {path}: {reason_of(error)}") from error
        try:
            self._lock()
            self._take_up(first)
        except OSError as error:
            os.close(self._file)
            raise OutputError(f"cannot read checkpoint {path}: {reason_of(error)}") from error
        except BaseException:
            os.close(self._file)
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def __contains__(self, key: object) -> bool:
        return key in self._places

    def __len__(self) -> int:
        return len(self._places)

    def get(self, key: str) -> dict[str, Value] | None:
        """Return the payload of `key`, or None. Arrays are new and may be written over."""
        if key not in self._places:
            return None
        start, length = self._places[key]
        try:
            os.lseek(self._file, start, os.SEEK_SET)
            line = os.read(self._file, length)
            return _part(line)[1]
        except OSError as error:
            raise OutputError(f"cannot read checkpoint {self.path}: {reason_of(error)}") from error
        except _BrokenError as error:
            raise self._wrong("was changed while it was in use") from error

    def add(self, key: str, payload: Payload) -> None:
        """Append `payload` under `key`; it is in the file when this returns.

        It survives this process at once, and the machine's failing after a second or so. Raises
        OutputError when the disk is full; ValueError for a line longer than LONGEST_LINE, TypeError
        for other kinds of arrays: faults of the program.
        """
        fields = {name: _encoded(value) for name, value in payload.items()}
        self._append(_line({"key": key, "payload": fields}), key)

    def close(self) -> None:
        """Write all to the disk, and let others have the file. May be called twice."""
        if self._file < 0:
            return
        file, self._file = self._file, -1
        try:
            os.fsync(file)
        except OSError as error:
            raise OutputError(f"cannot write checkpoint {self.path}: {reason_of(error)}") from error
        finally:
            os.close(file)

    def _lock(self) -> None:
        """Keep others out, and refuse what is no file."""
        if not stat.S_ISREG(os.fstat(self._file).st_mode):
            raise self._wrong("is no file")
        try:
            import fcntl
        except ImportError:
            return
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise RequestError(
                f"checkpoint {self.path} is in use by another search; name another file, or wait"
            ) from error
        except OSError:  # a file system without locks
            return

    def _take_up(self, first: bytes) -> None:
        """Read what is there and cut off what is half a line, or begin the file."""
        for number, (line, whole) in enumerate(self._lines(), start=1):
            if number == 1:
                if not whole and first.startswith(line):
                    break  # nothing came after half a first line
                self._check_head(line, json.loads(first))
            elif whole:
                try:
                    key, _ = _part(line)
                except _BrokenError as error:
                    raise self._wrong(f"is broken in line {number} ({error})") from error
                self._places[key] = (self._size, len(line))
            if whole:
                self._size += len(line)
        os.ftruncate(self._file, self._size)
        if not self._size:
            self._append(first)

    def _lines(self) -> Iterator[tuple[bytes, bool]]:
        """Yield each line, and whether it is whole; refuse what is too long to be read."""
        with open(os.dup(self._file), "rb") as reader:  # noqa: PTH123
            number = 0
            while line := reader.readline(LONGEST_LINE + 1):
                number += 1
                if number == 1 and not line.startswith(STARTS_WITH[: len(line)]):
                    raise self._wrong("is no checkpoint of a search")
                if len(line) > LONGEST_LINE:
                    raise self._wrong(f"is broken in line {number} (over {LONGEST_LINE:,} bytes)")
                yield line, line.endswith(b"\n")

    def _check_head(self, line: bytes, wanted: dict[str, Any]) -> None:
        try:
            head = _object(line)
        except _BrokenError as error:
            raise self._wrong("is no checkpoint of a search") from error
        if "checkpoint" not in head or not line.endswith(b"\n"):
            raise self._wrong("is no checkpoint of a search")
        if head["simchain"] != wanted["simchain"]:
            theirs = str(head["simchain"])[:20]
            raise self._wrong(f"is by simchain {theirs!r}, this is {wanted['simchain']}")
        differ = [
            name
            for name in dict.fromkeys([*wanted, *head])
            if name not in wanted or name not in head or head[name] != wanted[name]
        ]
        if differ:
            names = (name if name in wanted else repr(name[:40]) for name in differ[:5])
            shown = ", ".join(names) + ", ..." * (len(differ) > 5)
            verb = "differs" if len(differ) == 1 else "differ"
            raise self._wrong(f"is of another search ({shown} {verb})")

    def _wrong(self, what: str) -> RequestError:
        return RequestError(f"checkpoint {self.path} {what}; name another file or remove it")

    def _append(self, line: bytes, key: str | None = None) -> None:
        if len(line) > LONGEST_LINE or line.count(b",") > MOST_COMMAS:
            raise ValueError(
                f"{len(line):,} bytes and {line.count(b','):,} commas in a line of a checkpoint; at"
                f" most {LONGEST_LINE:,} and {MOST_COMMAS:,} are allowed"
            )
        try:
            written = 0
            while written < len(line):
                written += os.write(self._file, line[written:])
            if time.monotonic() - self._synced_at >= SYNC_EVERY_S:
                os.fsync(self._file)
                self._synced_at = time.monotonic()
        except BaseException as error:
            with contextlib.suppress(OSError):
                os.ftruncate(self._file, self._size)
            if isinstance(error, OSError):
                raise OutputError(
                    f"cannot write checkpoint {self.path}: {reason_of(error)}"
                ) from error
            raise
        if key is not None:
            self._places[key] = (self._size, len(line))
        self._size += len(line)


class _BrokenError(Exception):
    """What stands there was not written by a checkpoint."""


def _open(path: Path) -> int:
    """Open `path` for reading and appending, without waiting for anybody at the other end."""
    flags = os.O_RDWR | os.O_CREAT | os.O_APPEND
    flags |= getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    return os.open(path, flags, 0o666)


def _line(content: Mapping[str, Any]) -> bytes:
    return json.dumps(content, separators=(",", ":"), allow_nan=False).encode() + b"\n"


def _object(line: bytes) -> dict[str, Any]:
    if line.count(b",") > MOST_COMMAS:
        raise _BrokenError("too many entries")
    try:
        content = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise _BrokenError("no JSON") from error
    if not isinstance(content, dict):
        raise _BrokenError("no JSON object")
    return content


def _part(line: bytes) -> tuple[str, dict[str, Value]]:
    """Return key and payload of a line."""
    content = _object(line)
    key, fields = content.get("key"), content.get("payload")
    if not isinstance(key, str) or not isinstance(fields, dict):
        raise _BrokenError("no key or payload")
    return key, {name: _decoded(name, value) for name, value in fields.items()}


def _encoded(value: Value) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, np.ndarray):
        kind = value.dtype.name
        if kind not in STORED_AS:
            raise TypeError(f"arrays of {kind}; {', '.join(STORED_AS)} are allowed")
        data = base64.b64encode(value.astype(STORED_AS[kind]).tobytes()).decode("ascii")
        return {"dtype": kind, "shape": value.shape, "base64": data}
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(f"{type(value).__name__}; arrays and numbers are allowed")
    return value if isinstance(value, int) or math.isfinite(value) else {"number": str(value)}


def _decoded(name: str, value: object) -> Value:
    if type(value) is int or (type(value) is float and math.isfinite(value)):
        return value
    try:
        if isinstance(value, dict) and value.get("number") in ("inf", "-inf", "nan"):
            return float(value["number"])
        if isinstance(value, dict) and all(type(n) is int and n >= 0 for n in value["shape"]):
            stored = np.frombuffer(
                base64.b64decode(value["base64"], validate=True), STORED_AS[value["dtype"]]
            )
            return stored.reshape(tuple(value["shape"])).astype(value["dtype"])
    except (KeyError, TypeError, ValueError, OverflowError, MemoryError):
        pass
    raise _BrokenError(f"{name[:40]!r} is neither a number nor an array")
