"""Doors for hostile files, opened once for all tests that need them."""

import os
from collections.abc import Iterator

import pytest

from tests.faults.doors import Doors


@pytest.fixture(scope="session")
def doors() -> Iterator[Doors]:
    """Readers and commands, each file in a process of its own."""
    if os.name != "posix":
        pytest.skip("forks and limits are POSIX")
    doors = Doors(warm=True)
    yield doors
    doors.close()
