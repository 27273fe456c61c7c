"""Whatever stands in a checkpoint, or in the result of a blind test: taken up, or told in a line.

Bytes changed here and there are in `tests/decide/test_checkpoint.py`, one key of a result at a time
in `tests/decide/test_heard.py`; here lines and values of JSON are, and files that are large. More,
and others each time, with `pytest -m soak tests/faults/test_fuzz_checkpoint.py`.
"""

import copy
import json
import tempfile
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simchain.decide.checkpoint import Checkpoint
from simchain.decide.heard import read_blind_test
from simchain.errors import RequestError
from tests.faults.doors import Doors
from tests.faults.fuzzing import FEW, MANY
from tests.heard_files import a_result

FINGERPRINT = {"board": "x"}


@lru_cache(maxsize=1)
def whole() -> bytes:
    """A checkpoint of two parts."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "whole.jsonl"
        with Checkpoint(path, FINGERPRINT) as checkpoint:
            checkpoint.add("one", {"sound": np.arange(3, dtype=np.float32), "n": 1})
            checkpoint.add("two", {"sound": np.zeros((2, 0), np.int32), "n": float("inf")})
        return path.read_bytes()


def head() -> str:
    return whole().splitlines()[0].decode() + "\n"


VALUES = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.sampled_from((0, -1, 2**31, 2**63, 10**40, 0.5, 1e308, "", "a", "b", "nan", "float64")),
        st.text(max_size=6),
    ),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=6,
)
CONSTANTS = ("NaN", "-Infinity", "1e999", "-0", "0.1e-400", "9" * 5000, '"\\ud800"', "{}", "[]")


def places(tree: Any) -> Iterator[tuple[Any, Any]]:
    """Yield each container of a tree with each key in it."""
    for key, value in tree.items() if isinstance(tree, dict) else enumerate(tree):
        yield tree, key
        if isinstance(value, dict | list):
            yield from places(value)


def changed(draw: st.DrawFn, tree: Any) -> str:
    """A document as JSON, some of whose values are others, or words that are no JSON."""
    tree, marks = copy.deepcopy(tree), {}
    for mark in range(draw(st.integers(0, 3))):
        container, key = draw(st.sampled_from([*places(tree)] or [({}, "x")]))
        match draw(st.sampled_from(("other", "word", "without", "twice"))):
            case "other":
                container[key] = draw(VALUES)
            case "word":
                container[key] = f"@{mark}@"
                marks[f'"@{mark}@"'] = draw(st.sampled_from(CONSTANTS))
            case "without":
                container.pop(key)
            case "twice" if isinstance(container, list):
                container.extend([container[key]] * draw(st.integers(1, 200)))
            case "twice":
                container[f"{key}2"] = container[key]
    text = json.dumps(tree)
    for mark, word in marks.items():
        text = text.replace(mark, word)
    return text


@st.composite
def checkpoints(draw: st.DrawFn) -> bytes:
    """Lines of a checkpoint: changed, left out, doubled, exchanged, cut, or ended otherwise."""
    lines = [json.loads(line) for line in whole().splitlines()]
    told = [changed(draw, line) if draw(st.booleans()) else json.dumps(line) for line in lines]
    told[0] = told[0] if draw(st.integers(0, 3)) == 0 else whole().splitlines()[0].decode()
    match draw(st.sampled_from(("as it is", "without", "twice", "exchange", "cut"))):
        case "without":
            told.pop(draw(st.integers(0, len(told) - 1)))
        case "twice":
            told += [draw(st.sampled_from(told))] * draw(st.integers(1, 30))
        case "exchange":
            told.append(told.pop(draw(st.integers(0, len(told) - 1))))
        case "cut":
            told[-1] = told[-1][: draw(st.integers(0, len(told[-1])))]
    ends = draw(st.sampled_from(("\n", "\n", "\n", "\r\n", "\n\n", "\u2028", "")))
    return (ends.join(told) + draw(st.sampled_from(("\n", "\n", "", "\0")))).encode()


def taken_up(path: Path, content: bytes) -> None:
    """It is taken up and goes on, or is refused in a line and stays as it is."""
    path.write_bytes(content)
    said = ""
    try:
        with Checkpoint(path, FINGERPRINT) as checkpoint:
            found = {key: checkpoint.get(key) for key in ("one", "two")}
            checkpoint.add("three", {"n": 3})
        with Checkpoint(path, FINGERPRINT) as checkpoint:
            assert checkpoint.get("three") == {"n": 3}
            assert [checkpoint.get(key) is None for key in found] == [
                each is None for each in found.values()
            ]
    except RequestError as error:
        said = str(error)
    if said:
        assert said.isprintable()
        assert len(said) < 600
        assert path.read_bytes() == content


def heard(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")
    said = ""
    try:
        read_blind_test(path)
    except RequestError as error:
        said = str(error)
    assert said.isprintable()
    assert len(said) < 600


HOW_OFTEN = [pytest.param(FEW, id="few"), pytest.param(MANY, id="many", marks=pytest.mark.soak)]


@pytest.mark.parametrize("often", HOW_OFTEN)
def test_lines_of_a_checkpoint(tmp_path: Path, often: settings) -> None:
    often(given(checkpoints())(lambda content: taken_up(tmp_path / "x.jsonl", content)))()


@st.composite
def results(draw: st.DrawFn) -> str:
    return changed(draw, a_result())


@pytest.mark.parametrize("often", HOW_OFTEN)
def test_results_of_a_blind_test(tmp_path: Path, often: settings) -> None:
    often(given(results())(lambda text: heard(tmp_path / "heard.json", text)))()


# Large ones: what they may take is stated.
LARGE: dict[str, tuple[str, Callable[[], str]]] = {
    # Before it was mended: a fault of ours, from 13 trials without anything in them on.
    "13 empty trials": ("heard", lambda: json.dumps(a_result(trials=[{}] * 13))),
    "240,000 trials": ("heard", lambda: json.dumps(a_result(trials=[{}] * 240_000))),
    "100,000 keys": (
        "heard",
        lambda: json.dumps(a_result() | dict.fromkeys(map(str, range(90_000)), 1)),
    ),
    "lists in lists": ("heard", lambda: '{"heard": ' + "[" * 900_000),
    "a long number": ("heard", lambda: '{"heard": ' + "9" * 900_000 + "}"),
    "a long name": ("heard", lambda: json.dumps(a_result(board="x" * 900_000))),
    "lists in a line": (
        "checkpoint",
        lambda: head() + '{"key":"a","payload":' + "[" * 900_000 + "\n",
    ),
    "a shape without an end": (
        "checkpoint",
        lambda: (
            head()
            + '{"key":"a","payload":{"s":{"dtype":"float64","base64":"","shape":['
            + "0," * 900_000
            + "9999999999]}}}\n"
        ),
    ),
    "100,000 times one key": (
        "checkpoint",
        lambda: head() + '{"key":"a","payload":{}}\n' * 100_000,
    ),
}
MOST_MB, MOST_CPU_S = 300.0, 20.0


@pytest.mark.parametrize("what", LARGE)
def test_a_large_one_takes_little(doors: Doors, tmp_path: Path, what: str) -> None:
    door, made = LARGE[what]
    path = tmp_path / "large"
    path.write_text(made(), encoding="utf-8")
    found = doors.open(door, path)
    size = path.stat().st_size / 1e6
    print(f"{size:.1f} MB: {found.taken_mb} MB, {found.cpu_s} s: {found.said[-90:]}")
    assert found.kind == "refused" or what in ("100,000 times one key", "a long name")
    assert found.said.isprintable()
    assert found.taken_mb <= MOST_MB
    assert found.cpu_s <= MOST_CPU_S
