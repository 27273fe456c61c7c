"""A small board to put faults into, and what is said about them."""

from collections.abc import Callable

import pytest

from simchain.board import read_board
from simchain.errors import BoardError

SMALL = """
[source]
clip = "riff"
[blocks.grit]
kind = "drive"
[blocks.push]
kind = "boost"
[blocks.repeat]
kind = "delay"
[amps.mine]
[orders.series]
front = ["grit", "push", "repeat"]
[orders.split]
front = ["grit", "push"]
loop = ["repeat"]
[passages.verse]
on = ["grit"]
[passages.solo]
on = ["grit", "push"]
"""


@pytest.fixture
def small() -> str:
    """Return a board that loads."""
    return SMALL


@pytest.fixture
def problems_of() -> Callable[[str], list[str]]:
    """Return a function that gives the problems of a board that must not load."""

    def problems_of(text: str) -> list[str]:
        with pytest.raises(BoardError) as caught:
            read_board(text, file="my.toml")
        for problem in caught.value.problems:
            assert problem.file == "my.toml"
            assert "\n" not in str(problem)
            assert len(str(problem)) < 600
        return [str(problem) for problem in caught.value.problems]

    return problems_of
