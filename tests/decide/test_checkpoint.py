"""A checkpoint gives back what was put in, whatever stops the search, and refuses other files."""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as numpy_strategies

import simchain
from simchain.decide import checkpoint as checkpoints
from simchain.decide.checkpoint import LONGEST_LINE, Checkpoint
from simchain.errors import OutputError, RequestError, SimchainError

BOARD = {"blocks": ["grit", "echo"], "rate": 24_000, "passages": {"riff": "a1b2"}}
ADVICE = "; name another file or remove it"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "search.jsonl"


@pytest.fixture
def filled(path: Path) -> Path:
    """A checkpoint of three parts."""
    with Checkpoint(path, BOARD) as checkpoint:
        for part in range(3):
            checkpoint.add(f"part {part}", {"sound": np.arange(4.0) * part, "steps": part})
    return path


def refused(path: Path, fingerprint: dict[str, object] = BOARD) -> str:
    """Return the line with which `path` is refused, and see to it that it stays as it is."""
    before = path.read_bytes()
    with pytest.raises(RequestError) as caught:
        Checkpoint(path, fingerprint)
    assert path.read_bytes() == before
    line = str(caught.value)
    assert "\n" not in line
    assert line.startswith(f"checkpoint {path} ")
    return line.removeprefix(f"checkpoint {path} ")


# What is put in comes out


def test_parts_come_back_at_once_and_later(filled: Path) -> None:
    with Checkpoint(filled, BOARD) as checkpoint:
        assert len(checkpoint) == 3
        assert "part 2" in checkpoint
        assert "part 3" not in checkpoint
        assert checkpoint.get("part 3") is None
        checkpoint.add("part 3", {"steps": 3.5})
        assert checkpoint.get("part 3") == {"steps": 3.5}
        for part in range(3):
            found = checkpoint.get(f"part {part}")
            assert found is not None
            np.testing.assert_array_equal(found["sound"], np.arange(4.0) * part)
            assert found["steps"] == part
    with Checkpoint(filled, BOARD) as again:
        assert len(again) == 4
        assert again.get("part 3") == {"steps": 3.5}


def test_the_file_is_lines_of_json(filled: Path) -> None:
    lines = [json.loads(line) for line in filled.read_text().splitlines()]
    assert lines[0] == {"simchain": simchain.__version__, "checkpoint": 1, **BOARD}
    assert [line["key"] for line in lines[1:]] == ["part 0", "part 1", "part 2"]
    # Four float64, little-endian: 0, 1, 2, 3 (IEEE 754), in base64 (RFC 4648) by the shell's tool.
    assert lines[2]["payload"]["sound"] == {
        "dtype": "float64",
        "shape": [4],
        "base64": "AAAAAAAAAAAAAAAAAADwPwAAAAAAAABAAAAAAAAACEA=",
    }


