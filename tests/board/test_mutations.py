"""Whatever is done to a board file, reading gives a board or a BoardError, nothing else."""

import copy
import tomllib
from collections.abc import Iterator
from typing import Any

import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simchain.board import Board, check_board, read_board, starter
from simchain.errors import BoardError, Problem

DEMO = tomllib.loads(starter("demo"))

texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=12)
scalars = st.one_of(
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(),
    texts,
    st.dates(),
    st.sampled_from(["grit", "press", "verse", "drive", "looper", "riff", "real", "on", ""]),
)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=6,
)


def places(table: Any) -> Iterator[tuple[Any, Any]]:
    """Yield each container with each key in it."""
    pairs = table.items() if isinstance(table, dict) else enumerate(table)
    for key, value in pairs:
        yield table, key
        if isinstance(value, dict | list):
            yield from places(value)


@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data(), mutations=st.integers(1, 4))
def test_a_mutated_demo_loads_or_is_refused(data: st.DataObject, mutations: int):
    board = copy.deepcopy(DEMO)
    for _ in range(mutations):
        container, key = data.draw(st.sampled_from([*places(board)] or [(board, "title")]))
        action = data.draw(st.sampled_from(["delete", "rename", "retype", "double"]))
        if action == "delete":
            container.pop(key, None) if isinstance(container, dict) else container.pop(key)
        elif action == "rename" and isinstance(container, dict):
            container[data.draw(texts)] = container.pop(key, 0)
        elif action == "double" and isinstance(container, list):
            container.append(container[key])
        else:
            container[key] = data.draw(values)
    read(tomlkit.dumps(board))


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_a_torn_demo_loads_or_is_refused(data: st.DataObject):
    text = starter("demo")
    start = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(start, min(len(text), start + 200)))
    read(text[:start] + data.draw(texts) + text[end:])


def read(text: str) -> None:
    problems: tuple[Problem, ...] = ()
    try:
        board = read_board(text, file="demo.toml")
    except BoardError as error:
        problems = error.problems
    else:
        assert isinstance(board, Board)
        assert all("\n" not in warning.text for warning in check_board(board))
        return
    assert problems
    for problem in problems:
        assert "\n" not in str(problem)
        assert "Input should" not in str(problem)
        assert "something else" not in str(problem)
