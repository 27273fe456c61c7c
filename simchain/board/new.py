"""Boards to start from."""

import os
from importlib import resources
from pathlib import Path

from simchain import files
from simchain.errors import OutputError, RequestError, nearest

STARTERS = ("electric", "acoustic", "demo")


def starter(name: str) -> str:
    """Return the TOML text of a board to start from: electric, acoustic or demo.

    Raises RequestError for any other name.
    """
    if name not in STARTERS:
        listed = ", ".join(STARTERS)
        raise RequestError(f"no starter '{name}' (there are: {listed}){nearest(name, STARTERS)}")
    return resources.files("simchain.board").joinpath("starters", f"{name}.toml").read_text("utf-8")


def new_board(path: Path, name: str = "electric") -> None:
    """Write a board to start from to `path`.

    Raises OutputError when something is there already or cannot be written, RequestError for an
    unknown starter.
    """
    text = starter(name)
    if os.path.lexists(path):
        raise OutputError(f"{path} is there already, and is left as it is; give another name")
    files.write_text(path, text)