@settings(max_examples=150, deadline=None)
@given(
    array=st.sampled_from([np.float32, np.float64, np.int32, ">f8", ">i4"]).flatmap(
        lambda dtype: numpy_strategies.arrays(dtype, numpy_strategies.array_shapes(min_dims=0))
    ),
    number=st.floats() | st.integers(),
    key=st.text(),
)
def test_every_array_and_number_comes_back_bit_for_bit(
    array: np.ndarray, number: float, key: str
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "search.jsonl"
        with Checkpoint(path, {}) as checkpoint:
            checkpoint.add(key, {"array": array, "turned": array.T, "number": number, "": 1})
        with Checkpoint(path, {}) as checkpoint:
            found = checkpoint.get(key)
    assert found is not None
    for name, given_array in (("array", array), ("turned", array.T)):
        back = found[name]
        assert isinstance(back, np.ndarray)
        native = given_array.astype(given_array.dtype.newbyteorder("="))
        assert back.dtype == native.dtype
        assert back.shape == given_array.shape
        assert back.tobytes() == native.tobytes()
    assert repr(found["number"]) == repr(number)
    assert found[""] == 1


def test_not_a_number_keeps_its_bits_in_arrays(path: Path) -> None:
    bits = np.array([0x7FF0000000000001, 0x7FF8000000000123, 0xFFF8000000000000], dtype=np.uint64)
    with Checkpoint(path, BOARD) as checkpoint:
        checkpoint.add("odd", {"nans": bits.view(np.float64), "empty": np.zeros((0, 3))})
        found = checkpoint.get("odd")
    assert found is not None
    assert found["nans"].view(np.uint64).tolist() == bits.tolist()  # type: ignore[union-attr]
    assert found["empty"].shape == (0, 3)  # type: ignore[union-attr]


def test_arrays_may_be_written_over(filled: Path) -> None:
    with Checkpoint(filled, BOARD) as checkpoint:
        for _ in range(2):
            found = checkpoint.get("part 2")
            assert found is not None
            assert found["sound"][1] == 2.0  # type: ignore[index]
            found["sound"][1] = 0.0  # type: ignore[index]


def test_numbers_of_numpy_and_a_key_twice(path: Path) -> None:
    with Checkpoint(path, BOARD) as checkpoint:
        checkpoint.add("part", {"n": 1})
        checkpoint.add("part", {"n": np.int64(2), "x": np.float32(0.1), "y": float("-inf")})
        assert len(checkpoint) == 1
    with Checkpoint(path, BOARD) as checkpoint:
        assert checkpoint.get("part") == {"n": 2, "x": float(np.float32(0.1)), "y": float("-inf")}


@pytest.mark.parametrize(
    "value", [np.zeros(2, complex), np.array(["a"]), np.zeros(1, bool), True, "text", None, [1.0]]
)
def test_what_cannot_be_kept(value: object, filled: Path) -> None:
    before = filled.read_bytes()
    with Checkpoint(filled, BOARD) as checkpoint, pytest.raises(TypeError):
        checkpoint.add("part 3", {"value": value})  # type: ignore[dict-item]
    assert filled.read_bytes() == before


def test_a_line_too_long_is_not_written(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = filled.read_bytes()
    monkeypatch.setattr(checkpoints, "LONGEST_LINE", 2000)
    with Checkpoint(filled, BOARD) as checkpoint:
        with pytest.raises(ValueError, match=r"bytes .* at most 2,000"):
            checkpoint.add("part 3", {"sound": np.zeros(2000)})
        assert "part 3" not in checkpoint
    assert filled.read_bytes() == before


# Broken off


def test_the_last_line_cut_at_every_byte(filled: Path) -> None:
    whole = filled.read_bytes()
    last = whole.rstrip(b"\n").rindex(b"\n") + 1
    for end in range(last, len(whole)):
        filled.write_bytes(whole[:end])
        with Checkpoint(filled, BOARD) as checkpoint:
            assert len(checkpoint) == 2
            assert filled.read_bytes() == whole[:last]
            checkpoint.add("part 2", {"sound": np.arange(4.0) * 2, "steps": 2})
        assert filled.read_bytes() == whole


def test_the_first_line_cut_at_every_byte(path: Path) -> None:
    Checkpoint(path, BOARD).close()
    whole = path.read_bytes()
    for end in range(len(whole)):
        path.write_bytes(whole[:end])
        with Checkpoint(path, BOARD) as checkpoint:
            assert len(checkpoint) == 0
        assert path.read_bytes() == whole


def test_half_a_first_line_of_something_else_stays(path: Path) -> None:
    Checkpoint(path, BOARD).close()
    whole = path.read_bytes()
    path.write_bytes(whole[:-5])
    assert refused(path, {**BOARD, "rate": 1}) == f"is no checkpoint of a search{ADVICE}"
    path.write_bytes(whole[:-1])
    assert refused(path, {**BOARD, "rate": 1}) == f"is no checkpoint of a search{ADVICE}"


WRITERS = """
import os, signal, sys, time
from pathlib import Path
import numpy as np
from simchain.decide.checkpoint import Checkpoint

path, parts = Path(sys.argv[1]), 0

def sound(part):
    return np.full(5000 + part % 7, part, np.float32)

for turn in range(20):
    reads, writes = os.pipe()
    writer = os.fork()
    if not writer:
        with Checkpoint(path, {}) as checkpoint:
            part = len(checkpoint)
            while True:
                checkpoint.add(str(part), {"sound": sound(part)})
                os.write(writes, b"%d " % part)
                part += 1
    os.close(writes)
    said = os.read(reads, 1)
    time.sleep(0.0007 * turn)
    os.kill(writer, signal.SIGKILL)
    os.waitpid(writer, 0)
    with open(reads, "rb") as rest:
        said += rest.read()
    size = path.stat().st_size
    with Checkpoint(path, {}) as checkpoint:
        assert len(checkpoint) > max(parts, int(said.split()[-1])), said
        for part in range(parts, len(checkpoint)):
            assert np.array_equal(checkpoint.get(str(part))["sound"], sound(part))
        parts = len(checkpoint)
        print(parts, size - path.stat().st_size)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs forks")
def test_killed_twenty_times_while_it_writes(path: Path) -> None:
    """What a writer said was written is there, and what is there is whole."""
    ran = subprocess.run(
        [sys.executable, "-c", WRITERS, str(path)], capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    print(ran.stdout)  # parts in the file, and bytes cut off
    assert len(ran.stdout.splitlines()) == 20
    with Checkpoint(path, {}) as checkpoint:
        assert len(checkpoint) == int(ran.stdout.split()[-2])


@pytest.mark.skipif(sys.platform == "win32", reason="needs limits on the size of files")
def test_a_full_disk(filled: Path) -> None:
    """A limit on the size of files stands for a disk that fills up in the middle of a line."""
    import resource

    size = filled.stat().st_size
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    with Checkpoint(filled, BOARD) as checkpoint:
        resource.setrlimit(resource.RLIMIT_FSIZE, (size + 100, limits[1]))
        try:
            with pytest.raises(
                OutputError, match=rf"^cannot write checkpoint {filled}: file too large$"
            ):
                checkpoint.add("part 3", {"sound": np.zeros(1000)})
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        assert filled.stat().st_size == size
        assert "part 3" not in checkpoint
        checkpoint.add("part 3", {"steps": 3})  # there is room again
        assert checkpoint.get("part 3") == {"steps": 3}
    with Checkpoint(filled, BOARD) as checkpoint:
        assert len(checkpoint) == 4


def test_interrupted_while_it_writes(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = filled.read_bytes()
    write = os.write

    def half(file: int, line: bytes) -> int:
        write(file, line[:20])
        raise KeyboardInterrupt

    with Checkpoint(filled, BOARD) as checkpoint:
        monkeypatch.setattr(os, "write", half)
        with pytest.raises(KeyboardInterrupt):
            checkpoint.add("part 3", {"steps": 3})
        monkeypatch.undo()
    assert filled.read_bytes() == before


def test_a_system_that_writes_in_small_pieces(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write = os.write
    monkeypatch.setattr(os, "write", lambda file, line: write(file, line[:7]))
    with Checkpoint(path, BOARD) as checkpoint:
        checkpoint.add("part", {"sound": np.arange(9.0)})
    with Checkpoint(path, BOARD) as checkpoint:
        assert "part" in checkpoint


def test_the_disk_is_reached_once_a_second_and_at_the_end(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reached: list[int] = []
    now = [100.0]
    monkeypatch.setattr(checkpoints.time, "monotonic", lambda: now[0])
    monkeypatch.setattr(os, "fsync", reached.append)
    with Checkpoint(path, BOARD) as checkpoint:
        for part in range(35):
            now[0] += 0.1
            checkpoint.add(str(part), {})
        assert 3 <= len(reached) <= 4
        during = len(reached)
    assert len(reached) == during + 1
    checkpoint.close()
    assert len(reached) == during + 1


# Of something else


@pytest.mark.parametrize(
    ("other", "what"),
    [
        ({**BOARD, "blocks": ["grit"]}, "blocks differs"),
        ({**BOARD, "rate": 48_000, "passages": {"riff": "a1b3"}}, "rate, passages differ"),
        ({**BOARD, "goals": {}}, "goals differs"),
        ({"blocks": BOARD["blocks"], "rate": 24_000}, "'passages' differs"),
    ],
)
def test_of_another_search(other: dict[str, object], what: str, filled: Path) -> None:
    assert refused(filled, other) == f"is of another search ({what}){ADVICE}"


def test_the_same_search_said_otherwise(filled: Path) -> None:
    """Tuples are lists in JSON, and entries have no sequence."""
    same = {"passages": {"riff": "a1b2"}, "rate": 24_000, "blocks": ("grit", "echo")}
    with Checkpoint(filled, same) as checkpoint:
        assert len(checkpoint) == 3


def test_of_another_version(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checkpoints, "__version__", "0.0.9")
    assert refused(filled) == f"is by simchain '{simchain.__version__}', this is 0.0.9{ADVICE}"


@pytest.mark.parametrize(
    "content",
    [
        b"\x00\x01\x02" * 1000,
        b"RIFF\x00\x00\x00\x00WAVE",
        b"[blocks]\n",
        b"{}\n",
        b'{"orders": 3}\n',
        b"[1, 2]\n",
        b"\n",
        b" ",
        b'{"simchain":\n',
        b'{"simchain":"0.1.0"}\n',  # a document of simchain's that is no checkpoint
        b'{"simchain":"0.1.0"}',
        b'{"simchain":' + b"[" * 100_000,
        b'{"simchain":' + b"[" * 100_000 + b"\n",
        b'{"simchain":"0.1.0","checkpoint":1' + b'}\xff"\n',
        b'{"simchain":[' + b"[]," * 1_100_000 + b"\n",
    ],
    ids=range(15),
)
def test_no_checkpoint(content: bytes, path: Path) -> None:
    path.write_bytes(content)
    assert refused(path) == f"is no checkpoint of a search{ADVICE}"


def test_a_folder_and_a_missing_folder(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=rf"^cannot open checkpoint {tmp_path}: is a directory$"):
        Checkpoint(tmp_path, BOARD)
    with pytest.raises(OutputError, match=r"^cannot open checkpoint .*: no such file or directory"):
        Checkpoint(tmp_path / "missing" / "search.jsonl", BOARD)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_and_a_device(path: Path) -> None:
    os.mkfifo(path)
    for no_file in (path, Path(os.devnull)):
        with pytest.raises(RequestError, match=rf"^checkpoint {no_file} is no file{ADVICE}$"):
            Checkpoint(no_file, BOARD)


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="needs a folder nobody may write into")
def test_a_file_that_cannot_be_made() -> None:
    with pytest.raises(OutputError, match=r"^cannot open checkpoint /proc/simchain: "):
        Checkpoint(Path("/proc/simchain"), BOARD)


def test_two_at_once(filled: Path) -> None:
    fcntl = pytest.importorskip("fcntl")
    assert fcntl
    with Checkpoint(filled, BOARD):
        assert refused(filled) == "is in use by another search; name another file, or wait"
        code = (
            "import sys; from pathlib import Path; from simchain.decide.checkpoint import *\n"
            "try: Checkpoint(Path(sys.argv[1]), {})\n"
            "except Exception as error: print(error)"
        )
        run = subprocess.run(
            [sys.executable, "-c", code, str(filled)], capture_output=True, text=True, check=True
        )
        assert "is in use by another search" in run.stdout
    with Checkpoint(filled, BOARD) as checkpoint:
        assert len(checkpoint) == 3


# Broken lines


def line_of(**field: object) -> bytes:
    return json.dumps({"key": "part", "payload": {"sound": field}}).encode()


@pytest.mark.parametrize(
    ("line", "what"),
    [
        (b"", "no JSON"),
        (b"\x00" * 50, "no JSON"),
        (b'{"key":"part","payl', "no JSON"),
        (b"[1]", "no JSON object"),
        (b"[" * 100_000, "no JSON"),
        (b'{"key":"part"}', "no key or payload"),
        (b'{"key":3,"payload":{}}', "no key or payload"),
        (b'{"key":"part","payload":{"sound":"loud"}}', "neither"),
        (b'{"key":"part","payload":{"sound":true}}', "neither"),
        (b'{"key":"part","payload":{"sound":NaN}}', "neither"),
        (b'{"key":"part","payload":{"sound":1e999}}', "neither"),
        (b'{"key":"part","payload":{"sound":' + b"9" * 5000 + b"}}", "no JSON"),
        (b'{"key":"part","payload":{"sound":{"number":"1e5"}}}', "neither"),
        (b'{"key":"part","payload":{"\\n\\ud800":null}}', r"'\n\ud800' is neither"),
        (b"[" + b"[]," * 1_100_000 + b"1]", "too many entries"),
        (line_of(dtype="object", shape=[1], base64="AAAAAAAAAAA="), "neither"),
        (line_of(dtype="float64", shape=[2], base64="AAAAAAAAAAA="), "neither"),
        (line_of(dtype="float64", shape=[-1], base64="AAAAAAAAAAA="), "neither"),
        (line_of(dtype="float64", shape=[True], base64="AAAAAAAAAAA="), "neither"),
        (line_of(dtype="float64", shape=[1.0], base64="AAAAAAAAAAA="), "neither"),
        (line_of(dtype="float64", shape=[0, 2**62, 2**62, 10**30], base64=""), "neither"),
        (line_of(dtype="float64", shape=[1] * 100, base64="AAAAAAAAAAA="), "neither"),
        (line_of(dtype="float64", shape=[1], base64="AAAAAAAA AAA="), "neither"),
        (line_of(dtype="float64", shape=[1], base64="é"), "neither"),
        (line_of(dtype="float64", shape=[1], base64=[]), "neither"),
        (line_of(dtype=["float64"], shape=[1], base64="AAAAAAAAAAA="), "neither"),
        (line_of(shape=[1], base64="AAAAAAAAAAA="), "neither"),
    ],
    ids=range(27),
)
def test_a_broken_line_is_named(line: bytes, what: str, filled: Path) -> None:
    lines = filled.read_bytes().splitlines(keepends=True)
    filled.write_bytes(b"".join([*lines[:2], line, b"\n", *lines[2:]]))
    said = refused(filled)
    assert said.startswith("is broken in line 3 (")
    assert what in said
    assert said.endswith(f"){ADVICE}")


def test_a_line_too_long_to_be_read(filled: Path) -> None:
    with filled.open("r+b") as file:
        file.truncate(filled.stat().st_size + LONGEST_LINE + 10)  # a hole: nothing but zeros
        file.seek(0, os.SEEK_END)
        file.write(b"\n")
    with pytest.raises(RequestError, match=r"is broken in line 5 \(over 67,108,864 bytes\); name"):
        Checkpoint(filled, BOARD)


def test_changed_while_in_use(filled: Path) -> None:
    with Checkpoint(filled, BOARD) as checkpoint:
        filled.write_bytes(filled.read_bytes().replace(b'"key"', b"'key'"))
        with pytest.raises(RequestError, match="was changed while it was in use; name another"):
            checkpoint.get("part 1")


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_any_bytes_are_a_checkpoint_or_one_line(
    data: st.DataObject,
) -> None:
    """Bytes of a good file changed, taken out and put in."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "search.jsonl"
        with Checkpoint(path, {"board": "x"}) as checkpoint:
            checkpoint.add("one", {"sound": np.arange(3, dtype=np.float32), "n": 1})
            checkpoint.add("two", {"sound": np.zeros((2, 0), np.int32), "n": 0.5})
        content = bytearray(path.read_bytes())
        for _ in range(data.draw(st.integers(1, 3))):
            start = data.draw(st.integers(0, len(content)))
            length = data.draw(st.integers(0, 6))
            content[start : start + length] = data.draw(st.binary(max_size=6))
        path.write_bytes(content)
        try:
            with Checkpoint(path, {"board": "x"}) as checkpoint:
                for key in ("one", "two"):
                    checkpoint.get(key)
                checkpoint.add("three", {"n": 3})
            with Checkpoint(path, {"board": "x"}) as checkpoint:
                assert checkpoint.get("three") == {"n": 3}
        except SimchainError as error:
            said = str(error)
        else:
            return
        assert len(said.splitlines()) == 1
        assert said.encode()
        assert path.read_bytes() == content
